"""What is learnt of a model from captures of good units of it: the units, the file it is kept in."""
