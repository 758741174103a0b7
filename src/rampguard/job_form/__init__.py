"""A job as a form on the screen: the same file, the same checks, the same writer as `rampguard job`."""
