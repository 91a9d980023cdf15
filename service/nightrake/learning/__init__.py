"""What the history teaches, as pure statistics on arrays: trend, shifts, duty, approach to trips, contact drift."""
