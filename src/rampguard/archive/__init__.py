"""Capture folders: written as it happens, readable without this program, sealed at the end."""
