"""Captures beside each other: what differs by more than meters and healthy units explain, and what can be compared."""
