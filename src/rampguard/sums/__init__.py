"""Sums of the bench, each with where it comes from: series lamp, fuse, discharge, reforming, soft start, touch current."""
