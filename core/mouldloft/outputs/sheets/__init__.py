"""The sheets on paper."""
