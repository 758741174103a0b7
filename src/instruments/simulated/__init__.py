"""A bench to try everything on: units in the time domain, instruments around them as servers on loopback.

Shares no formula with ``rampguard.loads``: this side integrates instantaneous waveforms, that side will average cycles,
and the two must be able to disagree.
"""
