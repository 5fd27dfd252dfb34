"""Stage wall: the parting surface and the wall built to it."""
