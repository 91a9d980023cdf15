"""Recorded inputs through the same walk again: what came of them, and what would have come of them by other settings.

    snapshot -> recorded inputs, in order -> step -> entries      one or more runs side by side
    where the service began anew: its snapshot of then            as `engine.begin` kept it

Nothing here reads a clock, a disk or the settings folder; who keeps the records is behind `Source`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple, Protocol

from nightrake.alarms.response import Response
from nightrake.domain.inputs import SettingsChanged
from nightrake.domain.onchange import records_on_change
from nightrake.domain.pipeline import step
from nightrake.domain.readplan import ReadPlan
from nightrake.domain.rows import Entry, TailRecord
from nightrake.domain.site import SiteSpec
from nightrake.domain.state import SiteState, new_site
from nightrake.domain.tailcodec import from_record
from nightrake.errors import NightrakeError, StoreError
from nightrake.kept import from_snapshot, snapshot
from nightrake.whatif import Change, is_same

SHOWN = 6
"""Drives named in one sentence."""
ON_CHANGE = (
    "from there on points are recorded on change (record_on_change), and what was left out cannot be judged again"
)
_PARTS = ("drives", "endpoints", "alarms", "links", "tallies")


class Then(Protocol):
    """Settings that were in force."""

    @property
    def site(self) -> SiteSpec:
        """With the calibration curves in its drives."""
        ...

    @property
    def response(self) -> Response:
        """What they say about alarms and people."""
        ...


class Source(Protocol):
    """Recorded inputs and what they rest on (`longterm.reading.History`)."""

    def records(self, from_seq: int, to_seq: int) -> Iterator[TailRecord]:
        """Both included, in order."""
        ...

    def plan_of(self, layout: str) -> ReadPlan:
        """A read plan; StoreError where it is not kept."""
        ...

    def settings_of(self, digest: str) -> Then | None:
        """Settings by their digest; None where they are not kept."""
        ...

    def snapshots(self) -> list[tuple[int, int]]:
        """(input seq, UTC ms), oldest first."""
        ...

    def snapshot_before(self, seq: int) -> tuple[int, int, bytes] | None:
        """The latest at or before an input: (input seq, UTC ms, payload)."""
        ...


class NotReplayableError(NightrakeError):
    """A stretch cannot be replayed.

    Attributes:
        at: The last input before it. reason: Why, in words.
        resume: The next snapshot behind it, from where on it can: (input seq, UTC ms); None = there is none.
    """

    def __init__(self, at: int, reason: str, resume: tuple[int, int] | None = None) -> None:
        self.at, self.reason, self.resume = at, reason, resume
        super().__init__(f"after input {at}: {reason}")


class Step(NamedTuple):
    """One recorded input, taken by every run.

    Attributes:
        record: The input. entries: What came of it, for each run.
        begun: The service began anew just before it. lost: Inputs of its last moments that are not kept, first and last
            number; (0, 0) = none.
        differs: What the snapshot kept just before this input says otherwise than the first run; "" = nothing.
    """

    record: TailRecord
    entries: tuple[tuple[Entry, ...], ...]
    begun: bool = False
    lost: tuple[int, int] = (0, 0)
    differs: str = ""


class Run:
    """One way through the records.

    Args:
        source: Where they come from. change: What is to be otherwise than it was; None = nothing.

    Attributes:
        state: As it is after the last input.
        is_other: The change has made a difference to settings that were in force.
    """

    def __init__(self, source: Source, change: Change | None = None) -> None:
        self._source, self._change = source, change
        self._fresh = self.is_other = False
        self.state: SiteState

    def begin(self, payload: bytes) -> None:
        """From a snapshot. Raises StoreError where it or its settings cannot be used."""
        self.state, self._fresh = self._of(payload), True

    def take(self, record: TailRecord) -> tuple[Entry, ...]:
        """One input further. Raises StoreError where what it rests on is not kept, or where it is damaged."""
        first = self._take_change(record) if self._fresh else ()
        self._fresh = False
        try:
            given = from_record(record, self._source.plan_of, self._settings)
        except (ValueError, KeyError, TypeError) as error:
            raise StoreError(f"input {record.seq} is damaged ({error})") from error
        if isinstance(given, SettingsChanged):
            site, response = self._changed(given.site, given.response)
            given = given._replace(site=site, response=response)
        self.state, outcome = step(self.state, given)
        return (*first, *outcome.entries)

    def _take_change(self, record: TailRecord) -> tuple[Entry, ...]:
        """The change comes in before the first input, as by a reload."""
        if self._change is None:
            return ()
        site, response = self._changed(*self._settings(self.state.site.digest))
        self.state, outcome = step(self.state, SettingsChanged(record.mono_ns, record.utc_ms, site, response))
        return outcome.entries

    def _changed(self, site: SiteSpec, response: Response) -> tuple[SiteSpec, Response]:
        if self._change is None:
            return site, response
        made = self._change.of(site, response)
        self.is_other = self.is_other or not is_same(made, (site, response))
        return made

    def differs_from(self, payload: bytes) -> str:
        """What is otherwise in a snapshot, in words; "" = nothing."""
        mine = snapshot(self.state)
        if mine == payload:
            return ""
        if digest_in(payload) != self.state.site.digest:
            return "settings"
        then, kept, own = json.loads(payload), json.loads(snapshot(self._of(payload))), json.loads(mine)
        parts = [name for name in _PARTS if not _is_alike(then[name], kept[name], own[name])]
        was, kept, own = then["drives"], kept["drives"], own["drives"]
        drives = [d for d in kept if not _is_alike(was[d], kept[d], own.get(d))][:SHOWN]
        return ", ".join(parts) + (f" ({', '.join(drives)})" if drives else "")

    def _of(self, payload: bytes) -> SiteState:
        blank = new_site(*self._settings(digest_in(payload)))
        try:
            return from_snapshot(payload, blank)
        except (ValueError, KeyError, TypeError, IndexError, AttributeError) as error:
            raise StoreError(f"the snapshot there is damaged, or another program's ({type(error).__name__})") from error

    def _settings(self, digest: str) -> tuple[SiteSpec, Response]:
        then = self._source.settings_of(digest)
        if then is None:
            raise StoreError(f"the settings {digest[:12]} that were in force are not kept as they were built")
        return then.site, then.response


def _is_alike(then: Any, kept: Any, own: Any) -> bool:
    """Whether two states are the same as far as the program that kept one of them knew them.

    Args:
        then: As it was written. kept: The same as this program writes it, with what is new since. own: The other one.
    """
    if isinstance(then, dict) and isinstance(kept, dict) and isinstance(own, dict):
        return kept.keys() == own.keys() and all(_is_alike(then[k], kept[k], own[k]) for k in kept if k in then)
    if isinstance(then, list) and isinstance(kept, list) and isinstance(own, list):
        # Records are written as lists, and what is new in one stands at its end.
        return len(kept) == len(own) and all(map(_is_alike, then, kept, own))
    return bool(kept == own)


def _read(payload: bytes) -> Mapping[str, Any]:
    try:
        data = json.loads(payload)
        if isinstance(data["digest"], str) and isinstance(data["endpoints"], dict):
            return dict(data)
    except (ValueError, KeyError, TypeError):
        pass
    raise StoreError("the snapshot there is damaged")


def digest_in(payload: bytes) -> str:
    """Digest of the settings that a snapshot was taken under. Raises StoreError where it is damaged."""
    return str(_read(payload)["digest"])


def is_begin(payload: bytes) -> bool:
    """Whether a snapshot is of the moment when the service began: no PLC had been read."""
    return not _read(payload)["endpoints"]


def walk(source: Source, from_seq: int, to_seq: int, runs: Sequence[Run]) -> Iterator[Step]:
    """Take runs through recorded inputs, from the snapshot before one of them to another.

    Args:
        from_seq: An input before or at which to begin. to_seq: The last one.
        runs: The first one's state is held against the snapshots on the way.

    Raises:
        NotReplayableError: It cannot be gone on; what was given before it stands.
    """
    return _Walk(source, runs).steps(from_seq, to_seq)


class _Walk:
    """See `walk`."""

    def __init__(self, source: Source, runs: Sequence[Run]) -> None:
        self._source, self._runs = source, runs
        self._at = 0
        self._ahead: list[tuple[int, int]] = []
        self._whole: SiteSpec | None = None

    def steps(self, from_seq: int, to_seq: int) -> Iterator[Step]:
        ahead = self._source.snapshots()
        found = self._source.snapshot_before(from_seq)
        self._at = found[0] if found is not None else from_seq - 1
        self._ahead = sorted((one for one in ahead if one[0] > self._at), reverse=True)
        if found is None:
            raise self._stop("no snapshot of the state is kept from before it")
        try:
            self._begin(found[2])
            yield from self._go(to_seq)
        except StoreError as error:
            raise self._stop(str(error)) from error

    def _begin(self, payload: bytes) -> None:
        for run in self._runs:
            run.begin(payload)

    def _go(self, to_seq: int) -> Iterator[Step]:
        for record in self._source.records(self._at + 1, to_seq):
            begun, lost, differs = False, (0, 0), ""
            while self._ahead and self._ahead[-1][0] < record.seq:
                seq, payload = self._next_snapshot()
                if is_begin(payload) and (seq > self._at or self._has_gone_on(payload)):
                    missing = (self._at + 1, seq) if seq > self._at else (0, 0)
                    begun, lost, differs = True, missing, ""
                    self._at = seq
                    self._begin(payload)
                elif seq == self._at:
                    differs = differs or self._runs[0].differs_from(payload)
            self._check_whole()
            if record.seq != self._at + 1:
                raise self._stop(
                    f"inputs {self._at + 1} to {record.seq - 1} are not kept; they were lost, or given up to make room"
                )
            entries = tuple(run.take(record) for run in self._runs)
            self._at = record.seq
            yield Step(record, entries, begun, lost, differs)

    def _check_whole(self) -> None:
        """Everything that was read has to be there; numbers do not show it, for what is left out takes none."""
        site = self._runs[0].state.site
        if site is not self._whole and records_on_change(site):
            raise self._stop(ON_CHANGE)
        self._whole = site

    def _next_whole(self) -> tuple[int, int] | None:
        """The next snapshot, but for those under settings that leave something out."""
        partial: dict[str, bool] = {}
        for one in reversed(self._ahead):
            try:
                found = self._source.snapshot_before(one[0])
                digest = digest_in(found[2]) if found is not None else ""
                if digest not in partial:
                    then = self._source.settings_of(digest)
                    partial[digest] = then is not None and records_on_change(then.site)
            except StoreError:
                return one  # nobody can tell; whoever tries is told why not
            if not partial[digest]:
                return one
        return None

    def _has_gone_on(self, payload: bytes) -> bool:
        """Whether the first run is not where a begin's snapshot is; right after a reload no PLC is read either."""
        return bool(self._runs[0].state.endpoints) or bool(self._runs[0].differs_from(payload))

    def _next_snapshot(self) -> tuple[int, bytes]:
        seq = self._ahead.pop()[0]
        found = self._source.snapshot_before(seq)
        if found is None or found[0] != seq:
            raise StoreError(f"the snapshot after input {seq} has just gone")
        return seq, found[2]

    def _stop(self, reason: str) -> NotReplayableError:
        return NotReplayableError(self._at, reason, self._next_whole())
