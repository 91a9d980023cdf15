"""Both branches of a record as one curve: the form chosen by a stated test, the mean of the branches, half their gap.

A real drive stands anywhere between the rising branch (load going up) and the falling one (load going down), so the
torque shown is the mean of both, and half the gap goes into the uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightrake.commissioning.fit import TAKE_MORE, BranchFit, Floats, UnfitError, basis_for, least_squares
from nightrake.commissioning.formtests import (
    LEVEL_OF_TEST,
    NEAR_SHARE,
    Branch,
    Lack,
    Test,
    branch_of,
    choose_form,
    lack_of_fit,
    pure_error,
    repeats,
)
from nightrake.commissioning.points import FALLING, RISING, STRAIGHT_SEGMENTS, CalibrationPoint

SURE = 0.999
LEAST_GAP = 1e-3
"""A gap that is wrong way round by less than this share of the highest torque is no matter."""


@dataclass(frozen=True)
class TwoBranchFit:
    """Rising and falling branch in one form.

    Attributes:
        form: Of both. rising, falling: The fits. test: What chose the form; None where it was asked for.
        from_mm, to_mm: The range that both branches cover, as magnitudes.
        pure_sd, pure_dof: Standard deviation between repeats, N.m, 0 where there are none.
        run_sd, run_dof: Standard deviation between runs beyond the scatter within them; 0 where it is not significant.
        scatter_sd, scatter_dof: Residual standard deviation, pooled, without what the runs differ by.
        runs: Number of runs. lack: Whether the form is that of the points; None where too few of them can tell.
    """

    form: str
    rising: BranchFit
    falling: BranchFit
    test: Test | None
    from_mm: float
    to_mm: float
    pure_sd: float
    pure_dof: int
    run_sd: float
    run_dof: int
    scatter_sd: float
    scatter_dof: int
    runs: int
    lack: Lack | None = None

    def at(self, x_mm: npt.ArrayLike) -> Floats:
        """Mean of both branches, N.m."""
        return (self.rising.at(x_mm) + self.falling.at(x_mm)) / 2.0

    def half_gap(self, x_mm: npt.ArrayLike) -> Floats:
        """Half the gap between the branches, N.m; >= 0 where the rising one lies above, as friction makes it."""
        return (self.rising.at(x_mm) - self.falling.at(x_mm)) / 2.0

    def leverage(self, x_mm: npt.ArrayLike) -> Floats:
        """Variance of the mean curve over the residual variance."""
        return (self.rising.leverage(x_mm) + self.falling.leverage(x_mm)) / 4.0

    def slope(self, x_mm: npt.ArrayLike) -> Floats:
        """N.m per mm of the mean curve."""
        x = np.asarray(x_mm, dtype=np.float64)
        step = (self.to_mm - self.from_mm) * 1e-4
        low, high = np.maximum(x - step, self.from_mm), np.minimum(x + step, self.to_mm)
        return np.asarray((self.at(high) - self.at(low)) / (high - low))

    @property
    def coefficients(self) -> Floats:
        """Of the mean curve, in powers of (x - reference), x in mm; of straight segments the torque at each knot."""
        mean = (self.rising.beta + self.falling.beta) / 2.0
        basis = self.rising.basis
        return mean if self.form == STRAIGHT_SEGMENTS else mean / basis.scale_mm ** np.arange(basis.size)


def fit_points(points: Sequence[CalibrationPoint], form: str = "") -> TwoBranchFit:
    """Fit both branches.

    Args:
        points: Rising and falling ones. form: As in `points.FORMS`; "" chooses straight line or quadratic.

    Raises:
        UnfitError: Too few points for the form, or a curve that does not rise over the whole range.
    """
    branches = [branch_of(points, name) for name in (RISING, FALLING)]
    low = math.ceil(1000.0 * max(float(b.x.min()) for b in branches)) / 1000.0
    high = math.floor(1000.0 * min(float(b.x.max()) for b in branches)) / 1000.0
    if not high > low:
        raise UnfitError("the rising and the falling branch have no position in common")
    test = None
    if not form:
        form, test = choose_form(points)
    knots = _knots(branches, low, high) if form == STRAIGHT_SEGMENTS else ()
    basis = basis_for(form, np.array([low, high]), knots)
    rising, falling = (least_squares(basis, b.x, b.t, b.w) for b in branches)
    if rising.dof + falling.dof < 1:
        raise UnfitError(
            f"{len(points)} points leave no degree of freedom for the uncertainty of the {form}; {TAKE_MORE}"
        )
    pure_sd, pure_dof = pure_error(branches, (rising, falling))
    scatter_sd, scatter_dof, run_sd, run_dof = _between_runs(branches, (rising, falling))
    runs = len({p.run for p in points})
    fit = TwoBranchFit(
        form, rising, falling, test, low, high, pure_sd, pure_dof, run_sd, run_dof, scatter_sd, scatter_dof, runs,
        lack_of_fit(branches, (rising, falling), pure_sd, pure_dof),
    )  # fmt: skip
    _must_rise(fit)
    return fit


def _between_runs(branches: Sequence[Branch], fits: Sequence[BranchFit]) -> tuple[float, int, float, int]:
    """Scatter within runs and, where an F test at 5 % shows it, between them: an error that is common to a whole run.

    Points of one run are not independent then, and no number of points averages away what their run has in common.

    Returns:
        (standard deviation within, its degrees of freedom, standard deviation between, its degrees of freedom).
    """
    from scipy.special import fdtrc

    rss, dof = sum(f.rss for f in fits), sum(f.dof for f in fits)
    r = np.concatenate([f.residuals for f in fits])
    w = np.concatenate([b.w for b in branches])
    run = np.concatenate([b.run for b in branches])
    numbers = np.unique(run)
    more = len(numbers) - 1
    plain = (float(np.sqrt(rss / dof)), dof, 0.0, 0)
    if more < 1 or dof - more < 1:
        return plain
    weight = np.array([np.sum(w[run == n]) for n in numbers])
    mean = np.array([np.sum((w * r)[run == n]) for n in numbers]) / weight
    between = float(np.sum(weight * mean**2))
    within = (rss - between) / (dof - more)
    if within <= 0.0 or float(fdtrc(more, dof - more, between / more / within)) >= LEVEL_OF_TEST:
        return plain
    size = float(np.mean([np.sum(run == n) for n in numbers]))
    return float(np.sqrt(within)), dof - more, float(np.sqrt((between / more - within) / size)), more


def _knots(branches: Sequence[Branch], low: float, high: float) -> tuple[float, ...]:
    """A knot for each torque that was applied to both branches: the ends, and the mean positions between."""
    levels: list[float] = []
    for group in repeats(branches[0]):
        t, x = float(np.mean(branches[0].t[group])), float(np.mean(branches[0].x[group]))
        other = branches[1].x[np.abs(branches[1].t - t) <= NEAR_SHARE * float(np.ptp(branches[0].t))]
        if len(other):
            levels.append(round((x + float(np.mean(other))) / 2.0, 3))
    room = (high - low) * 2 * NEAR_SHARE
    inner = [x for x in levels if low + room < x < high - room]
    return (low, *inner, high)


def _must_rise(fit: TwoBranchFit) -> None:
    """Both branches and their mean have to rise over the whole range: else a position would not say one torque."""
    segments = fit.form == STRAIGHT_SEGMENTS
    x = np.asarray(fit.rising.basis.knots_mm) if segments else np.linspace(fit.from_mm, fit.to_mm, 201)
    curves = (("rising branch", fit.rising.at(x)), ("falling branch", fit.falling.at(x)), ("mean", fit.at(x)))
    for which, values in curves:
        falls = np.flatnonzero(np.diff(values) <= 0.0)
        if len(falls):
            place = f"the {fit.form} through the {which} does not rise at {float(x[falls[0]]):.3g} mm"
            raise UnfitError(f"{place}, so a position would not say one torque")


def inverted_gap_nm(fit: TwoBranchFit) -> float:
    """By how much the falling branch lies above the rising one on average, where that is no chance; else 0.

    Friction makes a rising load read less travel, never more. Judged by a t test at 99.9 %.
    """
    from scipy.special import stdtrit

    x = np.linspace(fit.from_mm, fit.to_mm, 11)
    gap_nm = 2.0 * float(np.mean(fit.half_gap(x)))
    counts = (fit.rising.count, fit.falling.count)
    chance_nm = float(stdtrit(fit.scatter_dof, SURE)) * fit.scatter_sd * sum(1.0 / n for n in counts) ** 0.5
    return -gap_nm if gap_nm < -max(chance_nm, LEAST_GAP * float(fit.at([fit.to_mm])[0])) else 0.0
