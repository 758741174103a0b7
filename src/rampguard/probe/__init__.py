"""Asking before powering: a few volts at several frequencies, from which some shorts are found before the ramp."""

PROBED = ("transformer", "linear-amplifier", "receiver", "valve-amplifier", "switch-mode")
"""The load classes that a probe says something about."""
