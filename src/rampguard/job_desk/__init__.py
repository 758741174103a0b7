"""`rampguard job`: begins a job, shows it, asks for what is missing, and writes down what was done."""
