"""`rampguard learn`: known-good captures of a model become the file of its learnt band."""
