"""Verdicts made by hand, for the tests of what is shown of them."""

from __future__ import annotations

from math import inf, nan
from typing import Any

import numpy as np

from nightrake.learning.days import DAY_MS, Days, Floats, Record, Side
from nightrake.learning.trend import Fitted, Forecast, Shift, Span, State, Trend

NOW_MS = 20_783 * DAY_MS
"""2026-11-26."""
FORTY = Forecast(Span(40.0, 60.0, 90.0), {7: 0.001, 30: 0.04, 90: 0.9}, "")
FAR = Forecast(Span(300.0, 500.0, inf), {7: 0.0, 30: 0.0, 90: 0.001}, "")
NEVER = Forecast(None, {}, "It does not creep.")


def fitted_of(count: int = 60) -> Fitted:
    """A straight rise up to now."""
    utc_ms = NOW_MS - DAY_MS * np.arange(count, 0, -1)
    line: Floats = 20_000.0 + 50.0 * np.arange(count, dtype=np.float64)
    zero = np.zeros(count)
    return Fitted(
        utc_ms, line + 30.0, line, line - 400.0, line + 400.0, line, line - 200.0, line + 200.0, zero, zero,
        np.arange(count) == 7, 5.0,
    )  # fmt: skip


def trend_of(drive: str = "PC1", **more: Any) -> Trend:
    """A creep of 3 % a month of a drive with a shutdown at 40 kN.m."""
    given: dict[str, Any] = {
        "drive": drive,
        "direction": "forward",
        "now_utc_ms": NOW_MS,
        "state": State.CREEPING,
        "sentence": "Creeps upwards by 3.0 % of shutdown a month since 2026-05-03.",
        "level_nm": 23_000.0,
        "level_is_below": False,
        "slope_nm_month": Span(1_000.0, 1_200.0, 1_400.0),
        "slope_percent_month": Span(2.5, 3.0, 3.5),
        "since_utc_ms": NOW_MS - 200 * DAY_MS,
        "p_value": 0.0004,
        "method": "a method",
        "shifts": (),
        "alarm": FORTY,
        "shutdown": FAR,
        "warning": True,
        "season": {},
        "outliers": (NOW_MS - 53 * DAY_MS,),
        "fitted": fitted_of(),
        "remarks": ("Nothing was read on 2 days of 60.",),
    }
    return Trend(**(given | more))


def cannot_say(drive: str = "SC1", **more: Any) -> Trend:
    """A drive of which nothing can be said."""
    return trend_of(
        drive,
        **{
            "state": State.CANNOT_SAY,
            "sentence": "Most of the time the torque is below the preload.",
            "level_nm": nan,
            "slope_nm_month": None,
            "slope_percent_month": None,
            "p_value": None,
            "alarm": NEVER,
            "shutdown": NEVER,
            "warning": False,
            "fitted": fitted_of(0),
            "outliers": (),
        }
        | more,
    )


def side_of(drive: str = "PC1", *, below: bool = False) -> Side:
    """What it was judged by: sixty days, two of them not read; or all of them below the preload."""
    keep = [day for day in range(60) if below or day not in (20, 21)]
    utc_ms = (NOW_MS - DAY_MS * np.arange(60, 0, -1))[keep]
    level: Floats = np.full(60, nan) if below else 20_000.0 + 50.0 * np.arange(60.0)
    count = len(keep)
    days = Days(
        utc_ms, np.full(count, DAY_MS), np.full(count, 23.5), level[keep], level[keep] + 1_500.0,
        np.where(np.isnan(level[keep]), nan, 300.0), np.full(count, 8_880.0), np.full(count, 0.8 if below else 0.0),
        np.zeros(count), np.zeros(count), np.zeros(count, np.int64),
    )  # fmt: skip
    records = (Record("d" * 64, "PC1-forward-2026-03-14", NOW_MS - 60 * DAY_MS),)
    return Side(drive, "forward", days, 32_000.0, 40_000.0, records, (), ())


def shift_of(why: str = "found", size: Span = Span(-2_000.0, -1_600.0, -1_200.0)) -> Shift:  # noqa: B008
    """A step downwards, thirty days ago."""
    at = NOW_MS - 30 * DAY_MS
    return Shift(at, at - 2 * DAY_MS, at + DAY_MS, size, why)
