"""The hand-back sheet: what goes back with a repaired unit, one HTML page and one PDF of the same words."""
