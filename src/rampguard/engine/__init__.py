"""Owns the bench while anything can be live: its own process, with no screen and no plotting library."""
