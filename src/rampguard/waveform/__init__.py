"""Waveforms of line voltage and current: cycles, what each of them says, and records in an open format. Pure."""
