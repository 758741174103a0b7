"""Plans: the stages of a ramp, and what ends each. Pure but for reading a plan file."""
