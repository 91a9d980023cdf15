"""From standard uncertainties to one expanded uncertainty that holds 95 %, whatever part of the budget dominates.

The normal parts are put together by JCGM 100 G.4 (Welch-Satterthwaite): a t distribution with their effective degrees
of freedom. The bounded parts (rectangular, and U-shaped for the arm between two branches) are convolved with it, as
JCGM 101 propagates distributions; the expanded uncertainty is the half width that holds 95 % of the result. Without
bounded parts that is exactly k = t(0.975, effective degrees of freedom); where a bounded part dominates it goes to that
part's own half width, where k = 2 would be far too wide (rectangular: 1.65, U-shaped: 1.41).

The convolution is done by characteristic functions: P(|E| < U) = 2/pi * integral of sin(U w) / w * phi(w) dw, on a grid
fine enough for the widest and the narrowest part; no random numbers.

Source: JCGM 100:2008 G.2, G.4, G.6; JCGM 101:2008 6.4.2 (rectangular), 6.4.6 (U-shaped), 6.4.9 (t), 7.7; the inversion
integral: Gil-Pelaez (1951).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln, j0, kve, stdtrit

from nightrake.commissioning.fit import Floats

COVERAGE = 0.95
NORMAL, RECTANGULAR, U_SHAPED = "normal", "rectangular", "U-shaped"
HALF_WIDTH = {RECTANGULAR: 3.0**0.5, U_SHAPED: 2.0**0.5}
"""Half width of a bounded distribution over its standard uncertainty."""
INFINITE = float("inf")
MANY_DOF = 60.0
"""From here a t distribution is taken as a normal one that is wider by t(0.975) / 1.96."""
LEAST_NORMAL = 0.02
"""The normal part is taken as at least this share of the whole, so that the integral ends; too wide by 1e-3 at most."""


@dataclass(frozen=True)
class Component:
    """One source of uncertainty along the curve.

    Attributes:
        source: What it is. standard_nm: Standard uncertainty at each position, N.m. shape: Its distribution.
        dof: Degrees of freedom. estimate: Components with the same name come from one estimate and share its degrees.
    """

    source: str
    standard_nm: Floats
    shape: str = NORMAL
    dof: float = INFINITE
    estimate: str = ""


@dataclass(frozen=True)
class Expanded:
    """The combined result along the curve.

    Attributes:
        standard_nm: Combined standard uncertainty. expanded_nm: Half width that holds 95 %. k: Their ratio.
        dof: Effective degrees of freedom of the whole (G.4), infinite where nothing in it was estimated.
    """

    standard_nm: Floats
    expanded_nm: Floats
    k: Floats
    dof: Floats


def expanded(components: Sequence[Component]) -> Expanded:
    """Combine all components, position by position."""
    total = np.sqrt(sum(c.standard_nm**2 for c in components))
    normal = [c for c in components if c.shape == NORMAL]
    bounded = [c for c in components if c.shape != NORMAL]
    spread = np.sqrt(sum((c.standard_nm**2 for c in normal), np.zeros_like(total)))
    of_normal = effective_dof(normal, spread)
    k = np.array(
        [
            _factor(float(u), float(s), float(v), [(c.shape, float(c.standard_nm[i])) for c in bounded])
            for i, (u, s, v) in enumerate(zip(total, spread, of_normal, strict=True))
        ]
    )
    return Expanded(total, k * total, k, effective_dof(components, total))


def effective_dof(components: Sequence[Component], total: Floats) -> Floats:
    """u^4 / sum(u_i^4 / dof_i), components of one estimate taken together (Welch-Satterthwaite, JCGM 100 G.4)."""
    groups: dict[str, tuple[Floats, float]] = {}
    for i, c in enumerate(components):
        if c.dof == INFINITE:
            continue
        key = c.estimate or f"#{i}"
        before = groups.get(key, (np.zeros_like(total), c.dof))[0]
        groups[key] = (before + c.standard_nm**2, c.dof)
    below = sum((square**2 / dof for square, dof in groups.values()), np.zeros_like(total))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(below > 0.0, total**4 / below, INFINITE)


def t_factor(dof: float, coverage: float = COVERAGE) -> float:
    """Two-sided t quantile; the normal one for infinite degrees of freedom. They are not rounded down to integers."""
    return float(stdtrit(dof if dof < 1e9 else 1e9, (1.0 + coverage) / 2.0))


def _factor(total: float, spread: float, dof: float, bounded: Sequence[tuple[str, float]]) -> float:
    """Coverage factor of a t part plus bounded parts."""
    if total == 0.0:
        return t_factor(dof)
    parts = [(shape, HALF_WIDTH[shape] * u / total) for shape, u in bounded if u > 1e-4 * total]
    scale = max(spread / total, LEAST_NORMAL)
    if not parts:
        return t_factor(dof)
    factor = t_factor(dof)
    reach = factor * scale + sum(a for _, a in parts)
    # Aliases of the grid lie 2 pi / step away; low degrees of freedom have heavy tails, so they get more room.
    step = np.pi / (reach * (4.0 if dof >= 2.5 else 40.0))
    end = (8.0 if dof > MANY_DOF else 30.0) / scale
    w = (np.arange(int(end / step) + 1) + 0.5) * step
    phi = _t_phi(w * scale, dof)
    for shape, a in parts:
        phi = phi * (np.sinc(a * w / np.pi) if shape == RECTANGULAR else j0(a * w))
    return _solve(w, phi / w * (2.0 / np.pi * step), reach)


def _t_phi(w: Floats, dof: float) -> Floats:
    """Characteristic function of a t variate. Source: Hurst (1995), through modified Bessel functions."""
    if dof > MANY_DOF:
        return np.exp(-0.5 * (w * t_factor(dof) / t_factor(INFINITE)) ** 2)
    z, half = np.sqrt(dof) * w, dof / 2.0
    log = np.log(kve(half, z)) - z + half * np.log(z) - gammaln(half) - (half - 1.0) * np.log(2.0)
    return np.where(np.isfinite(log), np.exp(log), 1.0)


def _solve(w: Floats, weights: Floats, reach: float) -> float:
    """The U at which sum(sin(U w) weights) is the coverage, by bisection."""
    low, high = 0.0, 1.5 * reach
    for _ in range(48):
        middle = 0.5 * (low + high)
        if float(np.sin(middle * w) @ weights) < COVERAGE:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
