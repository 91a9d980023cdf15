"""The present level and the arrays for plots: level with its band, EWMA and CUSUM about each stretch's own level."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from nightrake.learning import charts
from nightrake.learning.days import Floats, Side
from nightrake.learning.evidence import Evidence
from nightrake.learning.knots import level_line
from nightrake.learning.trend import Fitted
from nightrake.learning.white import BEND, STEP

EWMA_WEIGHT = 0.1
EWMA_WIDTH = 3.0
CUSUM_SLACK = 0.5
CUSUM_LIMIT = 5.0
"""Chosen as the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 and 6.3.2.4, advises."""
REFERENCE_PERIODS = 60
"""Periods at the begin of each stretch whose median is the charts' centre."""
BAND = 1.96


def present_level(evidence: Evidence) -> float:
    """Mean level at the last period over all stories, % of shutdown."""
    mixture = evidence.mixture
    return float(mixture.weight @ mixture.level)


def fitted_of(side: Side, evidence: Evidence, onset: int | None) -> Fitted:
    """Arrays for plots.

    Args:
        side: For the scale.
        evidence: What the periods say.
        onset: Index (among the used) at which creep began that is no bend among the knots; None = no such.
    """
    nm = side.shutdown_nm / 100.0
    value = evidence.cleaned.value
    steps = [*evidence.given, *(k.at for k in evidence.knots if k.kind == STEP)]
    bends = [k.at for k in evidence.knots if k.kind == BEND]
    if onset is not None and not any(abs(onset - b) < 20 for b in bends):
        bends.append(onset)
    line = np.interp(evidence.series.t, evidence.white.t, level_line(evidence.white, steps, bends))
    half = BAND * evidence.noise.sigma
    ewma, high, low = _charts(evidence, steps)
    return Fitted(
        side.days.utc_ms[evidence.series.row], value * nm, line * nm, (line - half) * nm, (line + half) * nm,
        ewma[0] * nm, ewma[1] * nm, ewma[2] * nm, high, low, evidence.cleaned.event, CUSUM_LIMIT,
    )  # fmt: skip


def _charts(evidence: Evidence, steps: list[int]) -> tuple[tuple[Floats, Floats, Floats], Floats, Floats]:
    """Both charts, begun anew at each step; sigma is widened for serial correlation, or they would signal too often."""
    value = np.where(evidence.cleaned.event, np.nan, evidence.cleaned.value)
    n = len(value)
    rho = evidence.noise.rho
    sigma = evidence.noise.sigma * float(np.sqrt((1.0 + rho) / (1.0 - rho)))
    out = np.zeros((5, n))
    edges = sorted({0, *(int(evidence.used[i]) for i in steps), n})
    for begin, end in pairwise(edges):
        part = value[begin:end]
        centre = float(np.nanmedian(part[:REFERENCE_PERIODS])) if np.isfinite(part[:REFERENCE_PERIODS]).any() else 0.0
        ewma = charts.ewma(part, EWMA_WEIGHT, centre, sigma, EWMA_WIDTH)
        cusum = charts.cusum((part - centre) / sigma, 0.0, CUSUM_SLACK, CUSUM_LIMIT)
        out[:, begin:end] = ewma.value, ewma.low, ewma.high, cusum.high, cusum.low
    return (out[0], out[1], out[2]), out[3], out[4]
