"""The job folder: one repair, from intake to hand-back. Readable without this program."""
