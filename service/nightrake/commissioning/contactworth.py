"""The torque at which a contact operates, with its uncertainty, by a calibration record. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from nightrake.commissioning.coverage import RECTANGULAR, Component, expanded
from nightrake.commissioning.points import FALLING, RISING
from nightrake.commissioning.record import Record


@dataclass(frozen=True, slots=True)
class ContactWorth:
    """What a record says of a contact's operations.

    Attributes:
        torque_nm, uncertainty_nm: At the mean of the operations, with the expanded uncertainty (95 %) of that; None
            where one of them lies outside the calibrated range.
        each_nm: Torque of every operation, as magnitudes.
        outside: Why there is no torque, a sentence's end; "" where there is one.
    """

    torque_nm: float | None
    uncertainty_nm: float
    each_nm: tuple[float, ...] = ()
    outside: str = ""


def contact_worth(record: Record, positions_mm: Sequence[float], spread_mm: float) -> ContactWorth:
    """The operating torque of one contact.

    Args:
        record: Of the drive and direction. positions_mm: Where it operated, as read; one or more.
        spread_mm: Width of where it may have been (between scans, and between operations).
    """
    for position_mm in positions_mm:
        if not record.fit.from_mm <= abs(position_mm) <= record.fit.to_mm:
            return ContactWorth(None, 0.0, outside=_outside(record, abs(position_mm)))
    each = tuple(float(t) for t in record.fit.rising.at([abs(x) for x in positions_mm]))
    torque_nm, uncertainty_nm = operating_torque_nm(record, sum(positions_mm) / len(positions_mm), spread_mm)
    return ContactWorth(torque_nm, uncertainty_nm, each)


def _outside(record: Record, x_mm: float) -> str:
    """Which branch does not reach a position, and where it ends."""
    high = x_mm > record.fit.to_mm
    reach = {name: [p.pair[0] for p in record.content.branch(name)] for name in (RISING, FALLING)}
    short = [name for name, xs in reach.items() if (max(xs) < x_mm if high else min(xs) > x_mm)]
    branch = f"{' and '.join(short) or 'calibrated'} branch{'es' if len(short) > 1 else ''}"
    where = f"past the {branch}, up to {record.fit.to_mm:.2f}" if high else f"short of the {branch}, from "
    where += "" if high else f"{record.fit.from_mm:.2f}"
    return f"operated at {x_mm:.2f} mm, {where} mm; take points of both branches on both sides of it"


def operating_torque_nm(record: Record, position_mm: float, spread_mm: float) -> tuple[float | None, float]:
    """Torque of a rising load at an operating point.

    A contact operates while the torque rises, so the rising branch says at which torque, and the gap to the falling one
    is no part of the uncertainty. What is: everything else in the record's budget, the fit of that branch alone, and
    where the arm really stood, rectangular over the spread.

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
    of_rising = fit.scatter_sd * np.sqrt(fit.rising.leverage(grid))
    place = np.abs(fit.slope(grid)) * spread_mm / 12.0**0.5
    parts = [
        replace(c, standard_nm=of_rising) if c.source == "fit" else c
        for c in record.budget.components
        if c.source != "hysteresis"
    ]
    total = expanded((*parts, Component("place", place, RECTANGULAR)))
    return float(fit.rising.at([x])[0]), float(np.interp(x, grid, total.expanded_nm))
