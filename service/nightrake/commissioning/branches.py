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

from nightrake.commissioning.fit import BranchFit, Floats, UnfitError, basis_for, least_squares
from nightrake.commissioning.points import (
    FALLING,
    QUADRATIC,
    RISING,
    STRAIGHT_LINE,
    STRAIGHT_SEGMENTS,
    CalibrationPoint,
)

LEVEL_OF_TEST = 0.05
NEAR_SHARE = 0.01
"""Points of one branch are repeats of each other when positions and torques differ by less than this share of the
range; the fit's own slope between them is taken out, so that they need not coincide (near replicates)."""
LACK_OF_FIT, EXTRA_SUM = "lack of fit against repeats", "extra sum of squares"


@dataclass(frozen=True)
class Test:
    """The test that chose between straight line and quadratic.

    Attributes:
        name: Which test. f, dof, p: Its figure, degrees of freedom (numerator, denominator) and probability.
        f_quadratic, p_quadratic: Lack of fit of the quadratic itself, where there are repeats; else 0 and 1.
    """

    name: str
    f: float
    dof: tuple[int, int]
    p: float
    f_quadratic: float = 0.0
    p_quadratic: float = 1.0

    __test__ = False  # no test case, whatever its name


@dataclass(frozen=True)
class TwoBranchFit:
    """Rising and falling branch in one form.

    Attributes:
        form: Of both. rising, falling: The fits. test: What chose the form; None where it was asked for.
        from_mm, to_mm: The range that both branches cover, as magnitudes.
        pure_sd, pure_dof: Standard deviation between repeats, N.m, 0 where there are none.
        run_sd, run_dof: Standard deviation between runs beyond the scatter within them; 0 where it is not significant.
        scatter_sd, scatter_dof: Residual standard deviation, pooled, without what the runs differ by.
        runs: Number of runs.
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


@dataclass(frozen=True)
class _Branch:
    x: Floats
    t: Floats
    w: Floats
    run: npt.NDArray[np.int64]


def fit_points(points: Sequence[CalibrationPoint], form: str = "") -> TwoBranchFit:
    """Fit both branches.

    Args:
        points: Rising and falling ones. form: As in `points.FORMS`; "" chooses straight line or quadratic.

    Raises:
        UnfitError: Too few points for the form, or a curve that does not rise over the whole range.
    """
    branches = [_branch(points, name) for name in (RISING, FALLING)]
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
        raise UnfitError(f"{len(points)} points leave no degree of freedom for the uncertainty of the {form}")
    pure_sd, pure_dof = _pure_error(branches, (rising, falling))
    scatter_sd, scatter_dof, run_sd, run_dof = _between_runs(branches, (rising, falling))
    runs = len({p.run for p in points})
    fit = TwoBranchFit(
        form, rising, falling, test, low, high, pure_sd, pure_dof, run_sd, run_dof, scatter_sd, scatter_dof, runs
    )
    _must_rise(fit)
    return fit


def _branch(points: Sequence[CalibrationPoint], name: str) -> _Branch:
    own = [p for p in points if p.branch == name]
    if not own:
        raise UnfitError(f"there is no point of the {name} branch")
    x, t = np.array([p.pair for p in own], dtype=np.float64).T
    return _Branch(x, t, np.array([p.weight for p in own]), np.array([p.run for p in own]))


def choose_form(points: Sequence[CalibrationPoint]) -> tuple[str, Test | None]:
    """Straight line or quadratic, at 5 %; over the branches that there are, each with coefficients of its own.

    With repeats: the line's lack of fit against the scatter of the repeats, F(m - 2, n - m) for m levels. Without: the
    extra sum of squares that the quadratic term explains, F(1, n - 3). With too few points for either: the line.

    Source: NIST/SEMATECH e-Handbook 4.4.4.6 and 4.6.1.5 (lack of fit); JCGM 100 H.3 says nothing on the choice; near
    replicates: Daniel and Wood, Fitting Equations to Data, chapter 7.
    """
    from scipy.special import fdtrc

    branches = [_branch(points, name) for name in (RISING, FALLING) if any(p.branch == name for p in points)]
    if any(len(b.x) < 3 for b in branches):
        return STRAIGHT_LINE, None
    lines = [least_squares(basis_for(STRAIGHT_LINE, b.x), b.x, b.t, b.w) for b in branches]
    curves = [least_squares(basis_for(QUADRATIC, b.x), b.x, b.t, b.w) for b in branches]
    rss1, rss2 = (sum(f.rss for f in fits) for fits in (lines, curves))
    dof1, dof2 = (sum(f.dof for f in fits) for fits in (lines, curves))
    pure_sd, pure_dof = _pure_error(branches, curves)
    if pure_dof and pure_sd > 0.0 and dof2 > pure_dof:
        pure = pure_sd**2
        f1, f2 = ((rss - pure * pure_dof) / (dof - pure_dof) / pure for rss, dof in ((rss1, dof1), (rss2, dof2)))
        p1, p2 = (float(fdtrc(d - pure_dof, pure_dof, max(f, 0.0))) for d, f in ((dof1, f1), (dof2, f2)))
        test = Test(LACK_OF_FIT, f1, (dof1 - pure_dof, pure_dof), p1, f2, p2)
    elif dof2 > 0 and rss2 > 0.0:
        f1 = (rss1 - rss2) / (dof1 - dof2) / (rss2 / dof2)
        test = Test(EXTRA_SUM, f1, (dof1 - dof2, dof2), float(fdtrc(dof1 - dof2, dof2, max(f1, 0.0))))
    else:
        return STRAIGHT_LINE, None
    return (QUADRATIC if test.p < LEVEL_OF_TEST else STRAIGHT_LINE), test


def _pure_error(branches: Sequence[_Branch], fits: Sequence[BranchFit]) -> tuple[float, int]:
    """Scatter between repeats about their own mean residual, and its degrees of freedom."""
    total, dof = 0.0, 0
    for branch, fit in zip(branches, fits, strict=True):
        for group in _repeats(branch):
            r, w = fit.residuals[group], branch.w[group]
            total += float(np.sum(w * (r - np.sum(w * r) / np.sum(w)) ** 2))
            dof += len(group) - 1
    return (float(np.sqrt(total / dof)) if dof else 0.0), dof


def _repeats(branch: _Branch) -> list[npt.NDArray[np.intp]]:
    """Index groups of points that repeat each other."""
    reach_x, reach_t = (NEAR_SHARE * float(np.ptp(v)) for v in (branch.x, branch.t))
    order = np.argsort(branch.x, kind="stable")
    x, t = branch.x[order], branch.t[order]
    groups: list[npt.NDArray[np.intp]] = []
    start = 0
    for i in range(1, len(order) + 1):
        if i == len(order) or x[i] - x[start] > reach_x or abs(t[i] - t[start]) > reach_t:
            groups.append(order[start:i])
            start = i
    return groups


def _between_runs(branches: Sequence[_Branch], fits: Sequence[BranchFit]) -> tuple[float, int, float, int]:
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


def _knots(branches: Sequence[_Branch], low: float, high: float) -> tuple[float, ...]:
    """A knot for each torque that was applied to both branches: the ends, and the mean positions between."""
    levels: list[float] = []
    for group in _repeats(branches[0]):
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
