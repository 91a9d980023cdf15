"""What was read of a drive's days -> one direction as learning wants it, and sentences on what was met. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import NamedTuple

import numpy as np

from nightrake.domain.site import Direction, DriveSpec, Stage
from nightrake.history.basis import SIDES, Basis
from nightrake.history.histogram import Floats
from nightrake.history.rows import DAY_MS
from nightrake.learning.days import MIXED, Days, Known, Record, Side
from nightrake.learnreading.counts import QUANTILES, Found
from nightrake.learnreading.told import Told

LOW, MEDIAN, HIGH, UPPER = range(len(QUANTILES))
GAP_DAYS = 3
"""A stretch of so many days without a reading is named."""
NAMED = 3
"""Gaps that are named at most, the longest."""


class Times(NamedTuple):
    """Hours of a period: covered by readings, in which all of the drive was read well, in which the motor ran."""

    covered_h: float
    good_h: float
    running_h: float


class Read:
    """What was read of a drive, period by period.

    Args:
        step: Days in a period. least_h: Hours that it has to run in one. begin, end: Days since 1970, the last not
            included.

    Attributes:
        found: Figures, in slices. times: By period. used: Digests of bases by period and side. unknown: Periods of
            which nobody knows whether the motor ran. days: Those of which anything was read. damaged: Why, by day.
        left_h: Hours left out. ahead_days: Days behind now. since: (side, digest) -> hour of first use, UTC ms.
        bases: By digest.
    """

    def __init__(self, step: int, least_h: float, begin: int, end: int) -> None:
        self.step, self.least_h, self.begin, self.end = step, least_h, begin, end
        self.found: list[Found] = []
        self.times: dict[int, Times] = {}
        self.used: dict[tuple[int, int], set[str]] = {}
        self.unknown: set[int] = set()
        self.days: set[int] = set()
        self.damaged: dict[int, str] = {}
        self.left_h = 0.0
        self.ahead_days = 0
        self.since: dict[tuple[int, str], int] = {}
        self.bases: dict[str, Basis] = {}


class _Made(NamedTuple):
    """Periods as they were made: the days, those that were left out as too short, and those without a torque."""

    days: Days
    periods: list[int]
    short: int
    absent: int


def side_of(spec: DriveSpec, direction: Direction, told: Told, read: Read, hours: Mapping[int, Floats]) -> Side:
    """One direction of a drive.

    Args:
        spec: By the settings of now, for the set points. hours: Medians by hour of the day, by period.
    """
    side = SIDES.index(direction)
    records, known, sentences = _records(read, side)
    made = _made(read, side, records)
    known += [Known(event.utc_ms, event.why) for event in told.events]
    sentences = [*_met(spec, read, made), *sentences, *told.sentences]
    by_hour = np.array([hours.get(p, _NO_HOURS) for p in made.periods]).reshape(-1, 24) if hours else None
    if by_hour is not None:  # what is not above the limit is censored
        by_hour = np.where(by_hour > made.days.below_nm[:, None] * 1.000001, by_hour, np.nan)
    return Side(
        spec.id,
        str(direction),
        made.days,
        spec.set_point_nm(direction, Stage.ALARM),
        spec.set_point_nm(direction, Stage.SHUTDOWN),
        tuple(records),
        tuple(sorted(known)),
        tuple(sentences),
        by_hour,
    )


_NO_HOURS = np.full(24, np.nan)


# --- records ----------------------------------------------------------------------------------------------------------


def _records(read: Read, side: int) -> tuple[list[Record], list[Known], list[str]]:
    """Calibration records in the order in which they held, what changed with them, and sentences."""
    records: list[Record] = []
    known: list[Known] = []
    sentences: list[str] = []
    last: Basis | None = None
    for period in sorted(p for p, which in read.used if which == side):
        for digest in sorted(read.used[period, side], key=lambda d: read.since.get((side, d), 0)):
            basis = read.bases[digest]
            curve = basis.curves.get(SIDES[side])
            first_ms = read.since.get((side, digest), 0)
            at_ms = first_ms if first_ms // (DAY_MS * read.step) == period else period * read.step * DAY_MS
            if curve is not None and (not records or records[-1].digest != curve.digest):
                if records:
                    known.append(Known(at_ms, f"calibration record changed to {curve.ref}"))
                records.append(Record(curve.digest, curve.ref, at_ms))
            if last is not None and last.position != basis.position:
                known.append(Known(at_ms, "settings of the position signal changed"))
                sentences.append(
                    f"Scale, span or address of the position signal was changed on {_day(at_ms)}; each day's torque "
                    "is by the settings of that day"
                )
            last = basis
    return records, known, [f"{text}." for text in dict.fromkeys(sentences)]


# --- days -------------------------------------------------------------------------------------------------------------


def _made(read: Read, side: int, records: Sequence[Record]) -> _Made:
    rows, periods, absent = [], list[int](), 0
    whole: dict[int, int] = {}
    for found in read.found:
        for period, n, lost in zip(found.period.tolist(), found.n.tolist(), found.absent.tolist(), strict=True):
            whole[period] = whole.get(period, 0) + n + lost
    short = 0
    for found in read.found:
        for at in np.flatnonzero(found.side == side).tolist():
            period, n = int(found.period[at]), int(found.n[at])
            times = read.times.get(period, Times(0.0, 0.0, 0.0))
            hours = (times.covered_h if period in read.unknown else times.running_h) * n / max(1, whole[period])
            if not n:
                absent += 1
            elif hours < read.least_h:
                short += 1
            else:
                periods.append(period)
                rows.append(_row(read, side, records, found, at, times, hours))
    table = np.array(rows, np.float64).reshape(len(rows), len(Days._fields))
    return _Made(_days_of(table), periods, short, absent)


def _days_of(table: Floats) -> Days:
    """Columns of rows in the order of the fields; whole numbers among them fit a float."""
    utc_ms, span_ms, record = (table[:, at].astype(np.int64) for at in (0, 1, 10))
    h, median, upper, spread, limit, below, beyond, uncertain = (table[:, at].copy() for at in range(2, 10))
    return Days(utc_ms, span_ms, h, median, upper, spread, limit, below, beyond, uncertain, record)


def _row(
    read: Read, side: int, records: Sequence[Record], found: Found, at: int, times: Times, hours: float
) -> tuple[float, ...]:
    period, n = int(found.period[at]), int(found.n[at])
    quantiles = found.quantiles[:, at]
    curves = [read.bases[d].curves.get(SIDES[side]) for d in read.used[period, side]]
    held = {curve.digest: abs(curve.torque_nm[0]) for curve in curves if curve is not None}
    begin_ms = period * read.step * DAY_MS
    return (
        float(begin_ms),
        float(read.step * DAY_MS),
        hours,
        float(quantiles[MEDIAN]),
        float(quantiles[UPPER]),
        float(quantiles[HIGH] - quantiles[LOW]) / 2.0,
        max(held.values(), default=float("nan")),
        int(found.below[at]) / n,
        int(found.beyond[at]) / n,
        1.0 - min(1.0, times.good_h / times.covered_h) if times.covered_h else 0.0,
        float(_record_at(records, begin_ms, next(iter(held)))) if len(held) == 1 else float(MIXED),
    )


def _record_at(records: Sequence[Record], begin_ms: int, digest: str) -> int:
    """The last record of that content that came before the period's end."""
    mine = [i for i, r in enumerate(records) if r.digest == digest and (r.since_utc_ms <= begin_ms or i == 0)]
    return mine[-1] if mine else next(i for i, r in enumerate(records) if r.digest == digest)


# --- sentences --------------------------------------------------------------------------------------------------------


def _met(spec: DriveSpec, read: Read, made: _Made) -> Iterable[str]:
    """What reading met, a sentence each."""
    if not read.days:
        yield f"Nothing was read of {spec.id} in this time."
    else:
        yield from _gaps(read)
    if read.damaged:
        days = sorted(read.damaged)
        text = f"{_days(len(days))} cannot be read and {_are(len(days))} left out, the first {_day(days[0] * DAY_MS)}"
        yield f"{text}: {read.damaged[days[0]]}."
    if read.ahead_days:
        yield f"{_days(read.ahead_days)} behind now {_are(read.ahead_days)} left out: a clock was ahead."
    if read.left_h:
        yield f"{read.left_h:.0f} h of function checks, or with the position out of service, are left out."
    count = len(read.unknown)
    if spec.running is None and count:
        yield "There is no run feedback: readings at standstill are among those used."
    elif count:
        yield f"Whether the motor ran is not known of {_days(count * read.step)}; all readings of these are used."
    if made.short:
        text = f"{_days(made.short * read.step)} with less than {read.least_h:.2g} h of running in this direction"
        yield f"{text} {_are(made.short)} left out."
    if made.absent:
        yield f"No calibration record was in force on {_days(made.absent * read.step)}; they give no torque."
    if read.step > 1:
        yield f"The rake turns so slowly that {read.step} days are taken together."


def _gaps(read: Read) -> Iterable[str]:
    days = np.array(sorted(read.days))
    missing = int(days[-1] - days[0] + 1 - len(days)) - sum(days[0] < d < days[-1] for d in read.damaged)
    if missing <= 0:
        return
    jumps = np.flatnonzero(np.diff(days) > GAP_DAYS)
    longest = sorted(jumps.tolist(), key=lambda i: int(days[i] - days[i + 1]))[:NAMED]
    named = [f"{_day((days[i] + 1) * DAY_MS)} to {_day((days[i + 1] - 1) * DAY_MS)}" for i in sorted(longest)]
    more = f", among them {'; '.join(named)}" if named else ""
    yield f"Nothing was read on {_days(missing)} of {int(days[-1] - days[0] + 1)}{more}."


def _days(count: int) -> str:
    return f"{count} day" if count == 1 else f"{count} days"


def _are(count: int) -> str:
    return "is" if count == 1 else "are"


def _day(utc_ms: int) -> str:
    return f"{datetime.fromtimestamp(int(utc_ms) / 1000, UTC):%Y-%m-%d}"
