"""Templates at full size."""
