"""What the learning worker left, believed in nothing: of each entry only what has the form that the page shows."""

from __future__ import annotations

import math
from array import array
from collections.abc import Mapping
from itertools import pairwise
from typing import Any, NamedTuple

from nightrake.domain.cleantext import clean

STATES = ("creeping", "steady", "falling", "cannot say")
UNKNOWN = STATES[-1]
CURVES = ("median_nm", "line_nm", "low_nm", "high_nm", "below_nm")
MOST_POINTS = 2_000
"""Of a side; the worker leaves 800."""
MOST_SHIFTS, MOST_REMARKS, MOST_OUTLIERS = 100, 100, 400
LONGEST_UTC_MS = 2**53
LARGEST = 1e12
"""N.m, days or percent beyond which a number is none."""
SMALLEST_NM = 1e-3
"""Set points below which there is none: shares of them are shown."""
WITHIN_DAYS = ("7", "30", "90")

Plain = dict[str, Any]


class Side(NamedTuple):
    """One direction of one drive.

    Attributes:
        told: Everything but the days, as `ports.Reader.creep` has it. days: Columns by name; ``utc_ms`` rises, NaN is a
            value that there is not; None: there are no days, or none that go together.
    """

    told: Plain
    days: Mapping[str, array[float]] | None

    @property
    def drive(self) -> str:
        """Whose."""
        return str(self.told["drive"])

    def with_days(self) -> Plain:
        """All of it, as JSON can have it."""
        if self.days is None:
            return {**self.told, "days": None}
        days: Plain = {name: [_known(v) for v in column] for name, column in self.days.items()}
        days["utc_ms"] = [int(v) for v in self.days["utc_ms"]]
        days["outlier"] = [int(v == 1.0) for v in self.days["outlier"]]
        return {**self.told, "days": days}


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value


def side_of(told: Any) -> Side | None:
    """One entry of the file; None: it names no drive and direction, so that nothing in it can be shown."""
    if not isinstance(told, dict):
        return None
    drive, direction = words(told.get("drive"), 64), words(told.get("direction"), 32)
    if not drive or not direction:
        return None
    state = told.get("state")
    found: Plain = {
        "drive": drive,
        "direction": direction,
        "several": told.get("several") is True,
        "name": words(told.get("name"), 200),
        "state": state if state in STATES else UNKNOWN,
        "warning": told.get("warning") is True,
        "sentence": words(told.get("sentence"), 600),
        "level_nm": number(told.get("level_nm")),
        "level_is_below": told.get("level_is_below") is True,
        "alarm_nm": _point(told.get("alarm_nm")),
        "shutdown_nm": _point(told.get("shutdown_nm")),
        "slope_nm_month": span(told.get("slope_nm_month")),
        "slope_percent_month": span(told.get("slope_percent_month")),
        "upper_slope_percent_month": span(told.get("upper_slope_percent_month")),
        "since_utc_ms": moment(told.get("since_utc_ms")),
        "method": words(told.get("method"), 1_000),
        "p_value": _share(told.get("p_value")),
        "alarm": forecast(told.get("alarm")),
        "shutdown": forecast(told.get("shutdown")),
        "shifts": [one for one in map(_shift, _list(told.get("shifts"), MOST_SHIFTS)) if one is not None],
        "remarks": [text for text in (words(t, 600) for t in _list(told.get("remarks"), MOST_REMARKS)) if text],
        "outliers_utc_ms": [at for at in map(moment, _list(told.get("outliers_utc_ms"), MOST_OUTLIERS)) if at],
    }
    return Side(found, days_of(told.get("days")))


# --- pieces -----------------------------------------------------------------------------------------------------------


def words(value: Any, most: int) -> str:
    """A text on one line; "" where there is none."""
    return clean(value, most).strip() if isinstance(value, str) else ""


def number(value: Any) -> float | None:
    """A number that can be one; else None."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if abs(value) < LARGEST else None


def moment(value: Any) -> int | None:
    """UTC in ms since 1970; None where it is none."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < LONGEST_UTC_MS:
        return None
    return int(value)


def span(value: Any) -> Plain | None:
    """An estimate with its interval; a None in it is an end that is open or not known."""
    if not isinstance(value, dict):
        return None
    found = {part: number(value.get(part)) for part in ("low", "mid", "high")}
    return found if any(v is not None for v in found.values()) else None


def forecast(value: Any) -> Plain:
    """When a stage is reached."""
    told = value if isinstance(value, dict) else {}
    within = told.get("within")
    chances = within if isinstance(within, dict) else {}
    days = span(told.get("days"))
    if days is not None and days["low"] is None:
        days = None
    return {
        "days": days,
        "within": {d: share for d in WITHIN_DAYS if (share := _share(chances.get(d))) is not None},
        "why_not": words(told.get("why_not"), 400),
    }


def days_of(value: Any) -> Mapping[str, array[float]] | None:
    """The days' columns, where they go together."""
    if not isinstance(value, dict):
        return None
    at = value.get("utc_ms")
    if not isinstance(at, list) or not 0 < len(at) <= MOST_POINTS or any(moment(v) is None for v in at):
        return None
    if any(late <= early for early, late in pairwise(at)):
        return None
    found = {"utc_ms": array("d", at)}
    for name in (*CURVES, "outlier"):
        column = value.get(name)
        known = column if isinstance(column, list) and len(column) == len(at) else [None] * len(at)
        found[name] = array("d", [math.nan if (n := number(v)) is None else n for v in known])
    return found


def _shift(value: Any) -> Plain | None:
    told = value if isinstance(value, dict) else {}
    at = moment(told.get("utc_ms"))
    if at is None:
        return None
    low, high = moment(told.get("low_utc_ms")) or at, moment(told.get("high_utc_ms")) or at
    why, size = words(told.get("why"), 200), span(told.get("size_nm"))
    return {"utc_ms": at, "low_utc_ms": low, "high_utc_ms": high, "size_nm": size, "why": why}


def _point(value: Any) -> float | None:
    found = number(value)
    return abs(found) if found is not None and abs(found) >= SMALLEST_NM else None


def _share(value: Any) -> float | None:
    found = number(value)
    return found if found is not None and 0.0 <= found <= 1.0 else None


def _list(value: Any, most: int) -> list[Any]:
    return value[:most] if isinstance(value, list) else []
