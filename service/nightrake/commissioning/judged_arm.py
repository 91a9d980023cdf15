"""Judgements of the arm: positions, travel, contacts, transducer, temperature. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from nightrake.commissioning.finding import (
    ALARM,
    BOTH,
    SHUTDOWN,
    STATICS,
    Finding,
    Verdict,
    missing,
    torque,
    travel,
)
from nightrake.commissioning.judged_record import judge_record
from nightrake.commissioning.sheet import Sheet, Side, StagePoint
from nightrake.commissioning.shown import number
from nightrake.domain.site import Direction, Form, Stage

FINE_STEP = 0.005
"""A transducer's step is no more than this share of shutdown torque (common practice, no source)."""
SPRING_STEEL = "change of shear modulus of spring steel, general handbooks, from memory"
NEAR = 2.0
"""Contacts closer together than this many differentials deserve a look (common practice, no source)."""
DRIFT_OK, DRIFT_MUCH = 0.01, 0.03
"""Change of torque at one position with temperature: within what a record's uncertainty covers; beyond it."""


def judge_arm(sheet: Sheet) -> Iterator[Finding]:
    """Each sensed direction: its arm, then its contacts; then what holds for the device."""
    for direction in sheet.specification.drive.directions:
        side = sheet.sides.get(direction)
        more = f", {direction}" if len(sheet.specification.drive.directions) > 1 else ""
        if side is None:
            yield missing(f"arm position{more}", *_side_keys(sheet, direction), stages=BOTH)
        else:
            yield from _positions(sheet, side, more)
        yield from _contacts(sheet, direction, more)
    yield from _device(sheet)


def _side_keys(sheet: Sheet, direction: Direction) -> list[str]:
    spec = sheet.specification
    keys = [] if spec.arm is not None else ["arm.length"]
    keys += [] if direction in spec.springs else ["springs (with rate or wire, and preload)"]
    parts = ("main",) if spec.floating == "gearmotor" else ("primary", "main")
    return keys + [f"a gear stage of part '{p}'" for p in parts if not spec.part(p)]


def _positions(sheet: Sheet, side: Side, more: str) -> Iterator[Finding]:
    if not side.rises:
        text = "the torque does not rise with the arm's travel all the way, so a position does not tell the torque"
        yield Finding(f"arm and springs{more}", Verdict.WRONG, text, STATICS, BOTH)
        return
    for name, point, stages in (("alarm", side.alarm, ALARM), ("shutdown", side.shutdown, SHUTDOWN)):
        if point is None:
            yield missing(f"{name} within the travel{more}", name, stages=stages)
        else:
            yield _within(sheet, side, point, f"{name} within the travel{more}", stages)
    yield from _apart(sheet, side, more)
    yield from _dead_zone(sheet, side, more)
    yield from _resolution(sheet, side, more)
    yield from _temperature(side, more)
    yield from _free_spring(side, more)
    yield from judge_record(sheet, side, more)


def _within(sheet: Sheet, side: Side, point: StagePoint, subject: str, stages: frozenset[Stage]) -> Finding:
    if point.position_m is None or point.position_m <= 0.0:
        dead = torque(side.dead_zone_nm)
        if point.torque_nm <= side.dead_zone_nm:
            text = f"the preload holds the arm on its stop up to {dead}, so this contact cannot be set at"
            text += f" {torque(point.torque_nm)}"
        else:
            text = (
                f"no position of the arm shows {torque(point.torque_nm)}; the springs are too soft or the arm too short"
            )
        return Finding(subject, Verdict.WRONG, text, STATICS, stages)
    at, end, gap = point.position_m, side.travel_m, sheet.specification.differential_m
    if end is None:
        return missing(subject, "arm.travel", stages=stages)
    text = f"it comes at {travel(at)} of {travel(end)}"
    if at > end:
        return Finding(
            subject, Verdict.WRONG, f"{text}, past the end stop: the contact would never operate", STATICS, stages
        )
    if gap is not None and (end - at < gap or at < gap):
        where = "the end stop" if end - at < gap else "the rest stop"
        text += f", closer to {where} than the contact's differential, so it may not operate or not release"
        return Finding(subject, Verdict.LOOK_AGAIN, text, STATICS, stages)
    position = sheet.specification.drive.position
    if position is not None:
        low, high = sorted((position.lo_mm / 1000.0, position.hi_mm / 1000.0))
        signed = -at if side.direction is Direction.REVERSE else at
        if not low <= signed <= high:
            text += f", outside the transducer's span of {travel(low)} to {travel(high)}"
            return Finding(subject, Verdict.LOOK_AGAIN, text, STATICS, stages)
    return Finding(subject, Verdict.OK, text, STATICS, stages)


def _apart(sheet: Sheet, side: Side, more: str) -> Iterator[Finding]:
    subject, gap = f"contacts apart{more}", sheet.specification.differential_m
    if side.alarm is None or side.shutdown is None:
        return
    if side.alarm.position_m is None or side.shutdown.position_m is None:
        return
    if gap is None:
        yield missing(subject, "contacts.differential", stages=BOTH)
        return
    apart = side.shutdown.position_m - side.alarm.position_m
    text = f"the contacts are {travel(apart)} apart, with a differential of {travel(gap)}"
    if apart <= gap:
        yield Finding(subject, Verdict.WRONG, f"{text}: they cannot be told apart; use softer springs", stages=BOTH)
    elif apart < NEAR * gap:
        yield Finding(subject, Verdict.LOOK_AGAIN, f"{text}: less than twice of it", stages=BOTH)
    else:
        yield Finding(subject, Verdict.OK, text, stages=BOTH)


def _dead_zone(sheet: Sheet, side: Side, more: str) -> Iterator[Finding]:
    subject, process = f"dead zone below preload{more}", sheet.specification.process
    if side.device.springs.is_pair:
        yield Finding(subject, Verdict.OK, "the centred pair has none: the arm moves from the first torque on", STATICS)
        return
    text = f"below {torque(side.dead_zone_nm)} the arm rests on its stop and the position says only 'less than this'"
    if process is None:
        yield missing(subject, "process")
    elif process.torque_nm <= side.dead_zone_nm:
        text += f"; the normal {torque(process.torque_nm)} lies in it, so creep in normal running cannot be seen"
        yield Finding(subject, Verdict.LOOK_AGAIN, text, STATICS)
    else:
        yield Finding(subject, Verdict.OK, f"{text}; the normal torque lies above it", STATICS)


def _resolution(sheet: Sheet, side: Side, more: str) -> Iterator[Finding]:
    subject, point = f"transducer resolution{more}", side.shutdown
    if sheet.specification.drive.position is None:
        text = "there is no position transducer, so no torque is shown, only the contacts"
        yield Finding(subject, Verdict.LOOK_AGAIN, text)
        return
    if sheet.step_m is None:
        yield missing(subject, "transducer_resolution")
        return
    if point is None or point.step_nm is None:
        return
    share = point.step_nm / point.torque_nm
    text = f"one step of {sheet.step_m * 1e6:.3g} um is {torque(point.step_nm)} at shutdown, {number(100 * share, 2)} %"
    text += " of it"
    if share <= FINE_STEP:
        yield Finding(subject, Verdict.OK, text)
    else:
        yield Finding(subject, Verdict.LOOK_AGAIN, f"{text}: coarse, so a slow rise is seen late")


def _temperature(side: Side, more: str) -> Iterator[Finding]:
    subject, point = f"temperature and springs{more}", side.shutdown
    if point is None:
        return
    if point.drift is None:
        yield missing(subject, "temperature.lowest", "temperature.highest")
        return
    low, high = sorted(point.drift)
    worst = max(abs(low), abs(high))
    text = f"over the temperature range the contacts come at torques {100 * low:+.2f} % to {100 * high:+.2f} % off"
    if worst <= DRIFT_OK:
        yield Finding(subject, Verdict.OK, text, SPRING_STEEL, BOTH)
        return
    text += ", more than 1 %" if worst <= DRIFT_MUCH else ", far more than a calibration record covers"
    yield Finding(subject, Verdict.LOOK_AGAIN, text, SPRING_STEEL, BOTH)


def _free_spring(side: Side, more: str) -> Iterator[Finding]:
    """A centred pair reads straight only while both its springs are loaded."""
    subject, springs = f"centred pair{more}", side.device.springs
    if not springs.is_pair:
        return
    end = side.travel_m or max((p.position_m for p in (side.alarm, side.shutdown) if p and p.position_m), default=0.0)
    if springs.free_at_m >= end:
        text = f"both springs stay loaded up to {travel(springs.free_at_m)}, past the end of the travel"
        yield Finding(subject, Verdict.OK, text, STATICS)
    else:
        text = (
            f"one spring comes free at {travel(springs.free_at_m)}, before the end of the travel at {travel(end)}; the"
        )
        yield Finding(subject, Verdict.LOOK_AGAIN, f"{text} slope halves there, so preload both more", STATICS)


def _contacts(sheet: Sheet, direction: Direction, more: str) -> Iterator[Finding]:
    spec = sheet.specification
    for stage, stages in ((Stage.ALARM, ALARM), (Stage.SHUTDOWN, SHUTDOWN)):
        subject = f"{stage} contacts{more}"
        here = [c for c in spec.drive.contacts if c.id.direction is direction and c.id.stage is stage]
        if not here:
            text = f"there is no {stage} contact for {direction}; add one, for position alone stops nothing"
            yield Finding(subject, Verdict.WRONG, text, stages=stages)
            continue
        channels = " and ".join(c.id.channel for c in here)
        is_open = [c.id.channel for c in here if c.form is Form.NORMALLY_OPEN]
        if is_open and stage not in spec.supervised:
            text = (
                f"channel {' and '.join(is_open)} is wired normally open without supervision, so a broken wire reads as"
            )
            text += " healthy; rewire it normally closed, or supervise the loop and say so in contacts.supervised"
            yield Finding(subject, Verdict.LOOK_AGAIN, text, stages=stages)
        elif is_open:
            yield Finding(subject, Verdict.OK, f"channel {channels}, normally open, supervised", stages=stages)
        else:
            text = f"channel {channels}, normally closed: a broken wire reads as operated"
            yield Finding(subject, Verdict.OK, text, stages=stages)


def _device(sheet: Sheet) -> Iterator[Finding]:
    spec = sheet.specification
    if spec.orientation is None:
        yield missing("mounting", "orientation")
    elif spec.orientation == "vertical" or spec.balanced:
        why = "the shaft is vertical" if spec.orientation == "vertical" else "its centre of mass lies on the shaft"
        yield Finding("mounting", Verdict.OK, f"{why}, so the weight adds no torque to the arm", STATICS)
    else:
        text = f"the shaft is {spec.orientation}, so the weight adds a torque that changes with the arm's angle;"
        yield Finding(
            "mounting", Verdict.LOOK_AGAIN, f"{text} balance it, or have it calibrated in this position", STATICS
        )
    sensed = {str(d) for d in spec.drive.directions}
    blind = [d for d in spec.runs if d not in sensed]
    if not spec.runs:
        yield missing("directions", "runs")
    elif blind:
        text = f"the motor can turn it in {' and '.join(blind)}, where no torque is sensed and no contact can operate"
        yield Finding("directions", Verdict.LOOK_AGAIN, text)
    else:
        text = f"torque is sensed wherever the motor can turn it: {', '.join(spec.runs)}"
        yield Finding("directions", Verdict.OK, text, stages=BOTH)
