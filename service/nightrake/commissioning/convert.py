"""Positions to torques by the thousand: the array form of `domain.calibration`, equal to it bit by bit.

For history: positions are kept as read, with the record that turned them into torque, so any stretch of them can be
converted again under any record.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightrake.commissioning.fit import Floats
from nightrake.domain.calibration import Plan
from nightrake.domain.site import CalibrationCurve

EXACT, BELOW, BEYOND, ABSENT = 0, -1, 1, 2
"""Codes of `domain.reading.Exactness`; the first three as forwarded under `torque_is`."""
CHUNK = 16_384
"""Positions at a time: intermediate values stay in the processor's cache."""


@dataclass(frozen=True)
class Torques:
    """What an array of positions says.

    Attributes:
        torque_nm: Torque, or the limit where below or beyond; NaN where absent.
        uncertainty_nm: Expanded uncertainty (95 %); NaN where absent or not stated by the record.
        code: EXACT, BELOW, BEYOND or ABSENT.
    """

    torque_nm: Floats
    uncertainty_nm: Floats
    code: npt.NDArray[np.int8]


def torques(position_mm: npt.ArrayLike, curve: CalibrationCurve) -> Torques:
    """Convert positions under a record, whichever record they were first converted by.

    Args:
        position_mm: Arm positions as read (reverse negative), any shape; NaN = none.
        curve: The record.

    Returns:
        Arrays of the same shape; every value is the one that `torque_of` gives, to the last bit.
    """
    given = np.asarray(position_mm, dtype=np.float64)
    flat = np.ascontiguousarray(given).reshape(-1)
    plan = _Arrays(Plan(curve), bool(curve.coefficients))
    torque, uncertainty = np.empty_like(flat), np.empty_like(flat)
    code = np.empty(flat.shape, dtype=np.int8)
    for start in range(0, len(flat), CHUNK):
        part = slice(start, start + CHUNK)
        plan.convert(flat[part], torque[part], uncertainty[part], code[part])
    return Torques(torque.reshape(given.shape), uncertainty.reshape(given.shape), code.reshape(given.shape))


class _Arrays:
    """A conversion plan with its lists as arrays."""

    def __init__(self, plan: Plan, polynomial: bool) -> None:
        self.plan = plan
        self.polynomial = polynomial
        self.xs, self.ts = np.array(plan.xs), np.array(plan.ts)
        self.slopes = np.array(plan.slopes)
        self.us, self.steps = np.array(plan.us), np.array([*plan.steps, 0.0])

    def convert(self, position: Floats, torque: Floats, uncertainty: Floats, code: npt.NDArray[np.int8]) -> None:
        """One chunk, into the arrays given."""
        plan = self.plan
        x = position if plan.sign > 0.0 else -position
        low, high = x < plan.first, x > plan.last
        inside = np.minimum(np.maximum(x, plan.first), plan.last)
        none = np.isnan(x)
        some_none = bool(none.any())
        if some_none:
            inside[none] = plan.first
        torque[:] = self._polynomial(inside) if self.polynomial else self._segments(inside)
        torque[x >= plan.last] = plan.ts[-1]
        torque[low] = plan.ts[0]
        code[:] = high.astype(np.int8) - low.astype(np.int8)
        self._uncertainty(inside, low, x >= plan.last, uncertainty)
        if some_none:
            torque[none] = uncertainty[none] = np.nan
            code[none] = ABSENT

    def _segments(self, x: Floats) -> Floats:
        i = np.searchsorted(self.xs, x, side="right") - 1
        np.minimum(i, len(self.slopes) - 1, out=i)
        return np.asarray(np.minimum(self.ts[i] + (x - self.xs[i]) * self.slopes[i], self.ts[i + 1]))

    def _polynomial(self, x: Floats) -> Floats:
        plan = self.plan
        d = x - plan.reference_mm
        t = d * plan.c2
        t += plan.c1
        t *= d
        t += plan.c0
        return np.minimum(np.maximum(t, plan.ts[0], out=t), plan.ts[-1], out=t)

    def _uncertainty(self, x: Floats, low: npt.NDArray[np.bool_], top: npt.NDArray[np.bool_], out: Floats) -> None:
        plan = self.plan
        if not plan.us:
            out[:] = np.nan
            return
        s = (x - plan.start) * plan.per_mm
        j = s.astype(np.int64)
        np.minimum(j, len(plan.steps), out=j)
        out[:] = self.us[j] + (s - j) * self.steps[j]
        out[low], out[top] = plan.us[0], plan.us[-1]
