"""Stage peel: does the glove come off the cast, and how is it pulled."""
