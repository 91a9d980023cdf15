"""What `nightrake trend` gives to programs: JSON, and CSV of the table or of one drive's days."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import fields
from datetime import UTC, datetime
from typing import Any

import numpy as np

from nightrake.learning.days import Side
from nightrake.learning.trend import Fitted, Forecast, Span, Trend

DAYS = (
    "utc", "utc_ms", "span_ms", "running_h", "median_nm", "upper_nm", "spread_nm", "below_nm", "below", "beyond",
    "uncertain", "record", "adjusted_nm", "line_nm", "low_nm", "high_nm", "ewma_nm", "ewma_low_nm", "ewma_high_nm",
    "cusum_high", "cusum_low", "is_outlier",
)  # fmt: skip
FITTED = DAYS[12:]


def trend_json(
    trend: Trend, name: str, points_nm: tuple[float, float], more: Sequence[tuple[str, str]]
) -> dict[str, Any]:
    """One verdict as plain values; the arrays for plots are left out, ``--csv`` of one drive has them.

    Args:
        name: Of the drive. points_nm: Set points of alarm and shutdown, N.m. more: Further facts, see `More.facts`.
    """
    told = {f.name: _plain(getattr(trend, f.name)) for f in fields(trend) if f.name not in ("fitted", "outliers")}
    told["outliers_utc_ms"] = list(trend.outliers)
    told |= {"name": name, "alarm_nm": points_nm[0] or None, "shutdown_nm": points_nm[1] or None}
    return told | {"facts": [list(fact) for fact in more]}


def _plain(value: Any) -> Any:
    """Without NaN and infinity, which JSON has not: null. A named tuple by its names."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, tuple) and hasattr(value, "_asdict"):
        return {key: _plain(one) for key, one in value._asdict().items()}
    if isinstance(value, tuple | list):
        return [_plain(one) for one in value]
    if isinstance(value, np.generic):
        return _plain(value.item())
    if hasattr(value, "items"):
        return {str(key): _plain(one) for key, one in value.items()}
    return value if isinstance(value, str | int | bool | None) else str(value)


def table_csv(trends: Iterable[tuple[Trend, str, tuple[float, float]]]) -> bytes:
    """A row for each drive and direction, in the order given."""
    rows = [_row(place, *one) for place, one in enumerate(trends, 1)]
    head = list(rows[0]) if rows else ["rank", "drive"]
    return _csv(head, [list(row.values()) for row in rows])


def _row(place: int, trend: Trend, name: str, points_nm: tuple[float, float]) -> dict[str, Any]:
    row: dict[str, Any] = {"rank": place, "drive": trend.drive, "name": name, "direction": trend.direction}
    row |= {"state": str(trend.state), "warning": int(trend.warning), "level_nm": trend.level_nm}
    row |= {"level_is_below": int(trend.level_is_below), "alarm_nm": points_nm[0], "shutdown_nm": points_nm[1]}
    row |= _span("slope_nm_month", trend.slope_nm_month) | _span("slope_percent_month", trend.slope_percent_month)
    row |= {"since_utc_ms": trend.since_utc_ms, "p_value": trend.p_value}
    for stage, forecast in (("alarm", trend.alarm), ("shutdown", trend.shutdown)):
        row |= _forecast(stage, forecast)
    return row | {"sentence": trend.sentence}


def _span(name: str, span: Span | None) -> dict[str, Any]:
    return {f"{name}_{part}": None if span is None else getattr(span, part) for part in Span._fields}


def _forecast(stage: str, forecast: Forecast) -> dict[str, Any]:
    within = {f"{stage}_within_{days}_d": forecast.within.get(days) for days in (7, 30, 90)}
    return _span(f"{stage}_days", forecast.days) | within


def days_csv(side: Side, fitted: Fitted) -> bytes:
    """One direction's periods with what was made of each; empty where nothing was, or nothing could be measured."""
    place = {at: number for number, at in enumerate(fitted.utc_ms.tolist())}
    rows = []
    for number, at in enumerate(side.days.utc_ms.tolist()):
        stamp = f"{datetime.fromtimestamp(at / 1000, UTC):%Y-%m-%dT%H:%MZ}"
        own = [column[number] for column in side.days]
        here = place.get(at)
        made = [getattr(fitted, name)[here] if here is not None else None for name in FITTED]
        rows.append([stamp, *own, *made])
    return _csv(DAYS, rows)


def _csv(head: Sequence[str], rows: Iterable[Sequence[Any]]) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(head)
    for row in rows:
        writer.writerow([_cell(value) for value in row])
    return out.getvalue().encode()


def _cell(value: Any) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, bool):
        return int(value)
    if isinstance(value, float):
        return f"{value:.10g}" if math.isfinite(value) else ""
    # A spreadsheet must not take a name for a formula.
    return f"'{value}" if isinstance(value, str) and value[:1] in "=+-@\t\r" else value
