"""Steps of the level: when, how certainly then, how large, and whether the plant knows why."""

from __future__ import annotations

from math import nan

import numpy as np

from nightrake.learning.days import DAY_MS, Floats, Side
from nightrake.learning.evidence import Evidence
from nightrake.learning.trend import FOUND, Shift, Span
from nightrake.learning.white import BEND, STEP, White

AROUND = 25
"""Periods before and after a step among which its date is sought."""
NEAR_DAYS = 4.0
"""A step so near to a moment that the plant knows of is taken to be its."""


def shifts_of(side: Side, evidence: Evidence) -> tuple[Shift, ...]:
    """Steps found and steps known, rising in time.

    Args:
        side: What the plant knows.
        evidence: What the periods say.
    """
    white = evidence.white
    steps = [*evidence.given, *(k.at for k in evidence.knots if k.kind == STEP)]
    if not steps:
        return ()
    bends = [k.at for k in evidence.knots if k.kind == BEND]
    columns = np.stack([white.step(0), *map(white.step, steps), *map(white.bend, bends)], axis=1)
    size, spread = _sizes(columns, white.w)
    begins = side.days.utc_ms[evidence.series.row[evidence.used]]
    found = []
    for k, i in enumerate(steps):
        low, high = (i, i) if k < len(evidence.given) else _dates(white, np.delete(columns, k + 1, axis=1), i)
        nm = Span(*(v * side.shutdown_nm / 100.0 for v in (size[k] - spread[k], size[k], size[k] + spread[k])))
        found.append(Shift(int(begins[i]), int(begins[low]), int(begins[high]), nm, _why(side, int(begins[i]))))
    return tuple(sorted(found))


def _sizes(columns: Floats, w: Floats) -> tuple[list[float], list[float]]:
    """Sizes of the steps and the halves of their 95 % intervals."""
    scale = np.sqrt((columns**2).sum(axis=0))
    scaled = columns / np.maximum(scale, 1e-12)
    beta = np.linalg.lstsq(scaled, w, rcond=None)[0] / scale
    inverse = np.linalg.pinv(scaled.T @ scaled)
    spread = 1.96 * np.sqrt(np.maximum(np.diag(inverse), 0.0)) / scale
    usable = np.isfinite(beta)
    return np.where(usable, beta, nan)[1:].tolist(), np.where(usable, spread, nan)[1:].tolist()


def _dates(white: White, others: Floats, index: int) -> tuple[int, int]:
    """95 % interval of a step's first period, from how well a step at each neighbour would explain the data."""
    basis = np.linalg.qr(others)[0]
    left = white.w - basis @ (basis.T @ white.w)
    n = len(white.t)
    along = np.stack([white.onto(column)[:n] for column in basis.T])
    free = white.step_norm - np.einsum("ij,ij->j", along, along)
    gain = np.where(free > 1e-6 * white.step_norm, white.onto(left)[:n] ** 2 / np.maximum(free, 1e-12), 0.0)
    low, high = max(1, index - AROUND), min(len(gain), index + AROUND + 1)
    weight = np.exp(0.5 * (gain[low:high] - gain[low:high].max()))
    share = np.cumsum(weight / weight.sum())
    return low + int(np.searchsorted(share, 0.025)), min(low + int(np.searchsorted(share, 0.975)), high - 1)


def _why(side: Side, utc_ms: int) -> str:
    near = [known for known in side.known if abs(known.utc_ms - utc_ms) <= NEAR_DAYS * DAY_MS]
    return min(near, key=lambda known: abs(known.utc_ms - utc_ms)).why if near else FOUND
