"""Cycles and energy out of every reading, for as long as those are kept; slice by slice."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from nightrake.commissioning.convert import BELOW, BEYOND
from nightrake.domain.site import DriveSpec
from nightrake.history.period import Period
from nightrake.history.signals import TORQUE
from nightrake.learning.duty import CycleCounting, Rule
from nightrake.longterm.drivereading import DriveReading, lanes_of

HOUR_MS = 3.6e6
ROWS = 100_000


class Energy(NamedTuple):
    """Of the motor: kWh, in how many h of which power was read, from when to when (UTC ms)."""

    kwh: float
    hours: float
    from_utc_ms: int
    to_utc_ms: int


class Scans(NamedTuple):
    """Cycles of every reading, still open; from the first to the last of these, and how many h they cover."""

    counting: CycleCounting
    period: Period
    hours: float


def scans_of(reading: DriveReading, stale_ns: int, period: Period, rule: Rule) -> Scans | None:
    """Count cycles from every reading of the torque that is still kept; None = there is none.

    Args:
        stale_ns: For how long a reading holds at most.

    Raises:
        StoreError: They cannot be read.
    """
    signal = next((s for s in reading.signals if s.name == TORQUE), None)
    if signal is None:
        return None
    (lane,) = lanes_of([signal])
    counting, first, last, covered_ms = CycleCounting(rule), -1, -1, 0.0
    for piece in reading.pieces(lane, period):
        torque_nm, _, code = piece.columns[:3]
        counting.add(torque_nm, code == BELOW, int((code == BEYOND).sum()))
        first = int(piece.utc_ms[0]) if first < 0 else first
        last = max(last, int(piece.utc_ms[-1]))
        covered_ms += float(np.clip(np.diff(piece.utc_ms), 0, stale_ns / 1e6).sum())
    return Scans(counting, Period(first, last + 1), covered_ms / HOUR_MS) if first >= 0 else None


def energy_of(reading: DriveReading, spec: DriveSpec, period: Period) -> Energy:
    """Sum up the motor's power: each reading holds until the next one, but no longer than it is fresh.

    Raises:
        StoreError: The readings cannot be read.
    """
    kwh, hours, first, last_ms, last_kw = 0.0, 0.0, -1, 0, float("nan")
    stale_ms = spec.stale_ns / 1_000_000
    if spec.power is None:
        return Energy(0.0, 0.0, 0, 0)
    for some in reading.history.samples(spec.id, "power", period.from_ms, period.to_ms - 1, ROWS):
        reading.seen(int(some.utc_ms[-1]))
        utc_ms = np.concatenate([[last_ms], some.utc_ms])
        power_kw = np.concatenate([[last_kw], some.value])
        lasts_ms = np.clip(np.diff(utc_ms), 0, stale_ms)
        known = ~np.isnan(power_kw[:-1])
        kwh += float((power_kw[:-1][known] * lasts_ms[known]).sum()) / HOUR_MS
        hours += float(lasts_ms[known].sum()) / HOUR_MS
        first = int(some.utc_ms[0]) if first < 0 else first
        last_ms, last_kw = int(some.utc_ms[-1]), float(some.value[-1])
    return Energy(kwh, hours, max(first, 0), last_ms)


__all__ = ["Energy", "Scans", "energy_of", "scans_of"]
