"""A time of history. Pure."""

from __future__ import annotations

from typing import NamedTuple


class Period(NamedTuple):
    """From, until (not included), UTC ms."""

    from_ms: int
    to_ms: int
