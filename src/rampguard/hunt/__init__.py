"""Finding the section at fault: short, gentle ramps to one safe hold, with one section more unplugged each time."""
