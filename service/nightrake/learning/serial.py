"""How far values that follow one another hang together, and by what that widens the variance of Kendall's S.

Values are set on a grid of equal steps first, with NaN where none was read, so that a gap does not bring days together
that lie a week apart.

Of the three corrections that of AR(1), with the bias of a short record taken off, keeps best what it promises: a test
at 5 % calls AR(1) noise of 100 values a trend in 6 to 9 % of cases at lag-1 autocorrelations of 0.4 to 0.7, where
Hamed-Rao does in 11 to 16 % and Yue-Wang in 10 to 25 % (own simulation; `tests/bench/trend.py` prints it).

Source: K.H. Hamed and A.R. Rao, J. Hydrology 204 (1998) 182-196; S. Yue and C.Y. Wang, Water Resour. Manage. 18 (2004)
201-218; factor of AR(1): G.V. Bayley and J.M. Hammersley, J. R. Stat. Soc. Suppl. 8 (1946) 184-197; bias of the first
autocorrelation, -(1 + 3 rho)/n about a mean and -(2 + 4 rho)/n about a line: F.H.C. Marriott and J.A. Pope, Biometrika
41 (1954) 390-402, and N.P.A. van Giersbergen, Economics Letters 89 (2005) (the last two lines from memory).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from nightrake.errors import LearningError

Floats = npt.NDArray[np.float64]
NEAR_STEP = 0.25
"""How far from a whole number of steps two neighbours may lie apart."""
LONG_STEPS = 3
"""Over a longer gap it does not matter: a value more or less in it changes nothing."""
MOST_GRID = 20
"""Grid places for each value; a record with more gaps than that is taken in its order."""
LAGS = {"hamed-rao": 3, "yue-wang": 1, "ar1": 1}
"""Published advice for Hamed-Rao; one for Yue-Wang, whose authors take AR(1): with all lags it cuts the variance."""
HIGHEST_RHO = 0.99


def on_grid(x: Floats, y: Floats) -> Floats:
    """Values one step apart, NaN where none was read.

    Args:
        x: Times, finite, any order. y: Values.

    Returns:
        On the grid whose step is the usual distance of neighbours; where the times keep to no such grid, or two fall
        together, the values in order of time.
    """
    order = np.argsort(x, kind="stable")
    x, y = x[order], y[order]
    gaps = np.diff(x)
    step = float(np.quantile(gaps, 0.25, method="lower")) if len(gaps) else 0.0
    if not step > 0 or (x[-1] - x[0]) / step > MOST_GRID * len(x):
        return y
    steps = np.rint(gaps / step)
    off = np.abs(gaps / step - steps)
    if (steps < 1).any() or (off[steps <= LONG_STEPS] > NEAR_STEP).any():
        return y
    places = np.concatenate(([0], np.cumsum(steps.astype(np.int64))))
    grid = np.full(int(places[-1]) + 1, np.nan)
    grid[places] = y
    return grid


def ranks(y: Floats) -> Floats:
    """Ranks from 1; equal values share their mean rank, NaN stays."""
    out = np.full(len(y), np.nan)
    there = np.isfinite(y)
    _, back, counts = np.unique(y[there], return_inverse=True, return_counts=True)
    out[there] = (np.cumsum(counts) - (counts - 1) / 2.0)[back]
    return out


def like_again(detrended: Floats) -> Floats:
    """Values as they are but for their last bits, so that those which a line only pulled apart by rounding are equal.

    Values in counts have many ties about a line through counts; rounding would rank them by chance.
    """
    unit = float(np.abs(detrended).max()) * 2.0**-36
    return np.rint(detrended / unit) * unit if unit > 0 else detrended


def autocorrelation(y: Floats, lags: int) -> Floats:
    """Correlation with itself 1, 2, ... steps later.

    Args:
        y: Equal steps, NaN for gaps. lags: How many.

    Returns:
        Shape (lags,). Without gaps the usual estimate (sum over n - k pairs over the sum over n); with gaps the mean
        over the pairs there are, shrunk by 1 - k/n like the usual one. 0 where there are no pairs or nothing varies.
    """
    n = len(y)
    there = np.isfinite(y)
    off = np.where(there, y - y[there].mean() if there.any() else 0.0, 0.0)
    power = float(off @ off)
    found = np.zeros(lags)
    if not power > 0:
        return found
    power /= int(there.sum())
    for k in range(1, min(lags, n - 1) + 1):
        pairs = int((there[k:] & there[:-k]).sum())
        if pairs:
            found[k - 1] = float(off[k:] @ off[:-k]) / pairs * (1.0 - k / n) / power
    return found


def lag_one(y: Floats, is_detrended: bool = False) -> float:
    """Lag-1 autocorrelation, its bias taken off, at most 0.99.

    Args:
        y: Equal steps, NaN for gaps. is_detrended: A line has been taken off, which lowers the estimate further.
    """
    n = int(np.isfinite(y).sum())
    r = float(autocorrelation(y, 1)[0])
    if n <= 4:
        return r
    unbiased = (n * r + 2.0) / (n - 4.0) if is_detrended else (n * r + 1.0) / (n - 3.0)
    return min(unbiased, HIGHEST_RHO)


def ar1_factor(rho: float, n: int) -> float:
    """How many values are worth one independent value: n/n* = 1 + 2/n sum (n - k) rho^k, k = 1..n-1.

    Args:
        rho: Lag-1 autocorrelation, above -1 and below 1. n: Values.
    """
    return 1.0 + 2.0 * rho / (1.0 - rho) * (1.0 - (1.0 - rho**n) / (n * (1.0 - rho)))


def hamed_rao_factor(r: Floats, n: int, confidence: float = 0.95) -> float:
    """From the rank autocorrelations that stand out of chance.

    Args:
        r: Of the ranks of detrended values, lags 1, 2, ... n: Values.
    """
    k = np.arange(1, len(r) + 1)
    counts = np.abs(r) >= ndtri((1.0 + confidence) / 2.0) / np.sqrt(n)
    weights = (n - k) * (n - k - 1.0) * (n - k - 2.0)
    return 1.0 + 2.0 / (n * (n - 1.0) * (n - 2.0)) * float((weights * r)[counts].sum())


def yue_wang_factor(r: Floats, n: int) -> float:
    """From the autocorrelations of the detrended values.

    Args:
        r: Lags 1, 2, ... n: Values.
    """
    k = np.arange(1, len(r) + 1)
    return 1.0 + 2.0 * float(((1.0 - k / n) * r).sum())


def factor(x: Floats, detrended: Floats, correction: str, lags: int | None = None) -> tuple[float, str]:
    """By what the variance of S is to be multiplied, and words that say so.

    Args:
        x: Times. detrended: Values with the Sen slope taken off. correction: "hamed-rao", "yue-wang" or "ar1".
        lags: How many; default: `LAGS`.

    Returns:
        The factor, which may be below 1 and is then not to be used; and the words.
    """
    if correction not in LAGS:
        raise LearningError(f'"{correction}" is no correction; choose none, {", ".join(LAGS)}')
    n = len(detrended)
    lags = min(LAGS[correction] if lags is None else lags, n - 1)
    grid = on_grid(x, like_again(detrended))
    if correction == "yue-wang":
        found = yue_wang_factor(autocorrelation(grid, lags), n)
    elif correction == "hamed-rao":
        found = hamed_rao_factor(autocorrelation(ranks(grid), lags), n)
    else:
        found = ar1_factor(lag_one(ranks(grid), is_detrended=True), n)
    return found, _words(correction, lags, found)


def _words(correction: str, lags: int, found: float) -> str:
    names = {"hamed-rao": f"Hamed-Rao, lags to {lags}", "yue-wang": f"Yue-Wang, lags to {lags}", "ar1": "AR(1)"}
    if found < 1.0:
        return f", {names[correction]}: would cut the variance to {found:.2f} of itself and was not used"
    return f", {names[correction]}: variance {found:.2f} times"
