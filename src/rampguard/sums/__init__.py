"""Sums of the bench, with their sources: series lamp, fuse, discharge, reforming, soft start, touch current."""
