"""Sealed history: an hour of recorded inputs as columns, and what can be read out of them. Pure, with numpy."""
