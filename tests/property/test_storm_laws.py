"""Storms of rows: whatever changes how often, an hour of it is a bounded number of rows, and the last word holds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.domain.chatter import FORGET_NS, LONGEST_NS, SITE_SINGLY, Tallies, bound, key_of
from nightrake.domain.inputs import LinkHealth
from nightrake.domain.rows import Entry
from works import MS, SECOND, Works, rake, site_of

HOUR_S = 3600
COUNTS = 24
"""Rows of one thing in an hour beyond those of the site's allowance: the first two, and what counts the rest."""
EVENTS = ("alarm_operated", "alarm_released", "shutdown_operated", "shutdown_released", "link_down", "quality_changed")


class Storm:
    """Entries with numbers through `bound`: what was told of them."""

    def __init__(self) -> None:
        self.tallies: Tallies = {}
        self.now_ns = 0
        self.given: dict[str, list[int]] = {}
        self.told: list[Entry] = []
        self.latched: list[int] = []
        self.number = 0

    def step(self, after_ns: int, things: Sequence[tuple[str, str, bool]]) -> None:
        """Time passes, then some things change at once: (event, drive, whether its shutdown latches)."""
        self.now_ns += after_ns
        entries = []
        for event, drive, latches in things:
            self.number += 1
            entry = Entry("drive", event, drive, "forward", {"number": self.number})
            self.given.setdefault(key_of(entry), []).append(self.number)
            entries.append(entry)
            if latches and event == "shutdown_operated":
                self.latched.append(self.number)
                entries.append(Entry("alarm", "raised", drive, "", {"alarm": f"{drive}/forward/shutdown_contact"}))
        self.tallies, told, _ = bound(self.tallies, entries, self.now_ns)
        self.told += told

    def end(self) -> None:
        """Quiet for longer than anything is waited for."""
        self.step(LONGEST_NS, ())
        self.step(FORGET_NS, ())

    @property
    def words(self) -> list[tuple[str, int, int]]:
        """Of each row but the alarms': key, number of the entry that it tells of last, how many it tells of."""
        found = []
        for entry in self.told:
            if entry.kind == "alarm":
                continue
            data: dict[str, Any] = dict(entry.data.get("last_data", entry.data))
            name = entry._replace(event=str(entry.data.get("last", entry.event)), data=data)
            found.append((key_of(name), int(data["number"]), int(entry.data.get("events", 0))))
        return found


THINGS = st.tuples(st.sampled_from(EVENTS), st.sampled_from(["A", "B", "C"]), st.booleans())
STEPS = st.lists(
    st.tuples(
        st.sampled_from([1, 100, 900, 4_000, 6_000, 31_000, 61_000, 301_000, 4_000_000]),
        st.lists(THINGS, max_size=4),
        st.integers(1, 60),
    ),
    max_size=12,
)


@given(STEPS)
def test_last_word_on_everything_is_what_holds(steps: list[tuple[int, list[tuple[str, str, bool]], int]]) -> None:
    """What is told of a thing comes in order, ends with the last of it, and leaves nothing behind."""
    storm = Storm()
    for after_ms, things, times in steps:
        for _ in range(times):
            storm.step(after_ms * MS, things)
    storm.end()

    last: dict[str, int] = {}
    for key, number, _ in storm.words:
        assert number > last.get(key, 0), "told out of order, or twice"
        last[key] = number
    assert last == {key: numbers[-1] for key, numbers in storm.given.items()}
    assert storm.tallies == {}


@given(STEPS)
def test_shutdown_that_latches_is_always_told_singly(steps: list[tuple[int, list[tuple[str, str, bool]], int]]) -> None:
    """However often, and whatever else comes with it."""
    storm = Storm()
    for after_ms, things, times in steps:
        for _ in range(times):
            storm.step(after_ms * MS, things)

    singly = {e.data["number"] for e in storm.told if "number" in e.data}
    assert set(storm.latched) <= singly
    assert sum(e.kind == "alarm" for e in storm.told) == len(storm.latched)


@pytest.mark.parametrize("period_s", [2, 7, 31, 65, 310, 700])
def test_hour_of_a_storm_is_a_bounded_number_of_rows(period_s: int) -> None:
    """Two hundred drives that change at any pace: what is bounded, is so for the site."""
    storm, drives = Storm(), [f"D{n}" for n in range(200)]
    for number in range(HOUR_S // period_s):
        what = ("shutdown_operated", "shutdown_released")[number % 2]
        storm.step(period_s * SECOND, [(what, d, False) for d in drives])

    assert len(storm.told) <= 60 * 2 * SITE_SINGLY + COUNTS * len(drives)
    if period_s == 2:
        assert len(storm.told) <= SITE_SINGLY + 9 * len(drives)


def test_storm_over_two_thousand_drives_is_bounded_too() -> None:
    """Ten times the drives: their first rows and their counts, and nothing for how often they change."""
    storm, drives = Storm(), [f"D{n}" for n in range(2000)]
    for number in range(HOUR_S // 40):
        storm.step(40 * SECOND, [(("alarm_operated", "alarm_released")[number % 2], d, False) for d in drives])

    assert len(storm.told) <= 3 * SITE_SINGLY + 10 * len(drives)


def test_link_of_a_large_plc_that_flaps_is_a_few_rows() -> None:
    """Fifty drives on one PLC that is gone every other second: each drive's quality is told, and the link counted."""
    works = Works(site_of(*(rake(f"D{n}", unit=n + 1) for n in range(50))))
    works.scan(0)
    works.scan(1000)
    every = range(len(works.plans["P"].blocks))
    for number in range(120):
        up = number % 2 == 1
        works.scan(2000, bad=() if up else every)
        works.give(LinkHealth(works.now_ns, works.utc_ms, "plc:P", up, "" if up else "no reply within 1 s"))
        works.tick(0)

    assert len(works.told("quality_changed")) <= 2 * 50
    assert len(works.entries) <= 4 * 50 + 40
