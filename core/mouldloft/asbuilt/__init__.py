"""After the clay: the scan set against the plan, and the run against its log."""
