"""Readings and their quality: never a magic number.

Quality follows the NAMUR NE 107 categories; when several hold, the order is failure, function check, out of
specification, maintenance required.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from functools import partial
from typing import NamedTuple


class Exactness(StrEnum):
    """What a reading's value says."""

    EXACT = "exact"  # the value itself
    BELOW = "below"  # less than the value (arm on its stop: the preload is not overcome)
    BEYOND = "beyond"  # more than the value (past the last calibrated point)
    ABSENT = "absent"  # no value; `reason` says why


class Reading(NamedTuple):
    """A value with what it means.

    Attributes:
        kind: See `Exactness`.
        value: The value or the limit; None when absent.
        reason: Why the reading is limited, doubtful or absent; "" when plain.
        uncertainty: Expanded uncertainty (95 %) in the value's unit, of a torque whose record states one; else None.
    """

    kind: Exactness
    value: float | None
    reason: str = ""
    uncertainty: float | None = None


reading: Callable[[tuple[Exactness, float | None, str, float | None]], Reading] = partial(tuple.__new__, Reading)
"""Makes a reading of all its parts at a third of the price: each scan of each drive makes two."""


def absent(reason: str) -> Reading:
    """A reading without a value."""
    return Reading(Exactness.ABSENT, None, reason)


class Category(StrEnum):
    """NAMUR NE 107 status category of a device or reading."""

    GOOD = "good"
    FAILURE = "failure"
    FUNCTION_CHECK = "function check"
    OUT_OF_SPECIFICATION = "out of specification"
    MAINTENANCE = "maintenance required"


_RANK = {
    Category.FAILURE: 0,
    Category.FUNCTION_CHECK: 1,
    Category.OUT_OF_SPECIFICATION: 2,
    Category.MAINTENANCE: 3,
    Category.GOOD: 4,
}


class Reason(NamedTuple):
    """One thing that limits trust in a drive's readings."""

    category: Category
    text: str


def worst(reasons: tuple[Reason, ...]) -> Category:
    """The category that stands for all of them (GOOD when there is none)."""
    return min((r.category for r in reasons), key=_RANK.__getitem__, default=Category.GOOD)
