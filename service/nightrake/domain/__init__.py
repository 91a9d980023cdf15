"""The pure core: what was read, what it means. Standard library only; no I/O, no clock, no randomness."""
