"""What the page reads out of the store: history, marks, trips, journal, calibration records, data sheets. Read-only."""
