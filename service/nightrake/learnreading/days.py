"""One drive's days out of its summaries: what `learning.creep.judge` looks at, with what was met in reading.

A period is a day (UTC): at ten turns or more a day a part of a turn at its ends moves no quantile that matters (common
practice, no source); a slower rake has periods of as many days as make ten turns. A period in which the motor ran for
less than one turn, or a quarter of an hour, says nothing of the load and is left out.
"""

from __future__ import annotations

import math
from collections.abc import Set
from typing import NamedTuple

import numpy as np

from nightrake.domain.site import DriveSpec
from nightrake.history.basis import Basis
from nightrake.history.histogram import Floats
from nightrake.history.period import Period
from nightrake.history.rows import DAY_MS, HOUR_MS, Grain
from nightrake.history.summaries import Entry
from nightrake.learning.days import Side
from nightrake.learnreading.counts import Place, figures, while_running
from nightrake.learnreading.dayside import Read, Times, side_of
from nightrake.learnreading.told import Told
from nightrake.longterm.blocks import Damaged
from nightrake.longterm.summaryreading import SLICE_DAYS, SummaryReading

TURNS = 10
"""Turns of the output in a period at the least."""
LEAST_H = 0.25
"""Hours that the motor ran in a period at the least; a turn, where it is longer."""
COVERED = ("drive.covered_ns", "drive.good_ns", "drive.running_ns")
NS_PER_H = 3.6e12
Dated = list[tuple[int, Entry]]
"""Where the hour or day begins (UTC ms), and what was counted."""


class _Days(NamedTuple):
    """Some days as they are kept: counts, and times by day."""

    entries: Dated
    times: dict[int, Times]


class DayReading:
    """Reads one drive.

    Args:
        summaries: The site's. spec: The drive, by the settings of now. told: What the journal says of it.
        now_utc_ms: What lies behind it is left out: a clock was ahead.
    """

    def __init__(self, summaries: SummaryReading, spec: DriveSpec, told: Told, now_utc_ms: int) -> None:
        self._summaries, self._spec, self._told, self._now_ms = summaries, spec, told, now_utc_ms
        self._step = max(1, math.ceil(TURNS * spec.turn_ns / (DAY_MS * 1_000_000)))
        self._left = {hour for begin, end in told.left_out for hour in range(begin // HOUR_MS, -(-end // HOUR_MS))}

    def sides(self, period: Period) -> list[Side]:
        """Every direction that the device senses, periods in order of time.

        Raises:
            StoreError: The history cannot be read. A damaged day is a sentence.
        """
        span = self._summaries.span(self._spec.id, Grain.DAY)
        low, high = span if span is not None else (0, 0)
        begin, end = max(period.from_ms, low) // DAY_MS, -(-min(period.to_ms, high, self._now_ms) // DAY_MS)
        read = Read(self._step, max(LEAST_H, self._spec.turn_ns / NS_PER_H), begin, max(begin, end))
        read.ahead_days = max(0, high // DAY_MS - -(-self._now_ms // DAY_MS)) if period.to_ms > self._now_ms else 0
        length = max(1, SLICE_DAYS // self._step) * self._step
        for day in range(begin // self._step * self._step, end, length):
            self._slice(max(day, begin), min(day + length, end), read)
        read.bases = self._bases(read)
        hours = self._by_hour(read)
        return [side_of(self._spec, side, self._told, read, hours[side]) for side in self._spec.directions]

    def _slice(self, low: int, high: int, read: Read) -> None:
        """Take some days in."""
        touched = {hour // 24 for hour in self._left if low <= hour // 24 < high}
        days = self._days(low, high, touched, read)
        for day in sorted(touched):
            self._without(day, days, read)
        read.days |= days.times.keys()
        places = [Place(at // DAY_MS // self._step, entry) for at, entry in days.entries]
        for day, hours in days.times.items():
            at = day // self._step
            held = read.times.get(at, Times(0.0, 0.0, 0.0))
            read.times[at] = Times(*(a + b for a, b in zip(held, hours, strict=True)))
        chosen = while_running(places)
        read.unknown |= chosen.unknown
        bases = self._summaries.bases({place.entry.basis for place in chosen.places})
        read.found.append(figures(chosen.places, bases))
        for place in chosen.places:
            read.used.setdefault((place.period, place.entry.side), set()).add(place.entry.basis)

    def _days(self, low: int, high: int, without: Set[int], read: Read) -> _Days:
        """Days but for some; a damaged one is noted and left out."""
        try:
            entries = self._summaries.entries(self._spec.id, low, high, Grain.DAY)
            times = self._times(Grain.DAY, low, high)
        except Damaged as fault:
            if high - low == 1:
                read.damaged[low] = str(fault)
                return _Days([], {})
            middle = (low + high) // 2
            first, second = (self._days(a, b, without, read) for a, b in ((low, middle), (middle, high)))
            return _Days(first.entries + second.entries, first.times | second.times)
        kept = [(at, entry) for at, entry in entries if at // DAY_MS not in without]
        return _Days(kept, {at // DAY_MS: hours for at, hours in times.items() if at // DAY_MS not in without})

    def _times(self, grain: Grain, low: int, high: int) -> dict[int, Times]:
        """Hours covered, read well and run of each row that was read at all, by where it begins (UTC ms)."""
        found = {}
        for rows in self._summaries.rows(self._spec.id, grain, COVERED, low * DAY_MS, high * DAY_MS):
            columns = [(rows.table[name] / NS_PER_H).tolist() for name in COVERED]
            for at, *hours in zip(rows.utc_ms.tolist(), *columns, strict=True):
                if hours[0] > 0.0:
                    found[at] = Times(*hours)
        return found

    def _without(self, day: int, days: _Days, read: Read) -> None:
        """Add a day without the hours in which a function check ran or the position was out of service."""
        try:
            entries = self._summaries.entries(self._spec.id, day, day + 1, Grain.HOUR)
            times = self._times(Grain.HOUR, day, day + 1)
        except Damaged as fault:
            read.damaged[day] = str(fault)
            return
        days.entries.extend((day * DAY_MS, entry) for at, entry in entries if at // HOUR_MS not in self._left)
        kept = [hours for at, hours in times.items() if at // HOUR_MS not in self._left]
        read.left_h += len(times) - len(kept)
        if kept:
            days.times[day] = Times(*(sum(column) for column in zip(*kept, strict=True)))

    def _bases(self, read: Read) -> dict[str, Basis]:
        """Every basis that was used, and the hour in which it came."""
        first: dict[tuple[int, str], int] = {}
        for (period, side), digests in read.used.items():
            for digest in digests:
                key = (side, digest)
                first[key] = min(first.get(key, period), period)
        read.since = {key: self._since(period, *key) for key, period in first.items()}
        return self._summaries.bases({digest for _, digest in first})

    def _since(self, period: int, side: int, digest: str) -> int:
        """The hour in which a basis was first used."""
        low = period * self._step
        try:
            entries = self._summaries.entries(self._spec.id, low, low + self._step, Grain.HOUR)
        except Damaged:
            entries = []
        return next((at for at, e in entries if (e.side, e.basis) == (side, digest)), low * DAY_MS)

    def _by_hour(self, read: Read) -> dict[str, dict[int, Floats]]:
        """Medians by hour of the day, UTC, for periods of one day; a damaged stretch has none."""
        found: dict[str, dict[int, Floats]] = {str(side): {} for side in self._spec.directions}
        if self._step > 1 or read.begin >= read.end:
            return found
        names = {
            (str(side), group): f"{side}.{group}.median_nm"
            for side in self._spec.directions
            for group in ("running", "all")
        }
        for begin in range(read.begin, read.end, SLICE_DAYS):
            end = min(begin + SLICE_DAYS, read.end)
            try:
                slices = list(
                    self._summaries.rows(self._spec.id, Grain.HOUR, list(names.values()), begin * DAY_MS, end * DAY_MS)
                )
            except Damaged:
                continue
            for rows in slices:
                left = np.isin(rows.utc_ms // HOUR_MS, list(self._left))
                days = (rows.utc_ms[::24] // DAY_MS).tolist()
                for (side, group), name in names.items():
                    table = np.where(left, np.nan, rows.table[name]).reshape(-1, 24)
                    mine = [row for row, day in enumerate(days) if (group == "all") == (day in read.unknown)]
                    found[side] |= {days[row]: table[row] for row in mine}
        return found
