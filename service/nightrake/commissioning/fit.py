"""Least squares of torque on position: straight line, quadratic, straight segments; rising and falling apart.

Torque is the fitted function and position its argument, because that is how the curve is used: the watch reads a
position and wants the torque. The torque also carries the larger errors by far (reference standard, method, friction),
so the usual condition that the argument be known much better than the function holds; the slope is too small by the
share of the positions' own scatter in their spread, about one part in a million for a transducer that resolves 0.02 mm
of 20. Fitting position on torque and solving backwards would weigh the errors the wrong way round.

The design matrix is built from centred and scaled positions and factored by Householder QR: squares of raw positions
or normal equations would lose half of the digits. Checked against NIST StRD Norris and Pontius.

Source: JCGM 100:2008 annex H.3 (line, covariance of its parameters); least squares by QR: Golub and Van Loan, Matrix
Computations, 5.3.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from nightrake.commissioning.points import QUADRATIC, STRAIGHT_LINE, STRAIGHT_SEGMENTS

Floats = npt.NDArray[np.float64]
RANK_LIMIT = 1e-10
"""A diagonal of R this small beside the largest says that the positions do not carry so many coefficients."""


TAKE_MORE = "take a second run of the same torques, with the arm quite still at each, or ask for another form"
"""What helps where a form wants more of its points than they give."""


class UnfitError(ValueError):
    """The points do not carry the curve asked for; the text says why."""


@dataclass(frozen=True)
class Basis:
    """What torque is made from: powers of the centred, scaled position, or hats over knots.

    Attributes:
        form: See `points.FORMS`. reference_mm, scale_mm: u = (x - reference) / scale. knots_mm: of straight segments.
    """

    form: str
    reference_mm: float
    scale_mm: float
    knots_mm: tuple[float, ...] = ()

    @property
    def size(self) -> int:
        """How many coefficients it has."""
        return {STRAIGHT_LINE: 2, QUADRATIC: 3}.get(self.form) or len(self.knots_mm)

    def rows(self, x_mm: npt.ArrayLike) -> Floats:
        """Design matrix, shape (n, size)."""
        x = np.asarray(x_mm, dtype=np.float64).reshape(-1)
        if self.form != STRAIGHT_SEGMENTS:
            return np.vander((x - self.reference_mm) / self.scale_mm, self.size, increasing=True)
        knots = np.asarray(self.knots_mm)
        cell = np.clip(np.searchsorted(knots, x, side="right") - 1, 0, len(knots) - 2)
        share = (x - knots[cell]) / (knots[cell + 1] - knots[cell])
        rows = np.zeros((len(x), len(knots)))
        at = np.arange(len(x))
        rows[at, cell], rows[at, cell + 1] = 1.0 - share, share
        return rows


def basis_for(form: str, x_mm: Floats, knots_mm: Sequence[float] = ()) -> Basis:
    """A basis centred on the middle of the positions."""
    low, high = float(x_mm.min()), float(x_mm.max())
    if not high > low:
        raise UnfitError("all positions are the same")
    reference = round((low + high) / 2, 3)
    return Basis(form, reference, (high - low) / 2, tuple(knots_mm))


@dataclass(frozen=True)
class BranchFit:
    """A least-squares fit of one branch.

    Attributes:
        basis: What its coefficients belong to. beta: Coefficients in the basis. spread: R^-1 R^-T, so that the
            coefficients' covariance is the residual variance times it.
        residuals: Torque less fitted torque, N.m, unweighted. rss: Weighted sum of squares. count: Points.
        total_ss: Weighted sum of squares about the mean.
    """

    basis: Basis
    beta: Floats
    spread: Floats
    residuals: Floats
    rss: float
    count: int
    total_ss: float

    @property
    def dof(self) -> int:
        """Degrees of freedom of the residuals."""
        return self.count - self.basis.size

    @cached_property
    def residual_sd(self) -> float:
        """Residual standard deviation, N.m; 0.0 without degrees of freedom."""
        return float(np.sqrt(self.rss / self.dof)) if self.dof else 0.0

    @property
    def r_squared(self) -> float:
        """Share of the variance that the curve explains."""
        return 1.0 - self.rss / self.total_ss

    def at(self, x_mm: npt.ArrayLike) -> Floats:
        """Fitted torque, N.m."""
        return self.basis.rows(x_mm) @ self.beta

    def leverage(self, x_mm: npt.ArrayLike) -> Floats:
        """Variance of the fitted torque over the residual variance: v' C v with every covariance in it."""
        rows = self.basis.rows(x_mm)
        return np.asarray(np.einsum("ij,jk,ik->i", rows, self.spread, rows))

    def about(self, reference_mm: float) -> tuple[Floats, Floats]:
        """Coefficients of powers of (x - reference), and their covariance matrix (JCGM 100 H.3: choose t0 freely)."""
        if self.basis.form == STRAIGHT_SEGMENTS:
            raise UnfitError("straight segments have no coefficients about a reference")
        size, scale = self.basis.size, self.basis.scale_mm
        shift = (reference_mm - self.basis.reference_mm) / scale
        turn = np.zeros((size, size))
        for power in range(size):  # (u0 + shift)^power by the binomial theorem
            binomial = 1.0
            for lower in range(power + 1):
                turn[lower, power] = binomial * shift ** (power - lower) / scale**lower
                binomial = binomial * (power - lower) / (lower + 1)
        return turn @ self.beta, turn @ self.spread @ turn.T * self.residual_sd**2


def least_squares(basis: Basis, x_mm: npt.ArrayLike, y_nm: npt.ArrayLike, weights: npt.ArrayLike = 1.0) -> BranchFit:
    """Fit by QR.

    Args:
        basis: The curve's form. x_mm, y_nm: Positions and torques, shape (n,). weights: Of the squares, > 0.

    Raises:
        UnfitError: Fewer points than coefficients, or positions that do not tell them apart.
    """
    x, y = np.asarray(x_mm, dtype=np.float64), np.asarray(y_nm, dtype=np.float64)
    if len(x) < basis.size:
        raise UnfitError(f"{len(x)} points do not carry the {basis.size} coefficients of the {basis.form}; {TAKE_MORE}")
    root = np.sqrt(np.broadcast_to(np.asarray(weights, dtype=np.float64), x.shape))
    rows = basis.rows(x)
    q, r = np.linalg.qr(rows * root[:, None])
    diagonal = np.abs(np.diag(r))
    if diagonal.min() <= RANK_LIMIT * diagonal.max():
        raise UnfitError(f"the positions are too few or too close together for the {basis.form}; {TAKE_MORE}")
    beta = np.linalg.solve(r, q.T @ (y * root))
    residuals = y - rows @ beta
    inverse = np.linalg.inv(r)
    mean = float(np.sum(root**2 * y) / np.sum(root**2))
    return BranchFit(
        basis=basis,
        beta=beta,
        spread=inverse @ inverse.T,
        residuals=residuals,
        rss=float(np.sum((root * residuals) ** 2)),
        count=len(x),
        total_ss=float(np.sum((root * (y - mean)) ** 2)),
    )


@dataclass(frozen=True)
class ReadBack:
    """A reading taken backwards through a fit.

    Attributes:
        position_mm: Where the fitted curve has the value. standard_mm, half_width_mm: standard and 95 % uncertainty.
    """

    position_mm: float
    standard_mm: float
    half_width_mm: float


def read_back(fit: BranchFit, values: Sequence[float], near_mm: float | None = None) -> ReadBack:
    """The position at which a line or quadratic has the mean of some measured values, with its uncertainty.

    u = (s / slope) sqrt(1 / p + v' C v) for p readings; the interval is t(0.975, dof) u.

    Args:
        fit: A straight line or quadratic. values: One or more readings of the fitted quantity.
        near_mm: Of two solutions the one nearer to this; default: the middle of the points.

    Source: Eurachem/CITAC CG 4 (2012), example A5; NIST/SEMATECH e-Handbook 4.6.1.8 (quadratic, first-order limits).
    """
    from scipy.special import stdtrit

    mean = float(np.mean(values))
    beta = fit.beta.copy()
    beta[0] -= mean
    middle = 0.0 if near_mm is None else (near_mm - fit.basis.reference_mm) / fit.basis.scale_mm
    u = _root(beta, middle)
    x = fit.basis.reference_mm + u * fit.basis.scale_mm
    slope = float(np.sum(np.arange(1, len(beta)) * beta[1:] * u ** np.arange(len(beta) - 1))) / fit.basis.scale_mm
    spread = fit.residual_sd * float(np.sqrt(1.0 / len(values) + fit.leverage([x])[0])) / abs(slope)
    return ReadBack(x, spread, float(stdtrit(fit.dof, 0.975)) * spread)


def _root(beta: Floats, near: float) -> float:
    """Where b0 + b1 u (+ b2 u^2) is 0, without cancellation."""
    if len(beta) == 2:
        return float(-beta[0] / beta[1])
    c, b, a = (float(v) for v in beta)
    inside = b * b - 4.0 * a * c
    if inside < 0.0:
        raise UnfitError("the curve never reaches this value")
    half = -0.5 * (b + np.copysign(np.sqrt(inside), b))
    roots = [half / a] if a else []
    if half:
        roots.append(c / half)
    return float(min(roots, key=lambda r: abs(r - near)))
