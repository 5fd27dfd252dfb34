"""Stage jacket: the rigid shell over the glove."""
