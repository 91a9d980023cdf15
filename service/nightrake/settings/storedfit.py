"""The ``[fit]`` of a calibration record file: is it a curve that the watch can use? No numeric library is needed here.

Whether it is the fit of the record's points is for `nightrake check`, which computes it anew.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

from nightrake.domain.recordcurve import fit_corners
from nightrake.settings.lines import Path as KeyPath
from nightrake.settings.recordmodels import FitTable

Note = Callable[[KeyPath, str], None]
COEFFICIENTS = {"straight line": 2, "quadratic": 3, "straight segments": 0}
EVEN_MM = 2e-4
"""Positions in the table are rounded to a tenth of a micrometre."""


def check_stored_fit(fit: FitTable, wrong: Note) -> None:
    """Note everything that keeps a stored fit from being used."""
    before = COEFFICIENTS[fit.form]
    if fit.from_mm >= fit.to_mm:
        wrong(("fit", "to_mm"), f"is {fit.to_mm:g}, not above from_mm, {fit.from_mm:g}")
    elif len(fit.coefficients) != before:
        wrong(("fit", "coefficients"), f"has {len(fit.coefficients)} numbers; a {fit.form} has {before}")
    elif (fit.form == "straight segments") != bool(fit.corner):
        wrong(("fit", "corner"), "belongs to straight segments, and they have two corners or more")
    elif not _rises(fit):
        wrong(("fit",), "does not rise from from_mm to to_mm; a reading could not be told from it")
    else:
        _check_uncertainty(fit, wrong)


def _rises(fit: FitTable) -> bool:
    if fit.form != "straight segments":
        c1, c2 = (*fit.coefficients[1:], 0.0)[:2]
        slopes = [c1 + 2.0 * c2 * (x - fit.reference_position_mm) for x in (fit.from_mm, fit.to_mm)]
        return min(slopes) > 0.0 and fit_corners(fit.model_dump())[0][1] >= 0.0
    corners = fit.corner
    ends = (corners[0].position_mm, corners[-1].position_mm)
    rising = all(b.position_mm > a.position_mm and b.torque_nm > a.torque_nm for a, b in pairwise(corners))
    return rising and len(corners) > 1 and ends == (fit.from_mm, fit.to_mm)


def _check_uncertainty(fit: FitTable, wrong: Note) -> None:
    rows = fit.uncertainty
    step = (fit.to_mm - fit.from_mm) / (len(rows) - 1)
    for i, row in enumerate(rows):
        if abs(row.position_mm - (fit.from_mm + i * step)) > EVEN_MM:
            text = f"is {row.position_mm:g}; the positions are evenly spaced from from_mm to to_mm"
            wrong(("fit", "uncertainty", i, "position_mm"), text)
            return
