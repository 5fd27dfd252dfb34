"""The stages of a plan, in the order of work."""
