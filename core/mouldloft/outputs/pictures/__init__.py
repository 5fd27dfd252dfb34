"""Pictures of a plan."""
