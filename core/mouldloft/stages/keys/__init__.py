"""Stage keys: what returns the glove to its place in the jacket."""
