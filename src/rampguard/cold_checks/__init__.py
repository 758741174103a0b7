"""`rampguard cold`: what a cold sheet comes to, its missing readings asked for, a fresh one written."""
