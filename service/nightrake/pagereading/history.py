"""One signal over time, as the page draws it: from readings or summaries, whichever fits the width of a column."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from nightrake.domain.site import DriveSpec, Stage
from nightrake.errors import StoreError
from nightrake.history.cutting import MOST_SEQ
from nightrake.history.gaps import unwatched
from nightrake.history.period import Period
from nightrake.history.picture import Shown, bridged
from nightrake.history.rows import Grain
from nightrake.history.screen import Thinned
from nightrake.history.signals import Kind, Signal
from nightrake.longterm.drivereading import DriveReading
from nightrake.longterm.summarydrawing import (
    Source,
)
from nightrake.pagereading.columns import (
    Columns,
    Floats,
    Tiles,
    blank,
    joined,
    step_for,
    tile_for,
)
from nightrake.pagereading.drawing import Asked, drawn
from nightrake.pagereading.gaps import Gaps
from nightrake.pagereading.kept import KeptHistory
from nightrake.pagereading.limit import Limit

COLUMNS = 2_000
LONGEST_MS = 200 * 366 * 86_400_000
SETTLED_MS = 60_000
"""Readings this old have all come."""
HOUR_MS = 3_600_000
AT_ONCE_MS = 2 * 86_400_000
"""Readings of so long are drawn in one, so that what is drawn by then is kept where there is more than time for."""
BUDGET_S = 3.0
LATE = "there is more than could be read at once, so the oldest is not drawn yet; ask again"
FIGURES = {Kind.TORQUE: 1, Kind.POSITION: 4, Kind.CONTACT: 4, Kind.BIT: 4}
"""Decimals told of each kind; of other numbers six significant figures."""
NOTES = 5


class HistoryDrawing:
    """Draws signals.

    Args:
        kept: The files. now_s, now_utc_ms: The clocks, monotonic and UTC. limit: Of the question.
    """

    def __init__(
        self, kept: KeptHistory, now_s: Callable[[], float], now_utc_ms: Callable[[], int], limit: Limit
    ) -> None:
        self._kept, self._now_utc_ms, self._limit = kept, now_utc_ms, limit
        self._tiles = Tiles(now_s)
        self._gaps = Gaps(kept.state_dir, now_s, limit)

    def history(self, drive: str, signal: str, begin_ms: int, end_ms: int, columns: int) -> dict[str, Any]:
        """At most `columns` columns of one signal, from `begin_ms` on, UTC, to before `end_ms`.

        Raises:
            LookupError: There is no such drive or signal, or no such span. StoreError: It cannot be read.
        """
        if not 0 <= begin_ms < end_ms or end_ms - begin_ms > LONGEST_MS:
            raise LookupError("there is no such span of time: it ends after it begins, and is no longer than 200 years")
        reading = self._kept.drive(drive)
        reading.history.damaged.clear()
        step_ms = step_for(begin_ms, end_ms, max(2, min(columns, COLUMNS)))
        first, count = begin_ms // step_ms, -(-end_ms // step_ms) - begin_ms // step_ms
        whole = Period(first * step_ms, (first + count) * step_ms)
        asked = Asked(reading, _signal(reading, signal), step_ms, whole, _readings(reading))
        inside, grain, found = asked.inside, None, blank(count)
        if inside is not None:
            source = asked.source(inside)
            grain, part = source.grain, self._found(asked, source, inside)
            before = inside.from_ms // step_ms - first
            found = joined([blank(before), part, blank(count - before - len(part.n))])
        found = self._opened(_bridged(found, asked, _now(reading)), asked)
        notes = [*self._kept.notes(), *found.notes, *reading.history.damaged]
        return {
            **_head(asked, inside, grain),
            "columns": _told(asked, found),
            "notes": list(dict.fromkeys(notes))[:NOTES],
        }

    def _opened(self, found: Columns, asked: Asked) -> Columns:
        """No value stands in a time in which nobody watched, however short; the journal is asked only if one does."""
        read = found.n > 0
        if not (~read & ~np.isnan(found.mean)).any():
            return found
        try:
            gaps = self._gaps.within(asked.whole)
        except StoreError as fault:
            return found._replace(notes=(*found.notes, str(fault)))
        hole = unwatched(read, asked.whole.from_ms, asked.step_ms, gaps)
        low, mean, high, wide = (
            np.where(hole, np.nan, column) for column in (found.low, found.mean, found.high, found.uncertainty)
        )
        return found._replace(low=low, mean=mean, high=high, uncertainty=wide)

    def _found(self, asked: Asked, source: Source, inside: Period) -> Columns:
        """Columns, tile by tile, the newest first; what takes too long is left for later."""
        tile, tile_ms = tile_for(asked.step_ms), tile_for(asked.step_ms) * asked.step_ms
        first, last = inside.from_ms // tile_ms, (inside.to_ms - 1) // tile_ms
        head = (self._kept.turn, asked.reading.drive, asked.signal.name, asked.step_ms, source.grain)
        there = {number: self._tiles.get((*head, number)) for number in range(first, last + 1)}
        settled_ms = _settled(source, inside, asked.readings, self._now_utc_ms())
        most = max(1, AT_ONCE_MS // tile_ms) if source.grain is None else len(there)
        for begin, end in _runs([number for number, kept in there.items() if kept is None], most):
            if self._limit.is_over(BUDGET_S):
                break
            found = drawn(asked, source, Period(begin * tile_ms, (end + 1) * tile_ms))
            for number in range(begin, end + 1):
                made = there[number] = found.part((number - begin) * tile, (number - begin + 1) * tile)
                if (number + 1) * tile_ms <= settled_ms:
                    self._tiles.put((*head, number), made)
        none = blank(tile)._replace(notes=(LATE,))
        whole = joined([none if kept is None else kept for kept in there.values()])
        at = (inside.from_ms - first * tile_ms) // asked.step_ms
        return whole.part(at, at + (inside.to_ms - inside.from_ms) // asked.step_ms)


def _head(asked: Asked, inside: Period | None, grain: Grain | None) -> dict[str, Any]:
    signal, is_torque = asked.signal, asked.signal.kind is Kind.TORQUE
    return {
        "drive": asked.reading.drive,
        "signal": signal.name,
        "kind": str(signal.kind),
        "unit": signal.unit,
        "begin_utc_ms": asked.whole.from_ms,
        "end_utc_ms": asked.whole.to_ms,
        "step_ms": asked.step_ms,
        "grain": grain.name.lower() if grain is not None else "reading",
        "from_utc_ms": inside.from_ms if inside is not None else None,
        "until_utc_ms": _until(inside, asked.readings),
        "set_points": set_points(_now(asked.reading)) if is_torque else [],
    }


def _settled(source: Source, inside: Period, readings: Period | None, now_utc_ms: int) -> int:
    """Until when nothing new comes any more; a clock that was ahead for a while has left stamps beyond now."""
    settled_ms = min(readings.to_ms, now_utc_ms) - SETTLED_MS if readings is not None else inside.to_ms
    return settled_ms if source.grain is None else min(settled_ms, source.rows_to_ms - HOUR_MS)


def set_points(spec: DriveSpec | None) -> list[dict[str, Any]]:
    """Set points of a drive: stage, direction, torque in N.m (reverse negative)."""
    found = []
    for direction in spec.directions if spec is not None else ():
        for stage in Stage:
            nm = spec.set_point_nm(direction, stage) if spec is not None else 0.0
            if nm:
                signed = -nm if direction == "reverse" else nm
                found.append({"stage": str(stage), "direction": str(direction), "torque_nm": signed})
    return found


def signals(kept: KeptHistory, drive: str) -> dict[str, Any]:
    """What a drive has, or had, that can be drawn.

    Raises:
        LookupError: There is no such drive. StoreError: It cannot be read.
    """
    reading = kept.drive(drive)
    readings = _readings(reading)
    held = [reading.summaries.span(drive, grain) for grain in Grain] if reading.summaries is not None else []
    begins = [one[0] for one in held if one is not None] + ([readings.from_ms] if readings is not None else [])
    return {
        "drive": drive,
        "signals": [
            {"name": s.name, "kind": str(s.kind), "unit": s.unit, "yes_or_no": s.is_yes_or_no} for s in reading.signals
        ],
        "set_points": set_points(_now(reading)),
        "from_utc_ms": min(begins, default=None),
        "readings_from_utc_ms": readings.from_ms if readings is not None else None,
        "until_utc_ms": readings.to_ms if readings is not None else None,
        "notes": kept.notes()[:NOTES],
    }


def _now(reading: DriveReading) -> DriveSpec | None:
    """The drive as the settings in force have it, else as it was last read."""
    then = reading.history.settings_at(MOST_SEQ)
    return (then.site.drives.get(reading.drive) if then is not None else None) or reading.last_spec


def _signal(reading: DriveReading, name: str) -> Signal:
    for names in ([s.name for s in reading.signals], [s.column for s in reading.signals]):
        if name in names:
            return reading.signals[names.index(name)]
    known = ", ".join(signal.name for signal in reading.signals[:20])
    raise LookupError(f"{reading.drive} has no signal '{name[:40]}'; it has {known or 'none'}")


def _readings(reading: DriveReading) -> Period | None:
    """From when to when readings are kept, of any drive."""
    span = reading.history.span()
    return Period(span[0], span[1] + 1) if span is not None else None


def _until(inside: Period | None, readings: Period | None) -> int | None:
    if inside is None:
        return None
    return min(inside.to_ms, readings.to_ms) if readings is not None else inside.to_ms


def _runs(numbers: list[int], most: int) -> list[tuple[int, int]]:
    """First and last of each stretch of numbers without a hole, none longer than `most`; the last first."""
    found: list[tuple[int, int]] = []
    for number in reversed(numbers):
        if found and found[-1][0] == number + 1 and found[-1][1] - number < most:
            found[-1] = number, found[-1][1]
        else:
            found.append((number, number))
    return found


def _bridged(found: Columns, asked: Asked, spec: DriveSpec | None) -> Columns:
    """Columns between two readings in which none was due show what was read before; where reading failed is a hole."""
    signal = asked.signal
    point = spec.points().get(signal.role) if spec is not None else None
    rule = spec.on_change.get(signal.role) if spec is not None else None
    period_ms = point.period_ns // 1_000_000 if point is not None else 0
    silence_ms = rule.longest_ns // 1_000_000 if rule is not None else 0
    thin = Thinned(np.arange(len(found.n), dtype=np.float64), found.low, found.mean, found.high, found.n)
    held = bridged(Shown(signal, thin, found.uncertainty), asked.step_ms, period_ms, silence_ms)
    failed = found.bad == 1.0
    low, mean, high, wide = (
        np.where(failed, np.nan, column)
        for column in (held.thinned.low, held.thinned.mean, held.thinned.high, held.uncertainty_nm)
    )
    return found._replace(low=low, mean=mean, high=high, uncertainty=wide)


def _told(asked: Asked, found: Columns) -> dict[str, list[float | None]]:
    kind = asked.signal.kind
    decimals = FIGURES.get(kind)
    starts = (asked.whole.from_ms + np.arange(len(found.n), dtype=np.int64) * asked.step_ms) / 1000.0
    told: dict[str, list[float | None]] = {"utc_s": starts.tolist()}
    for name, column in (("min", found.low), ("mean", found.mean), ("max", found.high)):
        told[name] = plain(column, decimals)
    told["bad"] = plain(found.bad, 4)
    if kind is Kind.TORQUE:
        told["limit"], told["uncertainty"] = plain(found.limit, 4), plain(found.uncertainty, 1)
    return told


def plain(column: Floats, decimals: int | None) -> list[float | None]:
    """Numbers for JSON: rounded, None where there is none."""
    with np.errstate(divide="ignore", invalid="ignore"):
        if decimals is None:
            size = np.floor(np.log10(np.abs(column)))
            scale = np.power(10.0, np.where(np.isfinite(size), 5 - size, 0.0))
            column = np.round(column * scale) / scale
        else:
            column = np.round(column, decimals)
    return [value if value == value and abs(value) != np.inf else None for value in column.tolist()]
