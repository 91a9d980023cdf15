"""Alarms: pure. What follows from the facts of the drives until a person has dealt with it."""
