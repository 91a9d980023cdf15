"""Keeping history and passing it on."""
