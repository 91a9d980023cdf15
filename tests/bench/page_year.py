"""A year of one drive's summaries, put into the history of a watch that has not been started yet."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np

from nightrake.history.basis import FORWARD, basis_of
from nightrake.history.histogram import histogram
from nightrake.history.kept import HourBytes
from nightrake.history.rows import DAY_MS, Grain, Table, blank, columns_of
from nightrake.history.summaries import RUNNING, Entry
from nightrake.longterm.summaries import SummaryWriting
from nightrake.longterm.writing import Writing
from nightrake.settings import load

DAYS = 365
MINUTES, HOURS = 1_440, 24
READINGS = 60
"""Of a minute."""
SECOND_NS = 1_000_000_000


def write_year(site: Path, state: Path, drive: str) -> None:
    """Minutes and hours of the year before today; every day is another.

    Args:
        site: Settings folder. state: Where the watch will keep its history. drive: Of which.
    """
    spec = load(site).site.drives[drive]
    basis = basis_of(spec)
    assert basis is not None, f"{drive} has no calibration"
    columns = columns_of(list(spec.directions))
    counts = (Entry(basis.digest, FORWARD, RUNNING, histogram(np.array([2_000, 2_001]))),)
    chance = np.random.default_rng(7)
    today = time.time_ns() // 1_000_000 // DAY_MS
    state.mkdir(exist_ok=True)
    writing = Writing(state, today * DAY_MS)
    writing.begin("before", 1, today * DAY_MS)
    summaries = SummaryWriting(writing.db)
    for day in range(today - DAYS, today):
        minutes = day_of(columns, Grain.MINUTE, day, chance)
        hours = {}
        for hour in range(HOURS):
            some = {name: column[hour * 60 : hour * 60 + 60] for name, column in minutes.items()}
            hours[hour] = HourBytes(some, together(columns, some), counts)
        writing.db.execute("begin immediate")
        summaries.put_day(drive, day, hours, {basis.digest: basis})
        writing.db.execute("commit")
    writing.close()


def day_of(columns: list[str], grain: Grain, day: int, chance: np.random.Generator) -> Table:
    """A day's minutes: a slow swing, the year's and the day's, and noise; N.m."""
    table = blank(columns, grain, MINUTES)
    at = np.arange(MINUTES)
    mean = 18_000 + 4_000 * np.sin(day / 58) + 3_000 * np.sin(at / 229) + chance.uniform(-400, 400, MINUTES)
    table["drive.readings"][:] = READINGS
    table["forward.all.n"][:] = READINGS
    table["drive.running_ns"][:] = 60 * SECOND_NS
    table["forward.time.normal_ns"][:] = 60 * SECOND_NS
    table["forward.all.mean_nm"][:] = mean
    table["forward.all.min_nm"][:] = mean - chance.uniform(50, 900, MINUTES)
    table["forward.all.max_nm"][:] = mean + chance.uniform(50, 900, MINUTES)
    return table


def together(columns: list[str], minutes: Table) -> Table:
    """Minutes as one hour."""
    hour = blank(columns, Grain.HOUR, 1)
    for name, column in minutes.items():
        if name.endswith("min_nm"):
            hour[name][0] = column.min()
        elif name.endswith("max_nm"):
            hour[name][0] = column.max()
        elif name.endswith("mean_nm"):
            hour[name][0] = column.mean()
        elif name in hour:
            hour[name][0] = column.sum()
    return hour
