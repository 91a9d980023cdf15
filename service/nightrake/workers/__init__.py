"""Processes beside the watch, which it starts and which end with it."""
