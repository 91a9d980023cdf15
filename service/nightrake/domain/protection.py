"""The slowly changing part of a drive: contacts, stages, run feedback, stop, function check, quality. Pure."""

from __future__ import annotations

from typing import NamedTuple

from nightrake.domain.contacts import Moment, StageState, contact_due, judge_contact, vote
from nightrake.domain.debounce import UNKNOWN, ContactState
from nightrake.domain.quality import CLEAR_NS, SETTLED, reasons_of, settling, tell_quality
from nightrake.domain.reading import Reading, Reason
from nightrake.domain.rows import Entry
from nightrake.domain.site import Direction, Stage
from nightrake.domain.stop import Stop, judge_stop, stop_scan_due, stop_tick_due
from nightrake.domain.wiring import DriveWire, Raw


class Protection(NamedTuple):
    """The slowly changing part of a drive's state.

    Attributes:
        contacts, stages: In the order of `DriveWire.contacts` and `DriveWire.stages`.
        running: Motor running feedback: 1, 0, or -1 (none, bad or never read).
        stop, stop_due_ns, stop_direction: Verdict on the last shutdown (`domain.stop.Stop`).
        reasons: What limits trust now. told: what has been told. gone: told before that, and gone only just now.
        clear_since_ns: Since when `reasons` has been as it is, less than was told; 0 = it is what was told.
        test_until_ns: End of a function check, 0 = none. test_by: who began it.
        settle_ns: Until when nothing is told of its quality after a start or reload, see `quality.settling`.
    """

    contacts: tuple[ContactState, ...]
    stages: tuple[StageState, ...]
    running: int = UNKNOWN
    stop: str = ""
    stop_due_ns: int = 0
    stop_direction: str = ""
    reasons: tuple[Reason, ...] = ()
    told: tuple[Reason, ...] = ()
    gone: tuple[Reason, ...] = ()
    clear_since_ns: int = 0
    test_until_ns: int = 0
    test_by: str = ""
    settle_ns: int = 0

    @property
    def verdict(self) -> Stop:
        """The verdict on the last shutdown's stop."""
        return Stop(self.stop, self.stop_due_ns, self.stop_direction)


class Evidence(NamedTuple):
    """What a step has to judge a drive by.

    Attributes:
        seen: Raw values, with what blocks them (rack, heartbeat) put in.
        fresh: Slots read by this scan; empty on a tick.
        position, torque: Measured from `seen`. side: the sensed direction that the arm leans to.
        now_ns, utc_ms: When.
    """

    seen: tuple[Raw, ...]
    fresh: frozenset[int]
    position: Reading
    torque: Reading
    side: Direction
    now_ns: int
    utc_ms: int


def protect(wire: DriveWire, prev: Protection, given: Evidence) -> tuple[Protection, tuple[Entry, ...]]:
    """Take the protection a step further."""
    running = running_of(wire, given.seen)
    in_test = prev.test_until_ns > given.now_ns
    at = _moment(wire, given, running, in_test)
    entries: tuple[Entry, ...] = ()
    if prev.test_until_ns and not in_test:
        entries += (Entry("drive", "test_ended", wire.spec.id, "", {"by": "time limit"}),)
    contacts, stages, facts, shut = _contacts_and_stages(wire, prev, given, at)
    stop, verdict = judge_stop(wire, prev.verdict, running, wire.running in given.fresh, shut, at)
    entries += tuple(
        e._replace(data={**e.data, "stop": stop.verdict}) if e.event == "shutdown_operated" else e for e in facts
    )
    reasons = reasons_of(wire, given.seen, given.position, given.torque, stages, in_test, given.utc_ms)
    settle_ns = settling(prev.settle_ns, given.seen, reasons, given.now_ns)
    told, gone, clear_since_ns, news = (
        tell_quality(wire, prev, reasons, given.now_ns) if settle_ns == SETTLED else (prev.told, (), 0, ())
    )
    after = Protection(
        contacts,
        stages,
        running,
        *stop,
        reasons,
        told,
        gone,
        clear_since_ns,
        prev.test_until_ns if in_test else 0,
        prev.test_by if in_test else "",
        settle_ns,
    )
    return after, entries + verdict + news


def running_of(wire: DriveWire, seen: tuple[Raw, ...]) -> int:
    """Run feedback: 1, 0, or -1 where there is none or it is bad."""
    if wire.running < 0 or isinstance(seen[wire.running], str):
        return UNKNOWN
    return 1 if seen[wire.running] == wire.running_true else 0


def _moment(wire: DriveWire, given: Evidence, running: int, in_test: bool) -> Moment:
    facts = {
        "position_mm": given.position.value,
        "torque_nm": given.torque.value,
        "torque_is": given.torque.kind.value,
        **_made_by(wire, given),
        "running": None if running == UNKNOWN else bool(running),
        "in_test": in_test,
    }
    return Moment(given.now_ns, given.utc_ms, facts, in_test)


def _made_by(wire: DriveWire, given: Evidence) -> dict[str, object]:
    """What a torque is worth, and which record made it of the position; nothing where there is no torque."""
    curve = wire.spec.calibrations.get(given.side)
    if curve is None or given.torque.value is None:
        return {}
    worth: dict[str, object] = {"torque_uncertainty_nm": given.torque.uncertainty}
    if curve.not_in_budget:
        worth["torque_uncertainty_lacks"] = list(curve.not_in_budget)
    worth |= {"calibration": curve.ref, "calibration_digest": curve.digest}
    return worth | ({"calibration_overdue": True} if 0 < curve.due_utc_ms <= given.utc_ms else {})


def _contacts_and_stages(
    wire: DriveWire, prev: Protection, given: Evidence, at: Moment
) -> tuple[tuple[ContactState, ...], tuple[StageState, ...], tuple[Entry, ...], str]:
    """All contacts, then all votes; last, the direction whose shutdown has just operated ("" = none)."""
    news = [
        judge_contact(wire, c, before, given.seen, given.fresh, at)
        for c, before in zip(wire.contacts, prev.contacts, strict=True)
    ]
    contacts = tuple(n.state for n in news)
    unseen = tuple(n.unseen for n in news)
    entries = tuple(e for n in news for e in n.entries)
    stages: list[StageState] = []
    votes: list[Entry] = []
    for stage, before_stage in zip(wire.stages, prev.stages, strict=True):
        after, told = vote(wire, stage, before_stage, contacts, unseen, at)
        stages.append(after)
        votes += told
    votes = [_alone(wire, stages, e) for e in votes]
    shut = next((e.direction for e in votes if e.event == "shutdown_operated"), "")
    return contacts, tuple(stages), entries + tuple(votes), shut


def _alone(wire: DriveWire, stages: list[StageState], entry: Entry) -> Entry:
    """Mark a shutdown whose alarm stage did not act before it."""
    if entry.event != "shutdown_operated":
        return entry
    alarms = [
        s.operated
        for w, s in zip(wire.stages, stages, strict=True)
        if w.direction == entry.direction and w.stage is Stage.ALARM
    ]
    return entry._replace(data={**entry.data, "without_alarm": bool(alarms) and 1 not in alarms})


def next_scan(wire: DriveWire, protection: Protection, seen: tuple[Raw, ...]) -> int:
    """Earliest time from which a fresh reading may change something although no value does; 0 = never."""
    dues = [contact_due(c, s, seen) for c, s in zip(wire.contacts, protection.contacts, strict=True)]
    dues.append(stop_scan_due(protection.verdict, protection.running))
    return min((due for due in dues if due), default=0)


def next_tick(wire: DriveWire, protection: Protection, frozen_at_ns: int) -> int:
    """Earliest time at which something happens without a new reading; 0 = nothing will.

    Args:
        frozen_at_ns: When the heartbeat counts as standing still, 0 = not to be expected.
    """
    if _is_at_rest(protection):
        return frozen_at_ns
    times = [
        frozen_at_ns,
        stop_tick_due(protection.verdict, protection.running),
        protection.clear_since_ns + CLEAR_NS if protection.clear_since_ns else 0,
        protection.test_until_ns,
        protection.settle_ns if protection.settle_ns != SETTLED else 0,
    ]
    times += [
        s.differ_since_ns + wire.spec.disagree_ns for s in protection.stages if s.differ_since_ns and not s.differ_told
    ]
    return min((due for due in times if due), default=0)


def _is_at_rest(protection: Protection) -> bool:
    """Whether nothing of it waits for a time: so it is at nearly every scan."""
    if protection.stop or protection.clear_since_ns or protection.test_until_ns or protection.settle_ns > 0:
        return False
    for stage in protection.stages:  # noqa: SIM110  a generator costs more than all the rest
        if stage.differ_since_ns:
            return False
    return True
