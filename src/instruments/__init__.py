"""Speaks to the instruments on the bench; knows nothing of guards, ramps or jobs."""

# `instruments` is a common word: the program checks at start-up that the package it imported is this one.
OWNER = "rampguard"
