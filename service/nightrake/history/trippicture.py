"""What is drawn of a trip record: curves thinned to a picture's columns, no extreme hidden, and lanes of bits. Pure.

What was not read is not drawn over: a curve has a hole there, a lane says 'not known'.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.domain.site import DriveSpec
from nightrake.history.screen import Picture, Thinned

Floats = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
HOLE = 3.0
"""Columns without a reading, beyond the time after which a reading is stale, that make a hole."""
OFF, ON, UNKNOWN = 0, 1, 2
Spans = tuple[tuple[float, float], ...]


class Curve(NamedTuple):
    """One curve; NaN in it is a hole.

    Attributes:
        utc_ms: Where each column begins. low, mean, high: Of the readings in it. uncertainty: Mean of theirs, 0 = none.
        limit: Share of them that lie outside the calibrated span.
    """

    utc_ms: Floats
    low: Floats
    mean: Floats
    high: Floats
    uncertainty: Floats
    limit: Floats


class Lane(NamedTuple):
    """A bit over time.

    Attributes:
        name: For people. on: From when to when it was. unknown: From when to when nobody knows.
    """

    name: str
    on: Spans
    unknown: Spans


class Drawn(NamedTuple):
    """All that is drawn of a time.

    Attributes:
        from_ms, to_ms: The time. torque: N.m, magnitude with its sign. power: kW, None = there is none.
        lanes: From above.
    """

    from_ms: int
    to_ms: int
    torque: Curve
    power: Curve | None
    lanes: tuple[Lane, ...]


class Drawing:
    """Takes readings in slices, in any order.

    Args:
        spec: The drive as it was. from_ms, to_ms: UTC ms, the end not included. columns: Of the picture.
    """

    def __init__(self, spec: DriveSpec, from_ms: int, to_ms: int, columns: int) -> None:
        self._spec, self._from, self._to = spec, from_ms, to_ms
        self._torque, self._uncertainty, self._limit, self._power = (Picture(from_ms, to_ms, columns) for _ in range(4))
        self._width_ms = (to_ms - from_ms) / columns
        self._bits: dict[str, list[tuple[I64, npt.NDArray[np.int8]]]] = {}
        self._on_bits = {f"contact:{c.id.direction}/{c.id.stage}/{c.id.channel}": c.operated_bit for c in spec.contacts}
        if spec.running is not None:
            self._on_bits["running"] = spec.running.true_bit

    def add(self, utc_ms: I64, values: Mapping[str, Floats], torque_is: Sequence[str], not_good: Sequence[str]) -> None:
        """Scans, as `longterm.tripfile.Readings` has them."""
        torque_nm = values.get("torque_nm")
        if torque_nm is not None:
            self._torque.add_readings(utc_ms, torque_nm)
            self._uncertainty.add_readings(utc_ms, values["torque_uncertainty_nm"])
            limit = np.array([word in ("below", "beyond") for word in torque_is], np.float64)
            self._limit.add_readings(utc_ms, np.where(np.isnan(torque_nm), np.nan, limit))
        if "power" in values:
            self._power.add_readings(utc_ms, values["power"])
        inside = (utc_ms >= self._from - self._stale_ms) & (utc_ms < self._to)
        for role, on in self._on_bits.items():
            if role in values:
                self._add_bits(role, on, utc_ms, values[role], not_good, inside)

    @property
    def _stale_ms(self) -> int:
        return self._spec.stale_ns // 1_000_000

    def _add_bits(
        self, role: str, on: int, utc_ms: I64, value: Floats, not_good: Sequence[str], inside: npt.NDArray[np.bool_]
    ) -> None:
        bad = np.isnan(value)
        if bad.any():
            mark = f"{role}="
            told = {i for i in np.flatnonzero(bad & inside).tolist() if mark in not_good[i]}
            asked = ~bad | np.isin(np.arange(len(value)), list(told))
        else:
            asked = ~bad
        rows = np.flatnonzero(inside & asked)
        state = np.where(bad[rows], UNKNOWN, np.where(value[rows] == on, ON, OFF)).astype(np.int8)
        self._bits.setdefault(role, []).append((utc_ms[rows], state))

    def drawn(self) -> Drawn:
        """What was taken in by now."""
        has_power = self._spec.power is not None
        return Drawn(
            self._from,
            self._to,
            self._curve(self._torque, self._uncertainty, self._limit),
            self._curve(self._power) if has_power else None,
            tuple(self._lane(role) for role in self._on_bits),
        )

    def _curve(self, picture: Picture, uncertainty: Picture | None = None, limit: Picture | None = None) -> Curve:
        thinned = picture.columns()
        rows = np.flatnonzero(thinned.n > 0.0)
        least_ms = self._stale_ms + HOLE * self._width_ms
        holes = np.flatnonzero(np.diff(thinned.utc_ms[rows]) > least_ms) + 1
        beside = [_beside(other, rows) for other in (uncertainty, limit)]
        columns = [thinned.low[rows], thinned.mean[rows], thinned.high[rows], *beside]
        times = _with_holes(thinned, rows, holes)
        return Curve(times, *(np.insert(column, holes, np.nan) for column in columns))

    def _lane(self, role: str) -> Lane:
        parts = self._bits.get(role, [])
        if not parts:
            return Lane(_lane_name(role, self._spec), (), ((float(self._from), float(self._to)),))
        utc_ms, state = np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])
        order = np.argsort(utc_ms, kind="stable")
        spans = spans_of(utc_ms[order], state[order], self._stale_ms, self._from, self._to)
        return Lane(_lane_name(role, self._spec), spans[ON], spans[UNKNOWN])


def _with_holes(thinned: Thinned, rows: npt.NDArray[np.intp], holes: npt.NDArray[np.intp]) -> Floats:
    times = thinned.utc_ms[rows]
    return np.insert(times, holes, (times[holes - 1] + times[holes]) / 2)


def _beside(picture: Picture | None, rows: npt.NDArray[np.intp]) -> Floats:
    mean = picture.columns().mean[rows] if picture is not None else np.zeros(len(rows))
    return np.nan_to_num(mean)


def spans_of(utc_ms: I64, state: npt.NDArray[np.int8], stale_ms: int, from_ms: int, to_ms: int) -> dict[int, Spans]:
    """Where a bit was on, off or not known: a reading holds until the next, but no longer than it is fresh.

    Args:
        utc_ms, state: Readings in order of time, `ON`, `OFF` or `UNKNOWN`. stale_ms: See there.
        from_ms, to_ms: The time that is drawn.
    """
    pieces: list[tuple[float, float, int]] = []

    def put(begin: float, end: float, what: int) -> None:
        begin, end = max(begin, from_ms), min(end, to_ms)
        if end <= begin:
            return
        if pieces and pieces[-1][2] == what and pieces[-1][1] >= begin:
            pieces[-1] = pieces[-1][0], max(end, pieces[-1][1]), what
        else:
            pieces.append((begin, end, what))

    # Only where something changes, or a hole is, does a piece end.
    edges = np.flatnonzero((np.diff(state) != 0) | (np.diff(utc_ms) > stale_ms)) + 1
    starts = [0, *edges.tolist()] if len(utc_ms) else []
    ends = [*starts[1:], len(utc_ms)] if len(utc_ms) else []
    reached = float(from_ms)
    for begin, end in zip(starts, ends, strict=True):
        put(reached, float(utc_ms[begin]), UNKNOWN)
        last = float(utc_ms[end - 1])
        reached = min(last + stale_ms, float(utc_ms[end]) if end < len(utc_ms) else float(to_ms))
        put(float(utc_ms[begin]), reached, int(state[begin]))
    put(reached, float(to_ms), UNKNOWN)
    return {what: tuple((b, e) for b, e, w in pieces if w == what) for what in (OFF, ON, UNKNOWN)}


def _lane_name(role: str, spec: DriveSpec) -> str:
    """``alarm``, ``shutdown B``, ``reverse alarm``, ``motor runs``."""
    if role == "running":
        return "motor runs"
    direction, stage, channel = role.removeprefix("contact:").split("/")
    side = f"{direction} " if len(spec.directions) > 1 else ""
    several = sum(c.id.stage == stage and c.id.direction == direction for c in spec.contacts) > 1
    return f"{side}{stage}{f' {channel}' if several else ''}"
