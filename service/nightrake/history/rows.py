"""What a summary holds: its columns by name, and the parts in which they are kept and read. Pure.

A column's name is its part and what it is: ``forward.all.mean_nm``, ``forward.time.alarm_ns``, ``drive.covered_ns``.
A part is read without opening the others.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import IntEnum
from typing import Any

import numpy as np
import numpy.typing as npt

from nightrake.domain.site import Direction

Column = npt.NDArray[Any]
Table = dict[str, Column]
"""Columns of equal length by name."""

MINUTE_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000


class Grain(IntEnum):
    """How long a row of a summary is. The number is stored; never renumber."""

    MINUTE = 1
    HOUR = 2
    DAY = 3

    @property
    def span_ms(self) -> int:
        """Length of a row, ms."""
        return {Grain.MINUTE: MINUTE_MS, Grain.HOUR: HOUR_MS, Grain.DAY: DAY_MS}[self]

    @property
    def in_day(self) -> int:
        """Rows in a day."""
        return DAY_MS // self.span_ms


STATISTICS = ("n", "min_nm", "mean_nm", "max_nm", "std_nm", "median_nm", "p95_nm")
"""Of torque, as magnitude; a reading below or beyond the calibrated span counts with the torque at that end."""
GROUPS = ("all", "running")
"""Of which readings: of all, or of those made while run feedback said that the motor runs."""
STAGES = ("normal", "alarm", "shutdown", "unknown")
CODES = ("exact", "below", "beyond")
DRIVE = ("covered_ns", "good_ns", "running_ns", "stopped_ns", "readings", "absent")
"""Time in which the drive was read at all; in which all of it was read well; in which run feedback said yes, and no.
Readings of the position; those of them that gave no torque."""

PARTS = (
    "drive",
    "forward.time",
    "forward.all",
    "forward.running",
    "reverse.time",
    "reverse.all",
    "reverse.running",
    "histogram",
)
"""Parts by the number under which they are kept; never renumber."""


def part_of(column: str) -> str:
    """The part that holds a column."""
    return column.rpartition(".")[0]


def columns_of(directions: Sequence[Direction]) -> list[str]:
    """Every column of a drive that senses these directions."""
    names = [f"drive.{name}" for name in DRIVE]
    for side in directions:
        names += [f"{side}.time.{stage}_ns" for stage in STAGES]
        names += [f"{side}.time.{code}" for code in CODES]
        names += [f"{side}.{group}.{name}" for group in GROUPS for name in STATISTICS]
    return names


def empty_value(column: str) -> float | int:
    """What stands where nothing was read: 0 of counts and times, NaN of torques."""
    return float("nan") if column.endswith("_nm") else 0


def kind_of(column: str, grain: Grain) -> np.dtype[Any]:
    """How a column is kept: torques of minutes in single precision, which is far finer than any transducer."""
    if column.endswith("_nm"):
        return np.dtype(np.float32 if grain is Grain.MINUTE else np.float64)
    return np.dtype(np.int64 if column.endswith("_ns") else np.int32)


def blank(columns: Sequence[str], grain: Grain, length: int) -> Table:
    """Rows in which nothing was read."""
    return {name: np.full(length, empty_value(name), kind_of(name, grain)) for name in columns}


def lacking(table: Mapping[str, Column], column: str, grain: Grain, length: int) -> Column:
    """A column of a table, or a blank one."""
    found = table.get(column)
    return blank([column], grain, length)[column] if found is None else found
