"""What a unit draws. Pure: no I/O, no clock."""
