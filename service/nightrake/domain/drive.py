"""One drive from step to step: its readings, its protection, the verdict on its stop. Pure.

`judge` has a short path for the common scan (the protection slots are as before, nothing is due, quality unchanged);
a property test holds it equal to the long one.
"""

from __future__ import annotations

from typing import NamedTuple

from nightrake.domain.contacts import StageState
from nightrake.domain.debounce import ContactState
from nightrake.domain.protection import Evidence, Protection, next_scan, next_tick, protect
from nightrake.domain.quality import NO_CALIBRATION, next_due_utc_ms, reasons_of
from nightrake.domain.reading import Reading, absent
from nightrake.domain.rows import Entry
from nightrake.domain.site import Direction
from nightrake.domain.wiring import NOT_READ, DriveWire, Raw

NO_POSITION = "no position transducer"
RACK_UNHEALTHY = "I/O rack reports a fault"
HEARTBEAT_FROZEN = "PLC heartbeat stands still"

EMPTY: frozenset[int] = frozenset()


class DriveState(NamedTuple):
    """All that is known of one drive.

    Attributes:
        raws: One value for each slot (`wiring`).
        position, torque: Arm position in mm, output torque in N.m. side: the sensed direction that the arm leans to.
        protection: See there.
        beat_ns: When the heartbeat last changed, 0 = never read. blocked: reason that blocks slots now, "".
        scan_due_ns: From when a fresh scan may settle something; 0 = nothing. tick_due_ns: when time alone may.
        due_utc_ms: When the next calibration falls due, UTC; 0 = none will.
    """

    raws: tuple[Raw, ...]
    position: Reading
    torque: Reading
    side: Direction
    protection: Protection
    beat_ns: int = 0
    blocked: str = ""
    scan_due_ns: int = 0
    tick_due_ns: int = 0
    due_utc_ms: int = 0


def new_drive(wire: DriveWire) -> DriveState:
    """A drive of which nothing has been read since start."""
    protection = Protection((ContactState(),) * len(wire.contacts), (StageState(),) * len(wire.stages))
    return _unread(wire, protection, 0)


def _unread(wire: DriveWire, protection: Protection, now_ns: int) -> DriveState:
    """A drive without readings, and so without quality, whatever is known of its protection."""
    raws: tuple[Raw, ...] = (NOT_READ,) * len(wire.roles)
    nothing = absent(NOT_READ if wire.position >= 0 else NO_POSITION)
    reasons = reasons_of(wire, raws, nothing, nothing, protection.stages, protection.test_until_ns > now_ns, 0)
    return DriveState(
        raws=raws,
        position=nothing,
        torque=nothing,
        side=wire.spec.directions[0],
        protection=protection._replace(reasons=reasons),
        tick_due_ns=next_tick(wire, protection, 0),
        due_utc_ms=next_due_utc_ms(wire, 0),
    )


def judge(
    wire: DriveWire,
    state: DriveState,
    raws: tuple[Raw, ...],
    fresh: frozenset[int],
    now_ns: int,
    utc_ms: int,
    *,
    long_way: bool = False,
) -> tuple[DriveState, tuple[Entry, ...]]:
    """Take one drive a step further.

    Args:
        wire: Its slots.
        state: Before.
        raws: Raw value of every slot now.
        fresh: Slots read by this scan; empty on a tick.
        now_ns, utc_ms: Time of the evidence.
        long_way: Never take the short path (for the test that holds both equal).

    Returns:
        The state after, and what happened.
    """
    beat_ns = _beat(wire, state, raws, now_ns)
    frozen_at_ns = _frozen_at(wire, raws, beat_ns)
    blocked, seen = _blocked(wire, raws, frozen_at_ns, now_ns)
    position, torque, side = _measure(wire, seen)
    n = wire.protection_slots
    prev = state.protection
    entries: tuple[Entry, ...] = ()
    protection, scan_due_ns, due_utc_ms = prev, state.scan_due_ns, state.due_utc_ms
    if (
        long_way
        or raws[:n] != state.raws[:n]
        or blocked != state.blocked
        or is_due(state, now_ns, utc_ms, state.scan_due_ns if fresh else 0)
        or position.reason != state.position.reason
        or torque.kind is not state.torque.kind
        or torque.reason != state.torque.reason
        or not _same_gaps(raws, state.raws, n)
    ):
        protection, entries = protect(wire, prev, Evidence(seen, fresh, position, torque, side, now_ns, utc_ms))
        scan_due_ns, due_utc_ms = next_scan(wire, protection, seen), next_due_utc_ms(wire, utc_ms)
    tick_due_ns = next_tick(wire, protection, 0 if blocked else frozen_at_ns)
    after = DriveState(raws, position, torque, side, protection, beat_ns, blocked, scan_due_ns, tick_due_ns, due_utc_ms)
    return after, entries


def is_due(state: DriveState, now_ns: int, utc_ms: int, scan_due_ns: int = 0) -> bool:
    """Whether time makes a difference to a drive now.

    Args:
        scan_due_ns: The state's own, where a scan brings fresh readings; 0 on a tick.
    """
    return 0 < scan_due_ns <= now_ns or 0 < state.tick_due_ns <= now_ns or 0 < state.due_utc_ms <= utc_ms


def _same_gaps(raws: tuple[Raw, ...], before: tuple[Raw, ...], start: int) -> bool:
    """Beyond the protection slots: no slot has begun or ceased to lack a value, or lacks it for another reason."""
    for new, old in zip(raws[start:], before[start:], strict=True):
        if new is not old and (type(new) is str or type(old) is str) and new != old:
            return False
    return True


def _beat(wire: DriveWire, state: DriveState, raws: tuple[Raw, ...], now_ns: int) -> int:
    """When the heartbeat last changed. A contact that changes proves the image alive just as well."""
    slot = wire.heartbeat
    if slot < 0 or isinstance(raws[slot], str):
        return state.beat_ns
    if raws[slot] != state.raws[slot] or not state.beat_ns:
        return now_ns
    n = wire.protection_slots
    if raws[:n] != state.raws[:n]:
        for i in wire.by_heartbeat:
            old, new = state.raws[i], raws[i]
            if i < n and new != old and not isinstance(old, str) and not isinstance(new, str):
                return now_ns
    return state.beat_ns


def _blocked(wire: DriveWire, raws: tuple[Raw, ...], frozen_at_ns: int, now_ns: int) -> tuple[str, tuple[Raw, ...]]:
    """A dead rack or a frozen heartbeat takes the trust from every value that comes the same way."""
    if wire.rack >= 0 and not isinstance(raws[wire.rack], str) and raws[wire.rack] != wire.rack_true:
        reason, slots = RACK_UNHEALTHY, wire.by_rack
    elif 0 < frozen_at_ns <= now_ns:
        reason, slots = HEARTBEAT_FROZEN, wire.by_heartbeat
    else:
        return "", raws
    return reason, tuple(reason if i in slots and not isinstance(v, str) else v for i, v in enumerate(raws))


def _frozen_at(wire: DriveWire, raws: tuple[Raw, ...], beat_ns: int) -> int:
    """When the heartbeat counts as standing still; 0 = it cannot be read, which is not that."""
    if wire.heartbeat < 0 or not beat_ns or isinstance(raws[wire.heartbeat], str):
        return 0
    return beat_ns + wire.spec.heartbeat_ns + 1


def _measure(wire: DriveWire, seen: tuple[Raw, ...]) -> tuple[Reading, Reading, Direction]:
    """Position, torque and the direction that the arm leans to."""
    spec = wire.spec
    side = spec.directions[0]
    if wire.position_of is None:
        nothing = absent(NO_POSITION)
        return nothing, nothing, side
    value = seen[wire.position]
    if isinstance(value, str):
        nothing = absent(value)
        return nothing, nothing, side
    position = wire.position_of(value)
    if position.value is None:
        return position, absent(position.reason), side
    if len(spec.directions) == 2:
        side = Direction.REVERSE if position.value < 0.0 else Direction.FORWARD
    convert = wire.torque_of.get(side)
    return position, (convert(position.value) if convert else absent(NO_CALIBRATION)), side


def carry_over(old: DriveWire, new: DriveWire, state: DriveState) -> DriveState:
    """Keep a drive's state through changed settings: by contact, by stage, and raw values whose point is the same."""
    contacts = {w.spec.id: s for w, s in zip(old.contacts, state.protection.contacts, strict=True)}
    stages = {(w.direction, w.stage): s for w, s in zip(old.stages, state.protection.stages, strict=True)}
    raws = {(r, p): v for r, p, v in zip(old.roles, old.points, state.raws, strict=True)}
    protection = state.protection._replace(
        contacts=tuple(contacts.get(w.spec.id, ContactState()) for w in new.contacts),
        stages=tuple(stages.get((w.direction, w.stage), StageState()) for w in new.stages),
        settle_ns=0,
    )
    kept = tuple(raws.get((r, p), NOT_READ) for r, p in zip(new.roles, new.points, strict=True))
    seen = _blocked(new, kept, _frozen_at(new, kept, state.beat_ns), state.beat_ns)[1]
    position, torque, side = _measure(new, seen)
    return state._replace(
        raws=kept, position=position, torque=torque, side=side, protection=protection, tick_due_ns=1, due_utc_ms=0
    )


def after_restart(
    wire: DriveWire, kept: DriveState, now_ns: int, *, same_boot: bool = False, lived_utc_ms: int = 0
) -> DriveState:
    """Bring back what was stored before the service stopped: states and PLC memory stand, readings and timers do not.

    A function check goes on to its time limit: who proves contacts must not wake anybody because the service was
    restarted. After a start of the machine nobody knows how much of its time is left, so it ends.

    Args:
        kept: The stored state; its contacts and stages match `wire` (checked by the caller).
        now_ns: Monotonic time of this start. same_boot: it goes on from the one in `kept`.
        lived_utc_ms: When the last run was last known to live: until then what it knew was known.
    """
    before = kept.protection
    contacts = tuple(
        ContactState(
            settled=c.settled,
            counter=c.counter,
            latched=c.latched,
            moved=c.moved,
            pending=c.pending,
        )
        for c in before.contacts
    )
    stages = tuple(_last_known(s, lived_utc_ms) for s in before.stages)
    protection = Protection(
        contacts,
        stages,
        stop=before.stop,
        stop_due_ns=now_ns + wire.spec.stop_confirm_ns if before.stop else 0,
        stop_direction=before.stop_direction,
        told=before.told,
        # A limit in the past, so that its end is told like any other.
        test_until_ns=before.test_until_ns if same_boot else min(before.test_until_ns, 1),
        test_by=before.test_by,
    )
    return _unread(wire, protection, now_ns)


def _last_known(stage: StageState, lived_utc_ms: int) -> StageState:
    """A stage as the last run left it: what it knew then is the last known state now."""
    known_utc_ms = max(stage.known_utc_ms, lived_utc_ms) if stage.known else stage.known_utc_ms
    return stage._replace(known=False, known_utc_ms=known_utc_ms, degraded=False, differ_since_ns=0, differ_told=False)
