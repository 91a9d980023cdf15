"""The readings of one trip record as columns: every one of them, or thinned with no extreme hidden."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from nightrake.domain.site import DriveSpec
from nightrake.history.period import Period
from nightrake.history.screen import Picture
from nightrake.history.trippicture import Drawing, Lane
from nightrake.longterm.tripfile import Readings, TripFile
from nightrake.pagereading.columns import Floats, Ints
from nightrake.pagereading.history import plain

MOST = 40_000
"""Readings or columns of one answer."""
LANE_COLUMNS = 400
"""A lane's ends are exact; this only bounds what the drawing keeps beside them."""
SIGNALS = ("torque_nm", "position_mm", "power", "speed")
DECIMALS = {"torque_nm": 1, "position_mm": 4}
ROLES = {"torque_nm": "position", "position_mm": "position"}
"""The point that a signal comes of, where it is not called so."""
UNCERTAINTY = "torque_uncertainty_nm"
NONE = np.zeros(0, np.int64)


class TripColumns:
    """All readings of a record.

    Args:
        parts: As `TripFile.readings` gives them. spec: The drive at the end of it, None = not known.
        from_ms, to_ms: The record, UTC, the end not included.
    """

    def __init__(self, parts: list[Readings], spec: DriveSpec | None, from_ms: int, to_ms: int) -> None:
        self.spec, self._parts = spec, parts
        self._from, self._to = from_ms, max(to_ms, from_ms + 1)

    def between(self, begin_ms: int, end_ms: int, columns: int) -> dict[str, Any]:
        """Readings in a time; see `TripRecords.readings`.

        Raises:
            LookupError: The time lies outside the record.
        """
        begin = max(begin_ms, self._from) if begin_ms or end_ms else self._from
        end = min(end_ms, self._to) if begin_ms or end_ms else self._to
        if end <= begin:
            raise LookupError("the time that is asked for lies outside the record")
        most = max(10, min(columns, MOST))
        signals = {name: self._signal(name, begin, end, most) for name in SIGNALS}
        return {
            "from_utc_ms": self._from,
            "to_utc_ms": self._to,
            "begin_utc_ms": begin,
            "end_utc_ms": end,
            "signals": {name: one for name, one in signals.items() if one is not None},
            "lanes": [_lane(lane) for lane in self._lanes(begin, end)],
        }

    def _signal(self, name: str, begin: int, end: int, most: int) -> dict[str, Any] | None:
        parts = [part for part in self._parts if name in part.values]
        if not parts:
            return None
        utc_ms = np.concatenate([part.utc_ms for part in parts])
        value = np.concatenate([part.values[name] for part in parts])
        has_u = name == "torque_nm" and all(UNCERTAINTY in part.values for part in parts)
        wide = np.concatenate([part.values[UNCERTAINTY] for part in parts]) if has_u else None
        told = np.concatenate([_told(part, name) for part in parts])
        inside = np.flatnonzero((utc_ms >= begin) & (utc_ms < end) & told)
        order = inside[np.argsort(utc_ms[inside], kind="stable")]
        utc_ms, value = utc_ms[order], value[order]
        wide = wide[order] if wide is not None else None
        if len(order) <= most:
            each = _each(name, utc_ms, value, wide)
            if name == "torque_nm":
                words = np.array([word for part in parts for word in part.torque_is or [""] * len(part.utc_ms)])[order]
                each["limit"] = np.isin(words, ("below", "beyond")).astype(int).tolist()
            return each
        return _thinned(name, utc_ms, value, wide, (begin, end, most))

    def _lanes(self, begin: int, end: int) -> tuple[Lane, ...]:
        if self.spec is None:
            return ()
        drawing = Drawing(self.spec, begin, end, LANE_COLUMNS)
        for part in self._parts:
            bits = {role: column for role, column in part.values.items() if _is_bit(role)}
            drawing.add(part.utc_ms, bits, part.torque_is, part.not_good)
        return drawing.drawn().lanes


def columns_in(file: TripFile, period: Period | None = None) -> TripColumns:
    """Readings of an open record, all or those of a time.

    Raises:
        StoreError: They are damaged.
    """
    record, drives = file.record, list(file.drives().values())
    parts = [_slim(part) for part in file.readings(period)]
    at = record.trip.at.utc_ms
    last = max((int(part.utc_ms.max()) for part in parts if len(part.utc_ms)), default=at)
    newest = record.parts[-1].at.utc_ms if record.parts else at
    end = at + record.after_ms if record.after_ms is not None else newest
    return TripColumns(parts, drives[-1] if drives else None, at - record.before_ms, max(end, last) + 1)


def _slim(part: Readings) -> Readings:
    """Only what is told."""
    mine = {name: column for name, column in part.values.items() if name in (*SIGNALS, UNCERTAINTY) or _is_bit(name)}
    return part._replace(values=mine, mono_ns=NONE, seq=NONE)


def _told(part: Readings, name: str) -> npt.NDArray[np.bool_]:
    """Scans that say anything of a signal: one that did not ask for it is no hole in it, one that read it badly is."""
    mark = f"{ROLES.get(name, name)}="
    return ~np.isnan(part.values[name]) | np.array([mark in text for text in part.not_good], np.bool_)


def _is_bit(name: str) -> bool:
    return name.startswith("contact:") or name == "running"


def _each(name: str, utc_ms: Ints, value: Floats, wide: Floats | None) -> dict[str, Any]:
    told: dict[str, Any] = {"grain": "reading", "utc_s": (utc_ms / 1000.0).tolist()}
    told["mean"] = plain(value, DECIMALS.get(name))
    if wide is not None:
        told["uncertainty"] = plain(wide, 1)
    return told


def _thinned(name: str, utc_ms: Ints, value: Floats, wide: Floats | None, grid: tuple[int, int, int]) -> dict[str, Any]:
    picture = Picture(*grid)
    picture.add_readings(utc_ms, value)
    thin = picture.columns()
    told: dict[str, Any] = {"grain": "column", "utc_s": np.round(thin.utc_ms / 1000.0, 3).tolist()}
    for key, column in (("min", thin.low), ("mean", thin.mean), ("max", thin.high)):
        told[key] = plain(column, DECIMALS.get(name))
    if wide is not None:
        beside = Picture(*grid)
        beside.add_readings(utc_ms, wide)
        told["uncertainty"] = plain(beside.columns().high, 1)
    return told


def _lane(lane: Lane) -> dict[str, Any]:
    def seconds(spans: tuple[tuple[float, float], ...]) -> list[list[float]]:
        return [[begin / 1000.0, end / 1000.0] for begin, end in spans]

    return {"name": lane.name, "on": seconds(lane.on), "unknown": seconds(lane.unknown)}
