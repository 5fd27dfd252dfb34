"""More than two pieces, where two cost too much."""
