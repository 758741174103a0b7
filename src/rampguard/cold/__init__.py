"""Before any power: what an unpowered unit measures, against good parts and between channels. Pure but for files."""
