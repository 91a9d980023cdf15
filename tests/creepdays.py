"""Days of a drive as learning gets them, made to measure, for tests of the judgement of creep."""

from __future__ import annotations

import numpy as np

from nightrake.learning.days import DAY_MS, Days, Floats, Known, Record, Side

FIRST_MS = 19_723 * DAY_MS
"""Monday 1 January 2024."""
SHUTDOWN_NM = 200_000.0
SPREAD = 3.0
"""Of readings within a day, % of shutdown."""


def noise(n: int, seed: int, sigma: float = 1.0, rho: float = 0.4) -> Floats:
    """Serially correlated scatter of daily medians, % of shutdown."""
    fresh = np.random.default_rng(seed).normal(0.0, sigma * np.sqrt(1 - rho * rho), n)
    out = np.empty(n)
    last = 0.0
    for i, value in enumerate(fresh.tolist()):
        last = out[i] = rho * last + value
    return out


def days_of(percent: Floats, scale: float = SHUTDOWN_NM / 100.0) -> Days:
    """One day for each value, % of shutdown; the motor ran all day and nothing is below preload."""
    n = len(percent)
    zero = np.zeros(n)
    return Days(
        FIRST_MS + np.arange(n, dtype=np.int64) * DAY_MS,
        np.full(n, DAY_MS, dtype=np.int64),
        np.full(n, 24.0),
        percent * scale,
        (percent + 1.645 * SPREAD) * scale,
        np.full(n, SPREAD * scale),
        np.full(n, 5.0 * scale),
        zero,
        zero,
        zero,
        np.zeros(n, dtype=np.int64),
    )


def side_of(
    days: Days,
    alarm: float = 70.0,
    known: tuple[Known, ...] = (),
    records: int = 1,
    shutdown_nm: float = SHUTDOWN_NM,
) -> Side:
    """A side with these days; the alarm is set at a share of shutdown, %."""
    names = tuple(Record(f"{i}" * 64, f"record {i}", FIRST_MS) for i in range(records))
    return Side("PC1", "forward", days, alarm / 100 * shutdown_nm, shutdown_nm, names, known, ())


def end_ms(days: Days) -> int:
    """The moment at which the last day is over."""
    return int(days.utc_ms[-1] + days.span_ms[-1]) if len(days.utc_ms) else FIRST_MS
