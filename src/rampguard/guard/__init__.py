"""Decides: safe, warn or trip. Pure: (state, observation) -> (state, decision). No I/O, no clock, no numpy."""
