"""The engine: order, numbers and chain; told when durable, or after a second without; clock steps and gaps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from clocks import ManualClock
from nightrake.alarms.book import is_latched
from nightrake.clock import Segment
from nightrake.domain.inputs import Command, Tick
from nightrake.domain.pipeline import step
from nightrake.domain.readplan import split
from nightrake.domain.rows import GENESIS, Entry, Row, TailRecord
from nightrake.domain.state import new_site
from nightrake.engine import Engine
from nightrake.journal.chain import verify
from nightrake.kept import from_snapshot, restore, snapshot
from works import lone_rake


class Shelf:
    """A keeper that keeps everything in lists and commits nothing by itself."""

    def __init__(self) -> None:
        self.rows: list[Row] = []
        self.states: dict[str, bytes] = {}
        self.tail: list[TailRecord] = []
        self.layouts: dict[str, str] = {}
        self.put: list[str] = []
        self.segments: list[tuple[str, int, int, bool]] = []
        self.snapshots: list[bytes] = []

    def append(self, rows: Sequence[Row], states: Mapping[str, bytes], tail: Sequence[TailRecord]) -> None:
        self.rows += rows
        self.states.update(states)
        self.tail += tail

    def put_layout(self, layout: str, content: str) -> None:
        self.layouts[layout] = content
        self.put.append(layout)

    def put_segment(self, boot_id: str, start_mono_ns: int, start_utc_ms: int, trusted: bool) -> None:
        self.segments.append((boot_id, start_mono_ns, start_utc_ms, trusted))

    def put_snapshot(self, input_seq: int, utc_ms: int, payload: bytes) -> None:
        self.snapshots.append(payload)


class Desk:
    """An engine over one drive, with what it told and changed."""

    def __init__(self, clock: ManualClock, tellable: int = 1_000) -> None:
        self.works = lone_rake()
        self.clock, self.shelf = clock, Shelf()
        self.told: list[tuple[int, bool]] = []
        self.changed: list[str] = []
        self.engine = Engine(
            new_site(self.works.site),
            self.shelf,
            clock,
            epoch="e",
            next_seq=101,
            last_hash=GENESIS,
            next_input_seq=7,
            segment=Segment("boot", clock.mono_ns(), clock.utc_ms(), True),
            trusted=lambda: True,
            tellable=lambda: tellable,
            tell=lambda row, durable: self.told.append((row.seq, durable)),
            changed=self.changed.extend,
        )
        self.works.give = self.engine.submit  # type: ignore[method-assign]

    def scan(self) -> None:
        """A quarter of a second on, one scan."""
        self.clock.advance(0.25)
        self.works.now_ns = self.clock.mono_ns()
        self.works.utc_begin_ms = self.clock.utc_ms() - self.works.now_ns // 1_000_000
        self.works.scan(0)


def test_rows_are_numbered_chained_and_told_once_when_durable(manual_clock: ManualClock) -> None:
    """Nothing is told before its commit; then everything up to it, in order, once."""
    desk = Desk(manual_clock)
    desk.scan()
    desk.works.operate("D", "shutdown/A")
    desk.scan()
    seqs = [r.seq for r in desk.shelf.rows]
    assert seqs == list(range(101, 101 + len(seqs)))
    assert len(seqs) >= 3
    assert verify(desk.shelf.rows) == []
    assert desk.told == []

    desk.engine.durable(seqs[1])
    desk.engine.durable(seqs[1])
    desk.engine.durable(seqs[-1])

    assert desk.told == [(n, True) for n in seqs]
    assert desk.changed[-1] == "D"


def test_row_whose_commit_hangs_is_told_after_a_second_undurably(manual_clock: ManualClock) -> None:
    """A dead disk silences nobody; the row's later commit does not tell it again."""
    desk = Desk(manual_clock)
    desk.scan()
    desk.works.operate("D", "shutdown/A")
    desk.scan()
    last = desk.engine.last_seq
    for _ in range(9):
        manual_clock.advance(0.1)
        desk.engine.tick()
    assert desk.told == []

    for _ in range(3):
        manual_clock.advance(0.1)
        desk.engine.tick()
    desk.engine.durable(last)

    assert {durable for _, durable in desk.told} == {False}
    assert len(desk.told) == len({seq for seq, _ in desk.told})


def test_dead_disk_with_no_number_left_silences_nobody(manual_clock: ManualClock) -> None:
    """Beyond the numbers set aside on disk, ids under the store's own epoch could recur: they get another one."""
    desk = Desk(manual_clock, tellable=101)
    desk.scan()
    desk.works.operate("D", "shutdown/A")
    desk.scan()
    for _ in range(12):
        manual_clock.advance(0.1)
        desk.engine.tick()

    rows = desk.shelf.rows
    assert [seq for seq, _ in desk.told] == [r.seq for r in rows]
    assert {r.epoch for r in rows if r.seq <= 101} == {"e"}
    (beyond,) = {r.epoch for r in rows if r.seq > 101}
    assert beyond not in ("", "e")
    assert verify(rows) == []
    assert any(r.event == "shutdown_operated" for r in rows if r.seq > 101)


def test_tick_that_changes_nothing_is_not_kept(manual_clock: ManualClock) -> None:
    """It would replay to nothing; every scan is kept."""
    desk = Desk(manual_clock)
    desk.scan()
    desk.scan()
    manual_clock.advance(0.1)
    desk.engine.tick()  # the first one finds out when the next thing is due
    kept = len(desk.shelf.tail)
    for _ in range(5):
        manual_clock.advance(0.1)
        desk.engine.tick()

    assert len(desk.shelf.tail) == kept == 3
    assert [r.seq for r in desk.shelf.tail] == [7, 8, 9]
    assert len(desk.shelf.layouts) == 1


def test_plan_is_kept_each_time_it_comes_into_force(manual_clock: ManualClock) -> None:
    """The store forgets plans of which no scan is left: one that holds again must be there again, and only then."""
    desk = Desk(manual_clock)
    whole = desk.works.plans["P"]
    for plan in (whole, whole, split(whole, whole.blocks[:1]), whole):
        desk.works.plans["P"] = plan
        desk.scan()

    assert desk.shelf.put == [whole.layout, split(whole, whole.blocks[:1]).layout, whole.layout]


def test_clock_set_back_an_hour_begins_a_segment_and_keeps_the_order(manual_clock: ManualClock) -> None:
    """Numbers go on rising; the step is a row and a segment; durations notice nothing."""
    desk = Desk(manual_clock)
    desk.scan()
    desk.engine.tick()
    manual_clock.step_utc(-3600.0)
    manual_clock.advance(0.1)

    desk.engine.tick()
    desk.works.operate("D", "alarm/A")
    desk.scan()

    (step,) = [r for r in desk.shelf.rows if r.event == "clock_stepped"]
    assert b'"by_s":-3600.' in step.payload
    assert len(desk.shelf.segments) == 1
    seqs = [r.seq for r in desk.shelf.rows]
    assert seqs == sorted(seqs)
    assert desk.shelf.rows[-1].utc_ms < step.utc_ms + 1000


def test_time_that_nobody_watched_is_a_gap(manual_clock: ManualClock) -> None:
    """A loop that stood still for ten seconds says so."""
    desk = Desk(manual_clock)
    desk.engine.tick()
    manual_clock.advance(10.0)
    desk.engine.tick()

    (gap,) = [r for r in desk.shelf.rows if r.event == "gap"]
    assert b'"seconds":10.0' in gap.payload


def test_states_come_back_with_latch_and_memory_but_without_readings(manual_clock: ManualClock) -> None:
    """What a restart restores: the latch, the last known state; never a reading."""
    desk = Desk(manual_clock)
    desk.scan()
    desk.works.operate("D", "shutdown/A")
    desk.scan()

    state, unfit = restore(new_site(desk.works.site), desk.shelf.states, 5, 5)

    assert unfit == []
    assert is_latched(state.alarms.book, "D", "forward")
    kept = state.drives["D"]
    assert {s.operated for s in kept.protection.stages} == {0, 1}
    assert not any(s.known for s in kept.protection.stages)
    assert all(isinstance(v, str) for v in kept.raws)
    damaged = restore(new_site(desk.works.site), {"drive:D": b"{}", "alarms:D": b"["}, 5, 5)
    assert damaged[1] == ["alarms:D", "drive:D"]


def test_snapshot_comes_back_as_it_was(manual_clock: ManualClock) -> None:
    """A replay can begin at a snapshot: drives, latches and last replies are the same."""
    desk = Desk(manual_clock)
    desk.scan()
    desk.works.operate("D", "shutdown/A")
    desk.scan()
    state = desk.engine.state

    again = from_snapshot(snapshot(state), new_site(desk.works.site))

    assert again.drives == state.drives
    assert again.alarms == state.alarms
    assert again.endpoints["P"].blocks == state.endpoints["P"].blocks


def test_entry_without_an_input_is_a_row_too(manual_clock: ManualClock) -> None:
    """Start, stop and gaps are journalled by the engine itself."""
    desk = Desk(manual_clock)

    desk.engine.note(Entry("service", "started", "", "", {}))

    assert [(r.seq, r.input_seq, r.event) for r in desk.shelf.rows] == [(101, 0, "started")]


def test_function_check_goes_on_over_a_restart_of_the_service(manual_clock: ManualClock) -> None:
    """The limit stands while the machine runs on; after a start of the machine it ends at once, and that is told."""
    desk = Desk(manual_clock)
    desk.scan()
    now_ns = manual_clock.mono_ns()
    desk.engine.submit(Command(now_ns, 1, "test", "D", "", "kim", "local", "local user", "600", ""))
    blank = new_site(desk.works.site)

    same = restore(blank, desk.shelf.states, now_ns + 5, 5, same_boot=True)[0]
    anew = restore(blank, desk.shelf.states, 5, 5, same_boot=False)[0]

    assert same.drives["D"].protection.test_by == "kim"
    assert step(same, Tick(now_ns + 10, 2))[0].drives["D"].protection.test_until_ns == now_ns + 600 * 10**9
    told = [e for e in step(same, Tick(now_ns + 601 * 10**9, 3))[1].entries if e.event == "test_ended"]
    assert [e.data for e in told] == [{"by": "time limit"}]
    state, outcome = step(anew, Tick(10, 2))
    assert state.drives["D"].protection.test_until_ns == 0
    assert "test_ended" in [e.event for e in outcome.entries]
