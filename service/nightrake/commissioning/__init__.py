"""Commissioning: what a drive should be, what was measured on it, what its readings are worth. Pure."""
