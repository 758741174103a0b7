"""rampguard: drives, guards and records the first power-up of a repaired, mains-powered unit."""

__version__ = "0.1.0"
