"""What everything stands on: errors, progress, threads, files, marks, how figures read."""
