"""A trip record's readings as tracks by time from the trip: torque in its direction, contacts, run feedback."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.commissioning.convert import ABSENT
from nightrake.domain.site import Direction
from nightrake.history.period import Period
from nightrake.history.rows import DAY_MS, HOUR_MS
from nightrake.history.triprecord import EXACTNESS, TORQUE
from nightrake.longterm.tripfile import Readings, TripFile

Floats = npt.NDArray[np.float64]
MANY = 150_000
"""Readings in a record above which only those up to some minutes after the trip are read."""
AFTER_MS = 120_000
STOOD, RAN, NOT_KNOWN = 0, 1, 2
FRESH_MS = 30_000.0
"""Run feedback holds for so long for a torque that was read later (both are mostly of one scan)."""
_CODES = {word: code for code, word in EXACTNESS.items()}


class Track(NamedTuple):
    """Readings of one point: ms from the trip, rising; NaN where it was not read well."""

    at_ms: Floats
    value: Floats


class Tracks(NamedTuple):
    """What a record holds.

    Attributes:
        at_ms: Of each reading of the torque, ms from the trip, rising. torque_nm: In the direction of the trip, 0 where
            the arm leans the other way; NaN = none. uncertainty_nm, code: As `learning.approach.Readings` has them.
        running: 1, 0, or 2 = not known. position_mm: Arm position, magnitude, NaN = none.
        contacts: By role.
    """

    at_ms: Floats
    torque_nm: Floats
    uncertainty_nm: Floats
    code: npt.NDArray[np.int8]
    running: npt.NDArray[np.int8]
    position_mm: Floats
    contacts: dict[str, Track]


def tracks_of(file: TripFile, side: Direction, roles: Sequence[str], running_bit: int = 1) -> Tracks:
    """Read a record up to a little after its trip.

    Args:
        side: Of the trip. roles: Of contacts wanted. running_bit: The bit that means that the motor runs.

    Raises:
        StoreError: The record is damaged.
    """
    columns: dict[str, list[tuple[Floats, Floats]]] = {role: [] for role in (*roles, "running", *TORQUE)}
    for part in _parts(file):
        at_ms = _at_ms(file, part)
        mine = at_ms <= AFTER_MS
        for name in columns.keys() & part.values.keys():
            columns[name].append((at_ms[mine], part.values[name][mine]))
        if TORQUE[1] in part.values:
            code = np.array([_CODES.get(word, ABSENT) for word in part.torque_is], np.float64)
            columns[TORQUE[3]].append((at_ms[mine], code[mine]))
    tracks = {name: _track(parts) for name, parts in columns.items()}
    torque = tracks[TORQUE[1]]
    signed = torque.value if side is Direction.FORWARD else -torque.value
    return Tracks(
        torque.at_ms,
        np.where(signed < 0.0, 0.0, signed),
        _beside(tracks[TORQUE[2]], torque),
        np.nan_to_num(_beside(tracks[TORQUE[3]], torque), nan=ABSENT).astype(np.int8),
        _running(tracks["running"], torque.at_ms, running_bit),
        np.abs(_beside(tracks[TORQUE[0]], torque)),
        {role: tracks[role] for role in roles},
    )


def _parts(file: TripFile) -> Iterator[Readings]:
    record = file.record
    at_ms = record.trip.at.utc_ms
    is_long = record.readings > MANY
    return file.readings(Period(at_ms - record.before_ms - HOUR_MS, at_ms + AFTER_MS) if is_long else None)


def _at_ms(file: TripFile, part: Readings) -> Floats:
    """From the trip: by the monotonic clock, which nobody sets; where the machine was started meanwhile, by UTC."""
    at, record = file.record.trip.at, file.record
    by_mono = (part.mono_ns - at.mono_ns) / 1e6
    inside = (by_mono >= -record.before_ms - HOUR_MS) & (by_mono <= 2 * DAY_MS)
    return np.asarray(np.where(inside, by_mono, part.utc_ms - at.utc_ms), np.float64)


def _track(parts: Sequence[tuple[Floats, Floats]]) -> Track:
    at_ms = np.concatenate([np.empty(0), *(one for one, _ in parts)])
    value = np.concatenate([np.empty(0), *(one for _, one in parts)])
    order = np.argsort(at_ms, kind="stable")
    return Track(at_ms[order], value[order])


def _beside(track: Track, other: Track) -> Floats:
    """Columns of the same scans have the same moments."""
    return track.value if len(track.value) == len(other.value) else np.full(len(other.value), np.nan)


def _running(track: Track, at_ms: Floats, true_bit: int) -> npt.NDArray[np.int8]:
    good = ~np.isnan(track.value)
    moments, value = track.at_ms[good], track.value[good]
    found = np.full(len(at_ms), NOT_KNOWN, np.int8)
    if not len(moments):
        return found
    at = np.searchsorted(moments, at_ms, side="right") - 1
    fresh = (at >= 0) & (at_ms - moments[np.maximum(at, 0)] <= FRESH_MS)
    found[fresh] = np.where(value[at[fresh]] == true_bit, RAN, STOOD)
    return found


__all__ = ["Track", "Tracks", "tracks_of"]
