"""What a gear train has endured: cycles of torque, hours at torque, starts, overloads, energy. Pure, with numpy.

By Miner's rule each cycle, or hour, does harm in proportion to its torque to a power; the sum is told as so many cycles
or hours at a reference torque. That compares drives and months with each other. It states no life: for that, strength,
stress at the weakest place and the scatter of both would have to be known, which no torque record knows.

What rests on what, and what is never mixed:

- `Basis.SCANS`: every reading, as long as those are kept. `Basis.MINUTES`, `Basis.HOURS`: lowest and highest torque of
  rows, for as long as those are kept; swings inside of a row are missing (`dutyrows`).
- Hours at torque come from counts of raw positions, to the step of the transducer, whatever the time.
- A reading below the preload may be anything from nothing up to it: sums are given as a lower and an upper bound. One
  beyond the record's span counts as its end, so that the sums are too low; it is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.learning.dutyrainflow import Closed, Rainflow
from nightrake.learning.dutytold import told_cycles, told_hours
from nightrake.learning.dutytypes import Basis, Between, Counts, Cycles, Duty, Floats, Rule, TimeAtTorque

__all__ = [
    "AtTorque",
    "Basis",
    "Between",
    "Counts",
    "CycleCounting",
    "Cycles",
    "Duty",
    "Rule",
    "TimeAtTorque",
    "miner",
    "steady",
    "time_at_torque",
]

PALMGREN_MINER = "Palmgren 1924, Miner 1945 (J. Appl. Mech. 12, A159), from memory"
CLASSES = 100
"""Classes of range up to the reference torque; so one is 1 % of shutdown where that is the reference."""
MOST_CLASSES = 2_000
HOUR_CLASSES = 10
"""Classes of time at torque up to the reference torque."""


# --- sums -------------------------------------------------------------------------------------------------------------


def miner(size: npt.ArrayLike, count: npt.ArrayLike, exponent: float, reference: float) -> float:
    """How many at the reference do as much harm.

    n = sum(count * (size / reference) ** exponent)

    Args:
        size: Ranges of cycles, or torques, >= 0. count: Cycles, or hours. exponent: > 0. reference: > 0, as `size`.

    Returns:
        A number of cycles, or hours.

    Source: `PALMGREN_MINER`, with N proportional to size ** -exponent.
    """
    sizes, counts = np.asarray(size, np.float64), np.asarray(count, np.float64)
    with np.errstate(over="ignore"):
        return float(np.sum(counts * (sizes / reference) ** exponent))


def steady(equivalent: float, total: float, exponent: float, reference: float) -> float:
    """The one size that does as much in the same number: S = (sum(n S**m) / sum(n)) ** (1/m). NaN of nothing."""
    return reference * (equivalent / total) ** (1.0 / exponent) if total > 0.0 else float("nan")


@dataclass
class _Sum:
    """Cycles by class, and what they do."""

    count: Floats
    total_mean: Floats
    done: float = 0.0
    largest: float = 0.0

    def copy(self) -> _Sum:
        return _Sum(self.count.copy(), self.total_mean.copy(), self.done, self.largest)

    def add(self, found: Closed, class_nm: float, rule: Rule) -> None:
        if not len(found.size):
            return
        at = np.minimum(found.size / class_nm * (1.0 + 1e-12), MOST_CLASSES - 1).astype(np.int64)
        n = max(len(self.count), int(at.max()) + 1)
        more = n - len(self.count)
        self.count = np.pad(self.count, (0, more)) + np.bincount(at, found.number, n)
        self.total_mean = np.pad(self.total_mean, (0, more)) + np.bincount(at, found.number * found.mean, n)
        self.done += miner(found.size, found.number, rule.cycle_exponent, rule.reference_nm)
        self.largest = max(self.largest, float(found.size.max()))


class CycleCounting:
    """Counts cycles of torque as it comes, in bounded memory.

    It counts twice from the first reading below the preload on: such readings at the preload, and at nothing.

    Args:
        rule: See there.
    """

    def __init__(self, rule: Rule) -> None:
        self._rule, self._class_nm = rule, rule.reference_nm / CLASSES
        self._at_limit, self._sum = Rainflow(), _Sum(np.empty(0), np.empty(0))
        self._at_nothing: Rainflow | None = None
        self._sum_nothing = self._sum
        self._beyond = 0

    @property
    def is_censored(self) -> bool:
        """Whether any reading was below what can be measured."""
        return self._at_nothing is not None

    def add(self, torque_nm: Floats, below: npt.NDArray[np.bool_] | None = None, beyond: int = 0) -> None:
        """The next readings.

        Args:
            torque_nm: In order of time; the limit where it is below or beyond one; NaN is passed over.
            below: Which of them are below. beyond: How many are beyond.
        """
        self._beyond += beyond
        if below is not None and self._at_nothing is None and below.any():
            self._at_nothing, self._sum_nothing = self._at_limit.copy(), self._sum.copy()
        self._sum.add(self._at_limit.add(torque_nm), self._class_nm, self._rule)
        if self._at_nothing is not None:
            lower = torque_nm if below is None else np.where(below, 0.0, torque_nm)
            self._sum_nothing.add(self._at_nothing.add(lower), self._class_nm, self._rule)

    def cycles(self, basis: Basis, from_utc_ms: int, to_utc_ms: int, running_h: float = float("nan")) -> Cycles:
        """What was counted; the counting is over."""
        self._sum.add(self._at_limit.end(), self._class_nm, self._rule)
        done = [self._sum.done]
        if self._at_nothing is not None:
            self._sum_nothing.add(self._at_nothing.end(), self._class_nm, self._rule)
            done.append(self._sum_nothing.done)
        count, of = self._sum.count, self._rule
        with np.errstate(invalid="ignore"):
            mean_nm = self._sum.total_mean / count
        range_nm: Floats = self._class_nm * np.arange(len(count), dtype=np.float64)
        classes = (range_nm, self._class_nm, count, mean_nm)
        sums = (float(count.sum()), self._sum.largest, Between(min(done), max(done)))
        found = Cycles(
            basis, from_utc_ms, to_utc_ms, running_h, *classes, *sums, of.cycle_exponent, of.reference_nm, sentence=""
        )  # fmt: skip
        return told_cycles(found, of, self._beyond, is_censored=self.is_censored)


class AtTorque(NamedTuple):
    """Hours at torques, any number of them, in any order.

    Attributes:
        torque_nm: Magnitude; the limit where below or beyond. hours: h. code: As `commissioning.convert` has them.
    """

    torque_nm: Floats
    hours: Floats
    code: npt.NDArray[np.int8]


def time_at_torque(
    parts: Sequence[AtTorque], rule: Rule, from_utc_ms: int, to_utc_ms: int, *, is_running: bool
) -> TimeAtTorque | None:
    """Hours by class of torque, and what they do; None where there is no torque at all."""
    torque_nm, hours, code = _together(parts)
    if not len(hours):
        return None
    exact, below, beyond = code == 0, code == -1, code == 1
    exponent, reference_nm, class_nm = rule.hour_exponent, rule.reference_nm, rule.reference_nm / HOUR_CLASSES
    n = int(min(max(float(torque_nm.max()) // class_nm + 1, HOUR_CLASSES), MOST_CLASSES))
    at = np.minimum(torque_nm[exact] / class_nm * (1.0 + 1e-12), n - 1).astype(np.int64)
    known_h = miner(torque_nm[~below], hours[~below], exponent, reference_nm)
    done = Between(known_h, known_h + miner(torque_nm[below], hours[below], exponent, reference_nm))
    total_h = float(hours.sum())
    found = TimeAtTorque(
        from_utc_ms,
        to_utc_ms,
        edge_nm=np.asarray(class_nm * np.arange(n + 1), np.float64),
        hours=np.asarray(np.bincount(at, hours[exact], n), np.float64),
        below_h=float(hours[below].sum()),
        below_nm=float(torque_nm[below].max()) if below.any() else float("nan"),
        beyond_h=float(hours[beyond].sum()),
        beyond_nm=float(torque_nm[beyond].min()) if beyond.any() else float("nan"),
        is_running=is_running,
        equivalent_h=done,
        equivalent_nm=Between(*(steady(one, total_h, exponent, reference_nm) for one in done)),
        exponent=exponent,
        reference_nm=reference_nm,
        sentence="",
    )
    return told_hours(found, rule)


def _together(parts: Sequence[AtTorque]) -> AtTorque:
    """All of them that are a torque."""
    torque_nm = np.concatenate([np.empty(0), *(p.torque_nm for p in parts)])
    hours = np.concatenate([np.empty(0), *(p.hours for p in parts)])
    code = np.concatenate([np.empty(0, np.int8), *(p.code for p in parts)])
    there = np.isfinite(torque_nm) & (hours > 0.0)
    return AtTorque(torque_nm[there], hours[there], code[there])
