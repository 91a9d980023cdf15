"""Reads the fields of a line back."""

from __future__ import annotations


def fields_of(text: str) -> dict[str, float]:
    """Name -> value, of fields that each have a comma before them."""
    first, *fields = text.split(",")
    assert not first
    return {name: float(value) for name, _, value in (field.partition("=") for field in fields)}
