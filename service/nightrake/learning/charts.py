"""Control charts: the EWMA for slow drifts, the tabular CUSUM for steps, and how often each signals by chance.

Both take a gap (NaN) as no news: the chart stands still. Both assume independent values; feed them residuals from which
season and serial correlation have been taken, or block means, or the true rate of false signals is far higher.

Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (CUSUM) and 6.3.2.4 (EWMA); limits of the first EWMA
points: J.M. Lucas and M.S. Saccucci, Technometrics 32 (1990) 1-12; run length by a Markov chain: D. Brook and
D.A. Evans, Biometrika 59 (1972) 539-549 (from memory).
"""

from __future__ import annotations

from itertools import accumulate
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from nightrake.errors import LearningError

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
CELLS = 200
"""Of the Markov chain; the error of a run length falls with their square and is below 0.1 % for usual charts."""


class Chart(NamedTuple):
    """An EWMA chart.

    Attributes:
        value: Weighted mean after each value, unit of y. low, high: Limits there. signals: Indices of values at which
            it lies outside, rising.
    """

    value: Floats
    low: Floats
    high: Floats
    signals: Ints


class Cusum(NamedTuple):
    """A tabular CUSUM chart.

    Attributes:
        high: Sum of what lies above target + k, unit of y, >= 0. low: Of what lies below target - k, >= 0.
        signals: Indices at which one of them exceeds h, rising.
    """

    high: Floats
    low: Floats
    signals: Ints


def ewma(
    y: npt.ArrayLike,
    weight: float,
    centre: float,
    sigma: float,
    width: float,
    *,
    is_steady: bool = True,
) -> Chart:
    """z = weight y + (1 - weight) z, begun at the centre; limits centre +- width sigma sqrt(weight / (2 - weight)).

    Args:
        y: Values, NaN for gaps, shape (n,). weight: Of the newest, above 0 to 1. centre: Expected mean.
        sigma: Standard deviation of one value, >= 0. width: Of the limits, in standard deviations of z.
        is_steady: True: the limits of the long run everywhere. False: narrower at first, as z begins at the centre.

    Raises:
        LearningError: An argument out of its range.
    """
    values = np.asarray(y, dtype=np.float64).reshape(-1)
    if not 0.0 < weight <= 1.0:
        raise LearningError(f"an EWMA weight of {weight:g} was given; give one above 0 and up to 1")
    _check(centre=centre, sigma=sigma, width=width)
    there = np.isfinite(values)
    steps = accumulate(values[there].tolist(), lambda z, v: z + weight * (v - z), initial=float(centre))
    seen = np.cumsum(there)
    value = np.fromiter(steps, np.float64)[seen]
    share = weight / (2.0 - weight) * (1.0 if is_steady else 1.0 - (1.0 - weight) ** (2.0 * seen))
    half = width * sigma * np.sqrt(np.broadcast_to(share, values.shape))
    signals = np.flatnonzero(there & (np.abs(value - centre) > half))
    return Chart(value, centre - half, centre + half, signals)


def cusum(y: npt.ArrayLike, target: float, k: float, h: float) -> Cusum:
    """High sum max(0, S + y - target - k), low sum max(0, S + target - k - y), both begun at 0; a signal is above h.

    Args:
        y: Values, NaN for gaps, shape (n,). target: Level to be held. k: Slack, >= 0, half of the step to be found.
        h: Where a sum signals, >= 0; k and h in the unit of y.

    Raises:
        LearningError: An argument out of its range.
    """
    values = np.asarray(y, dtype=np.float64).reshape(-1)
    _check(target=target, k=k, h=h)
    off = np.where(np.isfinite(values), values - target, np.nan)
    high, low = _climb(off - k), _climb(-off - k)
    return Cusum(high, low, np.flatnonzero(np.isfinite(values) & ((high > h) | (low > h))))


def since(side: Floats, signal: int) -> int:
    """Where the climb that led to a signal began: the usual date of the step or the drift.

    Args:
        side: `high` or `low` of a CUSUM. signal: Index of a signal in it.

    Returns:
        Index of the first value of the climb: the one after the sum last was 0.
    """
    zeros = np.flatnonzero(side[: signal + 1] == 0.0)
    return int(zeros[-1]) + 1 if len(zeros) else 0


def cusum_run_length(k: float, h: float, shift: float = 0.0, cells: int = CELLS) -> float:
    """Mean number of values until a one-sided CUSUM signals, for independent normal values.

    Two sides signal at the rate of both together: 1 / L = 1 / L(shift) + 1 / L(-shift).

    Args:
        k, h: In standard deviations, h > 0. shift: Of the mean from the target, towards the side. cells: Of the chain.
    """
    width = 2.0 * h / (2 * cells - 1)  # the first cell is 0 itself and half as wide above
    i, j = np.arange(cells)[:, None], np.arange(cells)
    to = np.asarray(ndtr((j - i + 0.5) * width + k - shift))
    step = to - np.where(j > 0, ndtr((j - i - 0.5) * width + k - shift), 0.0)
    return float(np.linalg.solve(np.eye(cells) - step, np.ones(cells))[0])


def _climb(steps: Floats) -> Floats:
    """S = max(0, S + step), begun at 0; a NaN step leaves it."""
    sums = accumulate(np.where(np.isnan(steps), 0.0, steps).tolist(), lambda s, v: max(0.0, s + v), initial=0.0)
    return np.fromiter(sums, np.float64)[1:]


def _check(**given: float) -> None:
    for name, value in given.items():
        if not np.isfinite(value) or (value < 0 and name in ("sigma", "width", "k", "h")):
            raise LearningError(f"{value:g} was given as the chart's {name}; give a number of its range")
