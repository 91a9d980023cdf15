"""Contacts and stages of one drive: raw edges, debounce, operations between scans, the vote of two channels. Pure.

A bad reading neither raises nor clears: the last state stands. Two channels of a stage vote one out of two; with one
channel bad the good one decides and the stage is degraded.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from nightrake.domain.debounce import COUNTER, LATCHED, UNKNOWN, ContactState, counted, settle
from nightrake.domain.rows import Entry
from nightrake.domain.site import Stage
from nightrake.domain.wiring import ContactWire, DriveWire, Raw, StageWire


class StageState(NamedTuple):
    """One stage of one direction.

    Attributes:
        operated: 1, 0, or -1 (never known).
        since_utc_ms: Since when.
        known: At least one channel reads well now; otherwise the state is the last known one.
        known_utc_ms: Since when `known` is as it is; while it is not known, that is when it was last known.
        degraded: One channel is bad, the other decides.
        differ_since_ns: Since when two good channels differ, 0 = they do not. differ_told: it has been told.
        proving: It operated in a function check, and has not been told as operated outside one.
    """

    operated: int = UNKNOWN
    since_utc_ms: int = 0
    known: bool = False
    known_utc_ms: int = 0
    degraded: bool = False
    differ_since_ns: int = 0
    differ_told: bool = False
    proving: bool = False


class Moment(NamedTuple):
    """What surrounds the judging of a drive at one step: time, and the facts that go into its entries."""

    now_ns: int
    utc_ms: int
    facts: dict[str, Any]
    in_test: bool = False


class ContactNews(NamedTuple):
    """What one contact did in this step: its state, entries, and an operation that no scan saw ("" = none)."""

    state: ContactState
    entries: tuple[Entry, ...] = ()
    unseen: str = ""


def judge_contact(
    wire: DriveWire, contact: ContactWire, prev: ContactState, raws: Sequence[Raw], fresh: frozenset[int], at: Moment
) -> ContactNews:
    """Take one contact a step further.

    Args:
        wire: Its drive. contact: Its slots. prev: Its state before.
        raws: The drive's raw values (a str = bad, with the reason).
        fresh: Slots that this scan has read; a tick has none.
        at: Time and facts.
    """
    value = raws[contact.slot]
    if isinstance(value, str):
        # Nobody can say how an operation that was waiting for the next reading went on; so it counts.
        return ContactNews(prev._replace(bad=value, pending=""), (), prev.pending)
    read = contact.slot in fresh
    if prev.bad and not read:
        return ContactNews(prev)  # the value was taken while something was wrong; wait for a new one
    if prev.bad and prev.raw != prev.settled:
        # A change that was settling when the reading went bad starts anew: not every scan has shown it.
        prev = prev._replace(raw=prev.settled)
    operated = 1 if value == contact.operated_bit else 0
    alone = contact.counter < 0 and contact.latched < 0
    if alone and prev.raw == prev.settled == operated and not (prev.bad or prev.pending or prev.moved):
        return ContactNews(prev)  # as it was, and nothing else speaks of it: the same as the long way below
    memory = _plc_memory(contact, prev, raws, fresh, operated)
    entries = memory.entries(wire, contact)
    state = prev._replace(bad="", counter=memory.counter, latched=memory.latched, moved=memory.moved)
    told = ""
    if read:
        told = "" if operated else prev.pending
        raw, since_ns, settled = settle(
            prev, operated, at.now_ns, contact.spec.debounce_operate_ns, contact.spec.debounce_release_ns
        )
        state = state._replace(raw=raw, since_ns=since_ns, settled=settled, pending="")
        if raw != prev.raw and prev.raw != UNKNOWN:
            entries += _edge(wire, contact, state, at)
    if memory.unseen:
        state = state._replace(pending=memory.unseen)
    return ContactNews(state, entries, told)


class _Memory(NamedTuple):
    """What the PLC's counter and latched bit say."""

    counter: int
    latched: int
    moved: int
    unseen: str
    restarted: bool

    def entries(self, wire: DriveWire, contact: ContactWire) -> tuple[Entry, ...]:
        if not self.restarted:
            return ()
        data = {"contact": str(contact.spec.id), "counter": self.counter}
        return (Entry("drive", "counter_restarted", wire.spec.id, contact.spec.id.direction, data),)


def _plc_memory(
    contact: ContactWire, prev: ContactState, raws: Sequence[Raw], fresh: frozenset[int], operated: int
) -> _Memory:
    """An operation between two scans shows in the PLC's memory only: both scans see the contact released."""
    counter, latched, moved, unseen, restarted = prev.counter, prev.latched, prev.moved, "", False
    # Bounce on an edge that was seen moves the counter too; only a contact at rest in both scans hides an operation.
    at_rest = not operated and prev.settled != 1 and prev.raw != 1
    value = raws[contact.counter] if contact.counter in fresh else ""
    if isinstance(value, int):
        operations, restarted = counted(prev.counter, value, contact.counter_bits)
        if operations and at_rest and not prev.moved & COUNTER:
            unseen = "counter"
        counter, moved = value, moved & ~COUNTER
    value = raws[contact.latched] if contact.latched in fresh else ""
    if isinstance(value, int):
        if value == 1 and prev.latched == 0 and at_rest and not prev.moved & LATCHED:
            unseen = unseen or "latched bit"
        latched, moved = value, moved & ~LATCHED
    if unseen:  # the other memory may show the same operation later
        moved |= LATCHED if unseen == "counter" else COUNTER
    if operated != prev.raw and prev.raw != UNKNOWN and contact.slot in fresh:
        moved = COUNTER | LATCHED
    if contact.counter < 0:
        moved &= ~COUNTER
    if contact.latched < 0:
        moved &= ~LATCHED
    return _Memory(counter, latched, moved, unseen, restarted)


def contact_due(contact: ContactWire, state: ContactState, raws: Sequence[Raw]) -> int:
    """From when a fresh reading may change this contact's state although no value changes; 0 = never, 1 = at once.

    Args:
        raws: The drive's raw values, with what blocks them put in.
    """
    if isinstance(raws[contact.slot], str):
        return 0
    if state.bad or state.pending:
        return 1
    for slot, bit, known in ((contact.counter, COUNTER, state.counter), (contact.latched, LATCHED, state.latched)):
        if slot >= 0 and not isinstance(raws[slot], str) and (state.moved & bit or raws[slot] != known):
            return 1
    if state.raw == state.settled:
        return 0
    hold_ns = contact.spec.debounce_operate_ns if state.raw == 1 else contact.spec.debounce_release_ns
    return state.since_ns + hold_ns


def _edge(wire: DriveWire, contact: ContactWire, state: ContactState, at: Moment) -> tuple[Entry, ...]:
    data = {"contact": str(contact.spec.id), "operated": state.raw == 1, **at.facts}
    return (Entry("drive", "contact_edge", wire.spec.id, contact.spec.id.direction, data),)


def vote(
    wire: DriveWire,
    stage: StageWire,
    prev: StageState,
    contacts: Sequence[ContactState],
    unseen: Sequence[str],
    at: Moment,
) -> tuple[StageState, tuple[Entry, ...]]:
    """Let a stage's channels decide, one out of two, and say what changed.

    Args:
        unseen: For each contact of the drive, how an operation between scans showed, "" = none.
    """
    settled = [contacts[i].settled for i in stage.contacts if not contacts[i].bad and contacts[i].settled != UNKNOWN]
    how = next((unseen[i] for i in stage.contacts if unseen[i]), "")
    if len(settled) == len(stage.contacts) == 1 and settled[0] == prev.operated and not how and _is_plain(prev):
        return prev, ()  # a single channel as it was: the same as the long way below
    operated, known = max(settled, default=prev.operated), bool(settled)
    changed = operated != prev.operated
    # Told during a function check only: told anew if it is still operated, and read well, when the check is over.
    proving = operated == 1 and (prev.proving or (changed and at.in_test))
    after_test = proving and known and not at.in_test
    state = StageState(
        operated=operated,
        since_utc_ms=at.utc_ms if changed else prev.since_utc_ms,
        known=known,
        known_utc_ms=prev.known_utc_ms if known == prev.known else at.utc_ms,
        degraded=known and any(contacts[i].bad for i in stage.contacts),
        differ_since_ns=prev.differ_since_ns,
        differ_told=prev.differ_told,
        proving=proving and not after_test,
    )
    entries: tuple[Entry, ...] = ()
    if changed and (operated == 1 or prev.operated == 1):
        entries += (_stage_entry(wire, stage, "operated" if operated else "released", at.facts),)
    elif after_test:
        entries += (_stage_entry(wire, stage, "operated", {**at.facts, "since_test": True}),)
    elif how and operated != 1:
        entries += (_stage_entry(wire, stage, "operated", {**at.facts, "momentary": True, "seen_by": how}),)
    differ = settled[0] != settled[1] if len(settled) == 2 else None if len(stage.contacts) == 2 else False
    state, told = _differ(wire, stage, state, differ, at)
    return state, entries + told


def _is_plain(state: StageState) -> bool:
    """Read well, and with nothing about it that time or a function check could still change."""
    return state.known and not (state.degraded or state.differ_since_ns or state.differ_told or state.proving)


def _stage_entry(wire: DriveWire, stage: StageWire, what: str, data: dict[str, Any]) -> Entry:
    urgent = stage.stage is Stage.SHUTDOWN and what == "operated"
    return Entry("drive", f"{stage.stage}_{what}", wire.spec.id, stage.direction, data, urgent)


def _differ(
    wire: DriveWire, stage: StageWire, state: StageState, differ: bool | None, at: Moment
) -> tuple[StageState, tuple[Entry, ...]]:
    """Channels that differ too long are a fault. None = one is bad: nothing to compare, so what was told stands."""
    if not differ:
        if not state.differ_told:
            return (state._replace(differ_since_ns=0) if state.differ_since_ns else state), ()
        if differ is None:
            return state, ()
        entry = Entry("drive", "channels_agree", wire.spec.id, stage.direction, {"stage": stage.stage})
        return state._replace(differ_since_ns=0, differ_told=False), (entry,)
    since_ns = state.differ_since_ns or at.now_ns
    state = state._replace(differ_since_ns=since_ns)
    if state.differ_told or at.now_ns - since_ns < wire.spec.disagree_ns:
        return state, ()
    entry = Entry("drive", "channels_disagree", wire.spec.id, stage.direction, {"stage": stage.stage, **at.facts})
    return state._replace(differ_told=True), (entry,)
