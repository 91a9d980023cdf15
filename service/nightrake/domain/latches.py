"""What holds a drive's shutdown latches: what its contacts read now, and what goes with a latch. Pure."""

from __future__ import annotations

from nightrake.alarms import asked
from nightrake.alarms.book import alarm_of, is_latched
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.life import ACTIVE, Life
from nightrake.alarms.records import Subject
from nightrake.alarms.release import Facts
from nightrake.alarms.standing import SiteAlarms
from nightrake.domain.reading import Exactness
from nightrake.domain.site import Stage
from nightrake.domain.state import SiteState

KIND = "shutdown_contact"


def latched_sides(alarms: SiteAlarms, drive: str) -> tuple[str, ...]:
    """Directions whose shutdown holds the drive, those that it no longer senses by its settings included."""
    subject = alarms.book.subjects.get(drive, Subject())
    keys = [alarm.key for alarm in subject.alarms.values() if alarm.key.kind == KIND]
    return tuple(k.direction for k in keys if is_latched(alarms.book, drive, k.direction))


def shutdown_contacts(state: SiteState, drive: str, side: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names of shutdown contacts that read operated, or counted as operated; and of those that cannot be read well.

    Args:
        side: Of one direction, "" = of all.
    """
    wire, protection = state.wires[drive], state.drives[drive].protection
    operated, unreadable = [], []
    for stage, known in zip(wire.stages, protection.stages, strict=True):
        if stage.stage is not Stage.SHUTDOWN or (side and stage.direction != side):
            continue
        contacts = [(wire.contacts[i].spec.id, protection.contacts[i]) for i in stage.contacts]
        reading = [f"{i.direction} {i.channel}" for i, c in contacts if c.raw == 1 and not c.bad]
        operated += reading or ([str(stage.direction)] if known.operated == 1 else [])
        # Each channel counts: the one that is not read may be the one that holds.
        unreadable += [f"{i.direction} {i.channel}" for i, c in contacts if c.bad]
    return tuple(operated), tuple(unreadable)


def why_not_reset(state: SiteState, alarms: SiteAlarms, drive: str, side: str, now_ns: int) -> str:
    """Why a latch cannot be reset now, "" = it can. A contact's debounce is no reason to let go."""
    key = AlarmKey(drive, side, KIND)
    life, rule = alarm_of(alarms.book, key).state, state.plan.rules.of(key)
    operated, unreadable = shutdown_contacts(state, drive, side)
    if operated:
        return asked.STILL_OPERATED
    latched = is_latched(alarms.book, drive, side)
    if rule is None or not (latched or state.plan.rules.there_is(key)):
        return asked.UNKNOWN_ALARM
    return asked.NOT_READABLE if unreadable and latched else asked.why_not_reset(life, rule, now_ns)


def why_latch_holds(state: SiteState, alarms: SiteAlarms, drive: str, now_ns: int) -> str:
    """Why a latch could not be reset with a release, beyond what the release itself looks at; "" = it could."""
    for side in latched_sides(alarms, drive):
        key = AlarmKey(drive, side, KIND)
        life, rule = alarm_of(alarms.book, key).state, state.plan.rules.of(key)
        if rule is None or life.condition is not False:
            continue  # what the release itself looks at
        seen = Life.ACKNOWLEDGED if life.life in ACTIVE else Life.LATCHED_ACKNOWLEDGED  # whoever releases has seen it
        why = asked.why_not_reset(life._replace(life=seen), rule, now_ns)
        if why:
            return why
    return ""


def seen_for_release(state: SiteState, alarms: SiteAlarms, drive: str, now_ns: int) -> Facts:
    """What is read of a drive at the moment of a release.

    Args:
        state: The site. alarms: Its alarms as they stand now.
    """
    spec, torque = state.wires[drive].spec, state.drives[drive].torque
    operated, unreadable = shutdown_contacts(state, drive, "")
    return Facts(
        operated=operated,
        unreadable=unreadable,
        torque_nm=torque.value if torque.kind is not Exactness.ABSENT else None,
        torque_is=torque.kind.value,
        torque_fitted=spec.position is not None and bool(spec.calibrations),
        latch=why_latch_holds(state, alarms, drive, now_ns),
    )


def without_stop(state: SiteState, drive: str, side: str) -> SiteState:
    """With the latch goes the verdict on its stop: a motor that stops days later confirms nothing."""
    before = state.drives[drive]
    if before.protection.stop_direction != side:
        return state
    protection = before.protection._replace(stop="", stop_due_ns=0, stop_direction="")
    drives = {**state.drives, drive: before._replace(protection=protection, tick_due_ns=1)}
    return state._replace(drives=drives)
