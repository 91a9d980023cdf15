"""The engine records on change: all is judged, what is left out takes no number, and the journal says when."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace

from clocks import ManualClock
from nightrake.clock import Segment
from nightrake.domain.inputs import RawScan, SettingsChanged
from nightrake.domain.onchangespec import OnChange
from nightrake.domain.pipeline import step
from nightrake.domain.rows import GENESIS, Entry, Row, TailRecord
from nightrake.domain.site import DriveSpec
from nightrake.domain.state import new_site
from nightrake.engine import Engine
from nightrake.kept import snapshot
from works import MS, Works, rake, site_of

BEGAN, ENDED = "recording_on_change_began", "recording_on_change_ended"


def on_change(spec: DriveSpec, band: float = 0.0) -> DriveSpec:
    """All of a drive on change."""
    return replace(spec, on_change={role: OnChange(band, 60_000 * MS) for role in spec.points()})


class Shelf:
    """A keeper that keeps what this is about."""

    def __init__(self) -> None:
        self.rows: list[Row] = []
        self.tail: list[TailRecord] = []
        self.layouts: list[str] = []
        self.snapshots: list[int] = []

    def append(self, rows: Sequence[Row], states: Mapping[str, bytes], tail: Sequence[TailRecord]) -> None:
        self.rows += rows
        self.tail += tail

    def put_layout(self, layout: str, content: str) -> None:
        self.layouts.append(layout)

    def put_segment(self, boot_id: str, start_mono_ns: int, start_utc_ms: int, trusted: bool) -> None:
        raise AssertionError("the clock is not touched here")

    def put_snapshot(self, input_seq: int, utc_ms: int, payload: bytes) -> None:
        self.snapshots.append(input_seq)


class Desk:
    """An engine over one drive."""

    def __init__(self, clock: ManualClock, spec: DriveSpec) -> None:
        self.clock, self.shelf, self.works = clock, Shelf(), Works(site_of(spec))
        self.engine = Engine(
            new_site(self.works.site),
            self.shelf,
            clock,
            epoch="e",
            next_seq=1,
            last_hash=GENESIS,
            next_input_seq=1,
            segment=Segment("boot", clock.mono_ns(), clock.utc_ms(), True),
            trusted=lambda: True,
            tellable=lambda: 10_000,
            tell=lambda row, durable: None,
            changed=lambda drives: None,
        )
        self.scans: list[RawScan] = []
        self.works.give = self._give  # type: ignore[assignment, method-assign]

    def _give(self, scan: RawScan) -> None:
        self.scans.append(scan)
        self.engine.submit(scan)

    def scan(self, seconds: float = 1.0) -> None:
        """Time goes on, then all is read."""
        self.clock.advance(seconds)
        self.works.now_ns, self.works.utc_begin_ms = self.clock.mono_ns(), 0
        self.works.utc_begin_ms = self.clock.utc_ms() - self.works.now_ns // MS
        self.works.scan(0)

    def take(self, spec: DriveSpec) -> None:
        """Other settings."""
        site = replace(site_of(spec), digest=str(len(self.shelf.rows)) * 64)
        self.engine.submit(SettingsChanged(self.clock.mono_ns(), self.clock.utc_ms(), site))

    def told(self) -> list[str]:
        """Events about recording."""
        return [row.event for row in self.shelf.rows if row.kind == "history"]


def test_what_is_not_recorded_is_judged_and_takes_no_number(manual_clock: ManualClock) -> None:
    """The state is that of a site that records all; numbers have no hole; every row's input is in the tail, whole."""
    desk = Desk(manual_clock, on_change(rake("D"), band=2.0))
    for second in range(100):
        desk.works.set("D", "position", 10_000 + 15 * second)
        if second in (40, 70):
            desk.works.operate("D", "shutdown/A", second == 40)
        desk.scan()

    state = new_site(desk.works.site)
    for scan in desk.scans:
        state, _ = step(state, scan)
    assert snapshot(state) == snapshot(desk.engine.state)
    tail = {record.seq: record for record in desk.shelf.tail}
    assert sorted(tail) == list(range(1, len(tail) + 1))
    assert len(tail) < 20
    assert desk.engine.last_input_seq == len(tail)
    assert desk.engine.counts["inputs"] == 100
    told = [row for row in desk.shelf.rows if row.input_seq]
    assert {"shutdown_operated", "shutdown_released"} <= {row.event for row in told}
    for row in told:
        assert tail[row.input_seq].mono_ns == row.mono_ns
        whole = next(s for s in desk.scans if s.mono_ns == row.mono_ns)
        assert len(tail[row.input_seq].payload) == sum(15 + len(b.data) for b in whole.blocks)
    assert desk.shelf.layouts == [desk.scans[0].plan.layout]


def test_everything_is_recorded_by_default(manual_clock: ManualClock) -> None:
    """Without the setting each scan is there, and no row says a word of it."""
    desk = Desk(manual_clock, rake("D"))
    desk.engine.begin()
    for _ in range(10):
        desk.scan()
    assert len(desk.shelf.tail) == 10
    assert desk.told() == []


def test_journal_says_from_when_to_when(manual_clock: ManualClock) -> None:
    """On by a reload, another band, off: a row each; a replay can begin right behind the end."""
    desk = Desk(manual_clock, rake("D"))
    desk.engine.begin()
    desk.scan()
    desk.take(on_change(rake("D")))
    assert desk.told() == [BEGAN]
    desk.take(replace(on_change(rake("D")), name="another"))
    assert desk.told() == [BEGAN]
    desk.take(on_change(rake("D"), band=1.0))
    assert desk.told() == [BEGAN, BEGAN]
    assert desk.shelf.snapshots == [0]
    desk.take(rake("D"))
    assert desk.told() == [BEGAN, BEGAN, ENDED]
    assert desk.shelf.snapshots == [0, desk.engine.last_input_seq]
    assert desk.shelf.tail[-1].kind == "settings"
    data = json.loads(next(row.payload for row in desk.shelf.rows if row.event == ENDED))
    assert data["points"] == 4
    assert "D position" in data["names"]


def test_reload_begins_anew_with_all_that_is_read(manual_clock: ManualClock) -> None:
    """What was last recorded under other settings bounds nothing under these."""
    desk = Desk(manual_clock, on_change(rake("D")))
    desk.scan()
    desk.scan()
    before = len(desk.shelf.tail)
    desk.take(on_change(rake("D"), band=3.0))
    desk.scan()
    assert [record.kind for record in desk.shelf.tail[before:]] == ["settings", "scan"]


def test_start_tells_only_what_the_journal_does_not_say_yet(manual_clock: ManualClock) -> None:
    """Settings may change while nothing runs; the row of the start comes first."""
    spec, started = on_change(rake("D")), Entry("service", "started", "", "", {})
    first = Desk(manual_clock, spec)
    first.engine.begin(started)
    assert [row.event for row in first.shelf.rows] == ["started", BEGAN]
    said = json.loads(first.shelf.rows[1].payload)
    second = Desk(manual_clock, spec)
    second.engine.begin(started, on_change=said)
    assert [row.event for row in second.shelf.rows] == ["started"]
    third = Desk(manual_clock, rake("D"))
    third.engine.begin(started, on_change=said)
    assert [row.event for row in third.shelf.rows] == ["started", ENDED]
    assert json.loads(third.shelf.rows[1].payload) == said
