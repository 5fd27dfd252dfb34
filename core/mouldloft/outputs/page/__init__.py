"""The interactive page."""
