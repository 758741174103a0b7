"""Getting a bench ready: what is there, whether it does as its file says, and how fast it could cut."""
