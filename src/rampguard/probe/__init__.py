"""Asking before powering: a few volts at several frequencies, from which some shorts are found before the ramp."""
