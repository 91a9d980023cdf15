"""Tests on the points of both branches: which form they have, and whether the form that was taken is theirs at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightrake.commissioning.fit import BranchFit, Floats, UnfitError, basis_for, least_squares
from nightrake.commissioning.points import FALLING, QUADRATIC, RISING, STRAIGHT_LINE, CalibrationPoint

LEVEL_OF_TEST = 0.05
NEAR_SHARE = 0.01
"""Points of one branch are repeats of each other when positions and torques differ by less than this share of the
range; the fit's own slope between them is taken out, so that they need not coincide (near replicates)."""
PAIR_SHARE = 0.05
"""A rising and a falling point are a pair when their torques differ by less than this share of the range: a wrong form
bends slowly, and what it bends between them only makes the test slower to speak."""
EXACT_SHARE = 1e-6
LACK_OF_FIT, EXTRA_SUM = "lack of fit against repeats", "extra sum of squares"
AGAINST_BRANCHES = "lack of fit against the other branch"


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
class Lack:
    """Whether the curve taken has the form of its points at all.

    Attributes:
        name: Which test. f, dof, p: As in `Test`.
        size_nm: Standard deviation of torque by which the points miss the form, beyond their own scatter, N.m.
    """

    name: str
    f: float
    dof: tuple[int, int]
    p: float
    size_nm: float

    @property
    def shown(self) -> bool:
        """Whether the test shows that the form is wrong."""
        return self.p < LEVEL_OF_TEST


@dataclass(frozen=True)
class Branch:
    """Points of one branch as arrays: positions, torques (magnitudes), weights, run numbers."""

    x: Floats
    t: Floats
    w: Floats
    run: npt.NDArray[np.int64]


def branch_of(points: Sequence[CalibrationPoint], name: str) -> Branch:
    """The points of one branch.

    Raises:
        UnfitError: There are none.
    """
    own = [p for p in points if p.branch == name]
    if not own:
        raise UnfitError(f"there is no point of the {name} branch")
    x, t = np.array([p.pair for p in own], dtype=np.float64).T
    return Branch(x, t, np.array([p.weight for p in own]), np.array([p.run for p in own]))


def choose_form(points: Sequence[CalibrationPoint]) -> tuple[str, Test | None]:
    """Straight line or quadratic, at 5 %; over the branches that there are, each with coefficients of its own.

    With repeats: the line's lack of fit against the scatter of the repeats, F(m - 2, n - m) for m levels. Without: the
    extra sum of squares that the quadratic term explains, F(1, n - 3). With too few points for either: the line.

    Source: NIST/SEMATECH e-Handbook 4.4.4.6 and 4.6.1.5 (lack of fit); JCGM 100 H.3 says nothing on the choice; near
    replicates: Daniel and Wood, Fitting Equations to Data, chapter 7.
    """
    from scipy.special import fdtrc

    branches = [branch_of(points, name) for name in (RISING, FALLING) if any(p.branch == name for p in points)]
    if any(len(b.x) < 3 for b in branches):
        return STRAIGHT_LINE, None
    lines = [least_squares(basis_for(STRAIGHT_LINE, b.x), b.x, b.t, b.w) for b in branches]
    curves = [least_squares(basis_for(QUADRATIC, b.x), b.x, b.t, b.w) for b in branches]
    rss1, rss2 = (sum(f.rss for f in fits) for fits in (lines, curves))
    dof1, dof2 = (sum(f.dof for f in fits) for fits in (lines, curves))
    pure_sd, pure_dof = pure_error(branches, curves)
    if pure_dof and pure_sd > 0.0 and dof2 > pure_dof:
        pure = pure_sd**2
        f1, f2 = (
            max(0.0, rss - pure * pure_dof) / (dof - pure_dof) / pure for rss, dof in ((rss1, dof1), (rss2, dof2))
        )
        p1, p2 = (float(fdtrc(d - pure_dof, pure_dof, f)) for d, f in ((dof1, f1), (dof2, f2)))
        test = Test(LACK_OF_FIT, f1, (dof1 - pure_dof, pure_dof), p1, f2, p2)
    elif dof2 > 0 and rss2 > 0.0:
        f1 = max(0.0, rss1 - rss2) / (dof1 - dof2) / (rss2 / dof2)  # rounding may leave the quadratic the larger one
        test = Test(EXTRA_SUM, f1, (dof1 - dof2, dof2), float(fdtrc(dof1 - dof2, dof2, f1)))
    else:
        return STRAIGHT_LINE, None
    return (QUADRATIC if test.p < LEVEL_OF_TEST else STRAIGHT_LINE), test


def pure_error(branches: Sequence[Branch], fits: Sequence[BranchFit]) -> tuple[float, int]:
    """Scatter between repeats about their own mean residual, and its degrees of freedom."""
    total, dof = 0.0, 0
    for branch, fit in zip(branches, fits, strict=True):
        for group in repeats(branch):
            r, w = fit.residuals[group], branch.w[group]
            total += float(np.sum(w * (r - np.sum(w * r) / np.sum(w)) ** 2))
            dof += len(group) - 1
    return (float(np.sqrt(total / dof)) if dof else 0.0), dof


def lack_of_fit(branches: Sequence[Branch], fits: Sequence[BranchFit], pure_sd: float, pure_dof: int) -> Lack | None:
    """Does the form miss its points by more than they scatter? At 5 %, of the form that was taken.

    With repeats: F(levels - coefficients, n - levels) as in `choose_form`. Without: a wrong form bends the residuals of
    both branches alike, and scatter does not, so at the torques that both have, with the residuals' half sum m and half
    difference d, F = sum(m^2) / sum(d^2), both with (torques - coefficients of one branch) degrees of freedom.

    Source: NIST/SEMATECH e-Handbook 4.4.4.6 for the first; the second is the same ratio of variances, with the branches
    in place of repeats.
    """
    from scipy.special import fdtrc

    rss, dof = sum(f.rss for f in fits), sum(f.dof for f in fits)
    if pure_dof and pure_sd > 0.0 and dof > pure_dof:
        lacking, degrees, pure = max(rss - pure_sd**2 * pure_dof, 0.0), (dof - pure_dof, pure_dof), pure_sd**2
        name = LACK_OF_FIT
    else:
        pairs = _across(branches, fits)
        free = len(pairs) - fits[0].basis.size
        if free < 1:
            return None
        lacking, apart = (float(np.sum((pairs[:, 0] + s * pairs[:, 1]) ** 2)) / 2.0 for s in (1.0, -1.0))
        degrees, pure, name = (free, free), apart / free, AGAINST_BRANCHES
    # Points that a person has rounded may agree to the last figure; F stays finite, and rounding of ours is no lack.
    pure = max(pure, (EXACT_SHARE * float(np.ptp(branches[0].t))) ** 2)
    of_lack = lacking / degrees[0]
    f = of_lack / pure
    return Lack(name, f, degrees, float(fdtrc(*degrees, f)), float(np.sqrt(max(of_lack - pure, 0.0))))


def _across(branches: Sequence[Branch], fits: Sequence[BranchFit]) -> Floats:
    """Residuals (rising, falling) at each torque that both branches have, shape (n, 2)."""
    (up, down), reach = branches, PAIR_SHARE * float(np.ptp(branches[0].t))
    pairs: list[tuple[float, float]] = []
    free = np.ones(len(down.t), dtype=bool)
    for t, residual in zip(up.t, fits[0].residuals, strict=True):
        off = np.where(free, np.abs(down.t - t), np.inf)
        if off.min(initial=np.inf) <= reach:
            nearest = int(np.argmin(off))
            free[nearest] = False
            pairs.append((float(residual), float(fits[1].residuals[nearest])))
    return np.array(pairs).reshape(-1, 2)


def repeats(branch: Branch) -> list[npt.NDArray[np.intp]]:
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
