"""From the store to what learning judges: summaries, journal and trip records as plain arrays. Read-only."""
