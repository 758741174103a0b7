"""After full line: unit sheets, idle current, how a unit settles, every channel. Pure but for reading a file."""
