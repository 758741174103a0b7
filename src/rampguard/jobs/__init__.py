"""Many jobs at once: an index over a shop's job folders, searched and summed up. The truth is the folders."""
