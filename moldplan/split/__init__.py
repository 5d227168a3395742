"""Where to split the pattern."""
