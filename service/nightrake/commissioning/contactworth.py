"""The torque at which a contact operates, with its uncertainty, by a calibration record. Pure."""

from __future__ import annotations

import numpy as np

from nightrake.commissioning.coverage import RECTANGULAR, Component, expanded
from nightrake.commissioning.record import Record


def operating_torque_nm(record: Record, position_mm: float, spread_mm: float) -> tuple[float | None, float]:
    """Torque of a rising load at an operating point.

    A contact operates while the torque rises, so the rising branch says at which torque, and the gap to the falling one
    is no part of the uncertainty. What is: everything else in the record's budget, and where the arm really stood,
    rectangular over the spread.

    Args:
        record: Of the drive and direction. position_mm: Operating point, as read.
        spread_mm: Width of where it may have been (between scans, and between operations).

    Returns:
        Torque and expanded uncertainty (95 %) in N.m, as magnitudes; None outside the calibrated range.

    Source: JCGM 100 5.1.2 for the combination, as for every torque of the record.
    """
    x = abs(position_mm)
    fit = record.fit
    if not fit.from_mm <= x <= fit.to_mm:
        return None, 0.0
    grid = record.budget.position_mm
    place = np.abs(fit.slope(grid)) * spread_mm / 12.0**0.5
    parts = [c for c in record.budget.components if c.source != "hysteresis"]
    total = expanded((*parts, Component("place", place, RECTANGULAR)))
    return float(fit.rising.at([x])[0]), float(np.interp(x, grid, total.expanded_nm))
