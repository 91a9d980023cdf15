"""history.db: what the store does not keep for long, written by one worker, read by anybody."""
