"""Waveforms of line voltage and current: the newest samples, records around events, and their open format. Pure."""
