"""InfluxDB line protocol, text of our own: floats only, integer milliseconds, nothing that a store could take wrongly.

A store that is lenient keeps strings as 0 and drops NaN without a word, so neither ever leaves here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping


def escape(text: str) -> str:
    """A tag value or name with what line protocol needs escaped.

    Raises:
        ValueError: It is empty or holds a line break.
    """
    if not text or "\n" in text or "\r" in text:
        raise ValueError(f"not fit for a tag: {text[:40]!r}")
    return text.replace("\\", "\\\\").replace(",", "\\,").replace(" ", "\\ ").replace("=", "\\=")


def head(measurement: str, tags: Mapping[str, str]) -> str:
    """Measurement and tags, the part of a line that a series has in common."""
    return measurement + "".join(f",{escape(k)}={escape(v)}" for k, v in tags.items())


def line(series: str, fields: Mapping[str, float], utc_ms: int) -> str:
    """One line.

    Args:
        series: From `head`. fields: At least one; finite numbers. utc_ms: The stamp.

    Raises:
        ValueError: No field, or one that is not a finite number.
    """
    isfinite = math.isfinite
    parts = []
    for name, value in fields.items():
        if type(value) is not float or not isfinite(value):
            raise ValueError(f"{series}: field {name} is {value!r}; only finite floats are forwarded")
        parts.append(f"{name}={value!r}")
    if not parts:
        raise ValueError(f"{series}: no field")
    return f"{series} {','.join(parts)} {utc_ms}"


FLOOR_SLACK_MS = 2000
"""Stamps this little below the floor are left as they are: several PLCs answer in one millisecond, and what is sent
again after a restart has to come under the same stamp. A clock that was set back lies further below."""


class Stamps:
    """Keeps stamps strictly rising in each series, so that a clock set back overwrites nothing.

    Args:
        floor_ms: What an earlier run has used. A series not seen yet begins above it, unless it is only just below.
    """

    def __init__(self, floor_ms: int = 0) -> None:
        self._floor_ms = floor_ms
        self._last: dict[str, int] = {}

    def take(self, series: str, utc_ms: int) -> int:
        """The stamp for the next line of a series: its own time, or one millisecond after the last one's."""
        last_ms = self._last.get(series)
        if last_ms is None:
            last_ms = self._floor_ms if utc_ms < self._floor_ms - FLOOR_SLACK_MS else utc_ms - 1
        stamp = max(utc_ms, last_ms + 1)
        self._last[series] = stamp
        return stamp

    def copy(self) -> Stamps:
        """As they stand, for going back to."""
        other = Stamps(self._floor_ms)
        other._last = dict(self._last)
        return other

    @property
    def highest_ms(self) -> int:
        """The highest stamp used so far."""
        return max(self._last.values(), default=self._floor_ms)
