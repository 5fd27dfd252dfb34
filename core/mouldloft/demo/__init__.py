"""The demo pieces, made in code."""
