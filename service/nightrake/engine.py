"""The loop's one writer: every input gets its place in the global order, goes through ``step``, and is kept and told.

    submit(input) -> step -> rows (numbered, chained) -> keep (store, one transaction) -> told when durable,
                                                                                        or after one second undurably

Synchronous and quick: shells call `submit` from the event loop; nothing here waits.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, NamedTuple, Protocol

from nightrake.clock import Clock, Segment, next_segment
from nightrake.domain.chatter import Tallies, bound
from nightrake.domain.inputs import Input, RawScan, SettingsChanged, Tick
from nightrake.domain.onchange import Recording, news
from nightrake.domain.pipeline import step
from nightrake.domain.rows import SCHEMA_VERSION, Entry, Row, TailRecord, canonical, chain_hash
from nightrake.domain.state import Outcome, SiteState
from nightrake.domain.tailcodec import to_record
from nightrake.journal.identity import new_id
from nightrake.kept import plan_to_json, snapshot, states_of
from nightrake.keptalarms import alarm_states
from nightrake.loglibrary import structlog
from nightrake.logs import facts_of, level_of

log = structlog.get_logger("nightrake.engine")

UNDURABLE_NS = 1_000_000_000
"""An event waits this long for its commit; then it is told with ``durable: false``: a dead disk silences nobody."""
GAP_NS = 2_000_000_000
"""No tick for this long (machine suspended, loop stuck) is missed time, and is recorded as a gap."""
SNAPSHOT_NS = 3600 * 1_000_000_000
"""A replay can begin at any of these."""


class Keeper(Protocol):
    """The store, as the engine uses it. None of these waits."""

    def append(self, rows: Sequence[Row], states: Mapping[str, bytes], tail: Sequence[TailRecord]) -> None:
        """Keep rows, the states that belong to them and tail records, rows and states in one transaction."""
        ...

    def put_layout(self, layout: str, content: str) -> None:
        """Keep a read plan under its layout id."""
        ...

    def put_segment(self, boot_id: str, start_mono_ns: int, start_utc_ms: int, trusted: bool) -> None:
        """Keep the begin of a clock segment."""
        ...

    def put_snapshot(self, input_seq: int, utc_ms: int, payload: bytes) -> None:
        """Keep a snapshot of the whole state, taken after input `input_seq`."""
        ...


class Waiting(NamedTuple):
    """A row that is not durable yet."""

    row: Row
    since_ns: int


class Engine:
    """Owns the state; see the module.

    Args:
        state: Where to begin. keeper: The store. clock: For the stamps of the engine's own entries.
        epoch, next_seq, last_hash, next_input_seq: Where journal and input order go on.
        another_epoch: Gives an id that nobody has used, for rows beyond the numbers set aside on disk.
        segment: The clock segment that holds now.
        trusted: Says whether UTC can be believed now.
        tellable: Gives the highest number set aside on disk: one above it could recur after a crash under this epoch.
        tell: Called with each row once, when durable (True) or after a second without (False), in order of numbers.
        changed: Called with ids of drives of which something other than a measured value changed.
    """

    def __init__(
        self,
        state: SiteState,
        keeper: Keeper,
        clock: Clock,
        *,
        epoch: str,
        next_seq: int,
        last_hash: bytes,
        next_input_seq: int,
        segment: Segment,
        trusted: Callable[[], bool],
        tellable: Callable[[], int],
        tell: Callable[[Row, bool], None],
        changed: Callable[[Sequence[str]], None],
        another_epoch: Callable[[], str] = new_id,
    ) -> None:
        self.state = state
        self._keeper = keeper
        self._clock = clock
        self._epoch = epoch
        self._next_seq = next_seq
        self._last_hash = last_hash
        self._next_input_seq = next_input_seq
        self._segment = segment
        self._trusted = trusted
        self._tellable = tellable
        self._tell = tell
        self._changed = changed
        self._another_epoch = another_epoch
        self._beyond = ""
        self._waiting: deque[Waiting] = deque()
        self._told_seq = next_seq - 1
        self._layouts: dict[str, str] = {}
        self._recording = Recording(state.site)
        self._noted: Tallies = {}
        self._unlogged: deque[tuple[Entry, Row]] = deque()
        self._last_tick_ns = clock.mono_ns()
        self._last_snapshot_ns = -SNAPSHOT_NS
        self.counts = {"inputs": 0, "rows": 0, "undurable": 0}

    # --- inputs -------------------------------------------------------------------------------------------------------

    def submit(self, given: Input) -> Outcome:
        """Take one input through the walk."""
        before = self.state
        after, outcome = step(before, given)
        if isinstance(given, Tick) and after is before and not outcome.entries:
            return outcome  # a tick that changes nothing replays to nothing, so it need not be kept
        self.state = after
        self.counts["inputs"] += 1
        brought = bool(outcome.entries or outcome.hidden or after.alarms is not before.alarms)
        recorded = self._recorded(given, brought) if isinstance(given, RawScan) else given
        if recorded is not None:
            record = to_record(self._next_input_seq, recorded)
            self._next_input_seq += 1
            if brought:
                self._append(before, outcome, record, given.mono_ns, given.utc_ms)
            else:
                self._keeper.append((), {}, (record,))
        if isinstance(given, SettingsChanged):
            self._record_by(given)
        if outcome.drives:
            self._changed(outcome.drives)
        return outcome

    def _recorded(self, scan: RawScan, brought: bool) -> RawScan | None:
        """What the hot tail gets of a scan. None: nothing, and then it takes no number, so that none is missing."""
        if scan.plan.layout != self._layouts.get(scan.endpoint):
            # Also one that was in force before: the store forgets those of which no scan is left.
            self._layouts[scan.endpoint] = scan.plan.layout
            self._keeper.put_layout(scan.plan.layout, plan_to_json(scan.plan))
        return self._recording.kept(scan, whole=brought)

    def _record_by(self, given: SettingsChanged) -> None:
        """Other settings may ask for more or less to be recorded; once it is everything, a replay can begin."""
        was, self._recording = self._recording.facts, Recording(given.site)
        self.note(*news(was, self._recording.facts))
        if was and not self._recording.facts:
            self._take_snapshot(given.mono_ns, given.utc_ms)

    def _append(self, before: SiteState, outcome: Outcome, record: TailRecord, mono_ns: int, utc_ms: int) -> None:
        rows = [self._row(entry, record.seq, mono_ns, utc_ms) for entry in outcome.entries]
        told = bool(outcome.entries or outcome.hidden)
        drives = {e.drive for e in outcome.entries} | set(outcome.drives) | set(outcome.hidden) if told else set()
        states = states_of(before, self.state, drives) if told else alarm_states(before.alarms, self.state.alarms)
        self._keeper.append(rows, states, (record,))
        self._unlogged.extend(zip(outcome.entries, rows, strict=True))

    def note(self, *entries: Entry) -> None:
        """Journal something that is no input of the core: start, stop, gap, clock step, a reload that was refused."""
        mono_ns, utc_ms = self._clock.mono_ns(), self._clock.utc_ms()
        self._noted, told, _ = bound(self._noted, entries, mono_ns)
        if told:
            rows = [self._row(e, 0, mono_ns, utc_ms) for e in told]
            self._keeper.append(rows, {}, ())
            self._unlogged.extend(zip(told, rows, strict=True))

    def _row(self, entry: Entry, input_seq: int, mono_ns: int, utc_ms: int) -> Row:
        row = Row(
            epoch=self._epoch_of(self._next_seq),
            seq=self._next_seq,
            kind=entry.kind,
            event=entry.event,
            drive=entry.drive,
            direction=str(entry.direction),
            urgent=entry.urgent,
            schema=SCHEMA_VERSION,
            input_seq=input_seq,
            boot_id=self._segment.boot_id,
            mono_ns=mono_ns,
            utc_ms=utc_ms,
            clock_trusted=self._segment.trusted,
            payload=canonical(entry.data),
            prev_hash=self._last_hash,
            hash=b"",
        )
        row = row._replace(hash=chain_hash(self._last_hash, row))
        self._last_hash = row.hash
        self._next_seq += 1
        self.counts["rows"] += 1
        self._waiting.append(Waiting(row, mono_ns))
        return row

    def _epoch_of(self, seq: int) -> str:
        """A disk that is dead for long has no numbers left set aside; what happens then must be told all the same.

        Such rows get an epoch of this run's own, so that their ids recur in no other, whatever becomes of them.
        """
        if seq <= self._tellable():
            return self._epoch
        self._beyond = self._beyond or self._another_epoch()
        return self._beyond

    # --- time ---------------------------------------------------------------------------------------------------------

    def tick(self) -> None:
        """Ten times a second: clock step, gap, the core's tick, rows that waited too long, hourly snapshot."""
        mono_ns, utc_ms = self._clock.mono_ns(), self._clock.utc_ms()
        self._look_at_clock(mono_ns, utc_ms)
        missed_ns = mono_ns - self._last_tick_ns
        self._last_tick_ns = mono_ns
        if missed_ns > GAP_NS:
            self.note(Entry("service", "gap", "", "", {"seconds": round(missed_ns / 1e9, 1), "why": "not running"}))
        if self._noted:
            self.note()
        self.submit(Tick(mono_ns, utc_ms))
        self._tell_overdue(mono_ns)
        if mono_ns - self._last_snapshot_ns >= SNAPSHOT_NS:
            self._take_snapshot(mono_ns, utc_ms)

    def log_rows(self, most: int) -> bool:
        """A log line for each new row. Not as it is made: whoever waits for the news would wait for the line too.

        Args:
            most: So many lines now; those of a flood would hold up the scans.

        Returns:
            Whether rows are left.
        """
        for _ in range(min(most, len(self._unlogged))):
            entry, row = self._unlogged.popleft()
            log.log(level_of(entry), entry.event, kind=entry.kind, seq=row.seq, **facts_of(entry))
        return bool(self._unlogged)

    def begin(self, *entries: Entry, on_change: Mapping[str, Any] = MappingProxyType({})) -> None:
        """Before the first input: a replay of this run begins here.

        Args:
            entries: To be journalled first.
            on_change: What the journal says of recording on change (`Recording.facts`).
        """
        self._take_snapshot(self._clock.mono_ns(), self._clock.utc_ms())
        self.note(*entries, *news(on_change, self._recording.facts))

    def _take_snapshot(self, mono_ns: int, utc_ms: int) -> None:
        self._last_snapshot_ns = mono_ns
        self._keeper.put_snapshot(self._next_input_seq - 1, utc_ms, snapshot(self.state))

    def _look_at_clock(self, mono_ns: int, utc_ms: int) -> None:
        segment, by_ms = next_segment(self._segment, mono_ns, utc_ms, self._trusted())
        if segment is self._segment:
            return
        self._segment = segment
        self._keeper.put_segment(*segment)
        event = "clock_stepped" if by_ms else "clock_trust_changed"
        data = {"by_s": by_ms / 1000, "trusted": segment.trusted}
        self.note(Entry("service", event, "", "", data))

    # --- telling ------------------------------------------------------------------------------------------------------

    def durable(self, seq: int) -> None:
        """The store says that every row up to `seq` is on disk: tell those that were not told yet."""
        while self._waiting and self._waiting[0].row.seq <= seq:
            row = self._waiting.popleft().row
            if row.seq > self._told_seq:
                self._told_seq = row.seq
                self._tell(row, True)

    def _tell_overdue(self, mono_ns: int) -> None:
        while self._waiting and mono_ns - self._waiting[0].since_ns >= UNDURABLE_NS:
            row = self._waiting.popleft().row  # told, it need not be waited for: a dead disk gathers nothing here
            if row.seq > self._told_seq:
                self._told_seq = row.seq
                self.counts["undurable"] += 1
                self._tell(row, False)

    @property
    def is_telling(self) -> bool:
        """Whether a row waits for the disk before it is told."""
        return bool(self._waiting)

    @property
    def last_seq(self) -> int:
        """Number of the newest journal row."""
        return self._next_seq - 1

    @property
    def last_input_seq(self) -> int:
        """Number of the newest recorded input."""
        return self._next_input_seq - 1
