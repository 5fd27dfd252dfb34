"""Stage rubber: the glove's outside and what it takes."""
