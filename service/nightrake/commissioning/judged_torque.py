"""Judgements of torques: set points, gear rating, motor, gear train. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from nightrake.commissioning.finding import ALARM, BOTH, SHUTDOWN, STATICS, Finding, Verdict, missing, torque
from nightrake.commissioning.sheet import Sheet
from nightrake.commissioning.shown import number, shown, shown_range
from nightrake.commissioning.specification import SetPoint, SetPoints
from nightrake.commissioning.units import Dimension

CONTINUOUS = 1.00
SCHEME_TOP = 1.20
"""Shutdown over the gear's rating: up to 1 in conservative schemes, 1.2 in common ones, no scheme above it sets the
shutdown (design manuals, from memory)."""
USUAL_SHARE = (0.70, 0.90)
"""Alarm over shutdown (common practice, no source)."""
RUNNING_MARGIN = 1.20
"""Alarm over running torque. Source: W.H. Boyle, "Clarifier Drive Torque: Selection and Clarity", 25 May 2012."""
MANUALS = "percent-of-rating schemes of design manuals, from memory"
BOYLE = "W.H. Boyle, Clarifier Drive Torque: Selection and Clarity, 2012"
SPEED_NEAR, SPEED_FAR = 0.05, 0.25
"""Share by which the gear train's speed may differ from the stated one: slip and rounded ratios; a wrong ratio."""


def judge_torques(sheet: Sheet) -> Iterator[Finding]:
    """Set points first, then the motor, then the gear train."""
    yield from _bases(sheet)
    for points in sheet.specification.set_points:
        yield _shutdown_against_rating(sheet, points)
        yield _alarm_against_shutdown(points)
        yield _alarm_against_process(sheet, points)
        yield from _motor_reaches_alarm(sheet, points)
        yield _motor_reaches_shutdown(sheet, points)
    yield _motor_against_rating(sheet)
    yield _motor_carries_process(sheet)
    yield _speed(sheet)
    yield from _stages(sheet)


def _bases(sheet: Sheet) -> Iterator[Finding]:
    stated = [
        (f"{name}{points.ending}", point, stages)
        for points in sheet.specification.set_points
        for name, point, stages in (("alarm", points.alarm, ALARM), ("shutdown", points.shutdown, SHUTDOWN))
    ]
    for name, point, stages in stated:
        if point is not None and not point.base:
            text = (
                f"{name}_nm gives the torque without the base that it was chosen by; add {name}.percent and {name}.of"
            )
            yield Finding(f"{name} set point", Verdict.LOOK_AGAIN, f"{text}, or {name}.torque", stages=stages)


def _shutdown_against_rating(sheet: Sheet, points: SetPoints) -> Finding:
    subject, spec = f"shutdown against gear rating{points.words}", sheet.specification
    if points.shutdown is None or spec.gear_rating_nm is None:
        keys = [k for k, v in (("shutdown", points.shutdown), ("gear_rating", spec.gear_rating_nm)) if v is None]
        return missing(subject, *keys, stages=SHUTDOWN)
    share, rating = points.shutdown.torque_nm / spec.gear_rating_nm, torque(spec.gear_rating_nm)
    high_nm, by = _highest(sheet, points)
    text = f"shutdown at {torque(points.shutdown.torque_nm)} is {number(100 * share, 3)} % of the gear rating"
    if share <= CONTINUOUS + 1e-9 and high_nm > spec.gear_rating_nm:
        verdict, more = Verdict.LOOK_AGAIN, f"but {by} it may come as late as {torque(high_nm)}, above {rating}"
    elif share <= CONTINUOUS + 1e-9 and high_nm:
        verdict, more = Verdict.OK, f"and {by} it comes at {torque(high_nm)} at the latest, within the rating"
    elif share <= CONTINUOUS + 1e-9:
        verdict, more = Verdict.OK, "within it; how far the contact's own torque goes is not known"
    elif share <= SCHEME_TOP + 1e-9:
        verdict, more = Verdict.LOOK_AGAIN, "which some schemes allow up to 120 %; have the gear maker confirm it"
    else:
        verdict, more = Verdict.WRONG, "so the gears are overloaded before the drive stops; no usual scheme goes so far"
    return Finding(subject, verdict, f"{text}, {more}", MANUALS, SHUTDOWN)


def _highest(sheet: Sheet, points: SetPoints) -> tuple[float, str]:
    """The highest torque at which the shutdown contact can come, N.m (0 = cannot be computed), and by what.

    With a record in force the contact is set by it, within its tolerance; without one the gear train's efficiency range
    is open. The springs' temperature comes on top.
    """
    spec, highest = sheet.specification, (0.0, "")
    for side in sheet.sides.values():
        point = side.shutdown
        if point is None or spec.set_points_of(side.direction) != points:
            continue
        warmth = 1.0 + max(0.0, *(point.drift or (0.0,)))
        if side.direction in spec.drive.calibrations:
            found = (point.torque_nm * (1.0 + spec.tolerance_pct / 100.0) * warmth, "by the contact's tolerance")
        else:
            found = (point.actual_nm.high * warmth, "by the gears' efficiency")
        highest = max(highest, (found[0], f"{found[1]} and the springs' temperature" if point.drift else found[1]))
    return highest


def _alarm_against_shutdown(points: SetPoints) -> Finding:
    subject = f"alarm against shutdown{points.words}"
    if points.alarm is None or points.shutdown is None:
        keys = [k for k, v in (("alarm", points.alarm), ("shutdown", points.shutdown)) if v is None]
        return missing(subject, *keys, stages=BOTH)
    share = points.alarm.torque_nm / points.shutdown.torque_nm
    text = f"alarm at {torque(points.alarm.torque_nm)} is {number(100 * share, 3)} % of shutdown"
    low, high = USUAL_SHARE
    if share >= 1.0:
        verdict, more = Verdict.WRONG, "so the drive would stop before anybody is told; set the alarm below it"
    elif share > high + 1e-9:
        verdict, more = Verdict.LOOK_AGAIN, "above the usual 70 to 90 %, so little time is left between the two"
    elif share < low - 1e-9:
        verdict, more = Verdict.OK, "below the usual 70 to 90 %, which is allowed: an earlier warning, more of them"
    else:
        verdict, more = Verdict.OK, "within the usual 70 to 90 %"
    return Finding(subject, verdict, f"{text}, {more}", stages=BOTH)


def _alarm_against_process(sheet: Sheet, points: SetPoints) -> Finding:
    subject, spec = f"alarm above the normal torque{points.words}", sheet.specification
    if points.alarm is None or spec.process is None:
        keys = [k for k, v in (("alarm", points.alarm), ("process", spec.process)) if v is None]
        return missing(subject, *keys, stages=ALARM)
    ratio = points.alarm.torque_nm / spec.process.torque_nm
    text = f"the alarm is {number(ratio, 3)} times the normal {torque(spec.process.torque_nm)}"
    if ratio <= 1.0:
        verdict, more = Verdict.WRONG, "so the drive would run in alarm all day"
    elif ratio < RUNNING_MARGIN - 1e-9:
        verdict, more = Verdict.LOOK_AGAIN, "less than the usual margin of 1.2 times"
    else:
        verdict, more = Verdict.OK, "1.2 times or more"
    return Finding(subject, verdict, f"{text}, {more}", BOYLE, ALARM)


def _force_keys(sheet: Sheet) -> list[str]:
    """Keys without which nobody can say what the motor can force."""
    motor, spec = sheet.specification.motor, sheet.specification
    keys = [k for k, v in (("motor.power", motor.power_w), ("motor.speed", motor.speed_rad_s)) if v is None]
    return keys + [f"a gear stage of part '{p}'" for p in ("primary", "main") if not spec.part(p)]


def stall_keys(sheet: Sheet) -> list[str]:
    """Keys that the highest motor torque needs."""
    motor = sheet.specification.motor
    if motor.supply is None:
        return ["motor.supply", *(["motor.breakdown_ratio"] if motor.breakdown_ratio is None else [])]
    return ["motor.limit_ratio" if motor.supply == "variable frequency" else "motor.breakdown_ratio"]


def _motor_reaches_shutdown(sheet: Sheet, points: SetPoints) -> Finding:
    subject, shutdown, force = f"motor able to reach shutdown{points.words}", points.shutdown, sheet.force
    if shutdown is None or force is None:
        keys = [*([] if shutdown else ["shutdown"]), *([] if force else _force_keys(sheet))]
        return missing(subject, *keys, stages=SHUTDOWN)
    if force.rated_nm.low >= shutdown.torque_nm:
        text = (
            f"at rated motor torque and the lowest efficiency it forces {torque(force.rated_nm.low)}, shutdown or more"
        )
        return Finding(subject, Verdict.OK, text, STATICS, SHUTDOWN)
    if force.stall_nm is None:
        return missing(subject, *stall_keys(sheet), stages=SHUTDOWN)
    if force.stall_nm.high < shutdown.torque_nm:
        text = f"it stalls at {torque(force.stall_nm.high)} even at the best efficiency, so the shutdown contact would"
        return Finding(
            subject, Verdict.WRONG, f"{text} never operate; correct motor, gears or set point", STATICS, SHUTDOWN
        )
    if force.stall_nm.low < shutdown.torque_nm:
        text = f"it stalls between {torque(force.stall_nm.low)} and {torque(force.stall_nm.high)}, by the efficiency"
        return Finding(subject, Verdict.LOOK_AGAIN, f"{text}, so it may stall before shutdown", STATICS, SHUTDOWN)
    text = f"before it stalls it forces at least {torque(force.stall_nm.low)}, more than shutdown"
    return Finding(subject, Verdict.OK, text, STATICS, SHUTDOWN)


def _motor_reaches_alarm(sheet: Sheet, points: SetPoints) -> Iterator[Finding]:
    """A motor that has to work above its rating before anybody is told may be tripped by its overload relay first."""
    alarm, force = points.alarm, sheet.force
    if alarm is None or force is None:
        return  # what is missing is told for shutdown
    subject, rated = f"motor at the alarm{points.words}", force.rated_nm
    if rated.low >= alarm.torque_nm:
        text = f"at rated motor torque and the lowest efficiency it forces {torque(rated.low)}, the alarm or more"
        yield Finding(subject, Verdict.OK, text, STATICS, ALARM)
        return
    forced = f"{torque(rated.low)} to {torque(rated.high)}, by the efficiency," if rated.high > rated.low else ""
    text = (
        f"rated motor torque forces {forced or torque(rated.high)} and the alarm is {torque(alarm.torque_nm)}, so the"
    )
    text += " motor may have to work above its rating before anybody is told: its overload relay may trip first"
    yield Finding(subject, Verdict.LOOK_AGAIN, text, STATICS, ALARM)


def _motor_against_rating(sheet: Sheet) -> Finding:
    """Why the device is there."""
    subject, rating, force = "motor against gear rating", sheet.specification.gear_rating_nm, sheet.force
    if rating is None or force is None:
        keys = [*([] if rating else ["gear_rating"]), *([] if force else _force_keys(sheet))]
        return missing(subject, *keys)
    if force.stall_nm is None:
        return missing(subject, *stall_keys(sheet))
    ratio = force.stall_nm.high / rating
    if ratio <= 1.0:
        text = f"even stalled it forces no more than {torque(force.stall_nm.high)}, within the gear rating"
    else:
        text = f"stalled it can force {number(ratio, 3)} times the gear rating: why the overload device is there"
    return Finding(subject, Verdict.OK, text, STATICS)


def _motor_carries_process(sheet: Sheet) -> Finding:
    subject, need, power_w = "motor power for the normal load", sheet.motor_w, sheet.specification.motor.power_w
    if need is None or power_w is None:
        spec = sheet.specification
        keys = [k for k, v in (("process", spec.process), ("motor.power", power_w)) if v is None]
        keys += [] if spec.output_rad_s else ["output_speed"]
        keys += [f"a gear stage of part '{p}'" for p in ("primary", "main") if not spec.part(p)]
        return missing(subject, *keys)
    needed = shown_range((need.low, need.high), Dimension.POWER, 3)[0]
    text = f"the normal load takes {needed} of the motor's {shown(power_w, Dimension.POWER, 3)[0]}"
    if need.low > power_w:
        return Finding(subject, Verdict.WRONG, f"{text}: more than it has at any efficiency", STATICS)
    if need.high > power_w:
        return Finding(subject, Verdict.LOOK_AGAIN, f"{text}: more than it has at the lowest efficiency", STATICS)
    return Finding(subject, Verdict.OK, text, STATICS)


def _speed(sheet: Sheet) -> Finding:
    subject, spec = "output speed by the gear train", sheet.specification
    if sheet.train_rad_s is None or spec.output_rad_s is None:
        keys = [*([] if spec.output_rad_s else ["output_speed"]), *([] if spec.motor.speed_rad_s else ["motor.speed"])]
        keys += [f"a gear stage of part '{p}'" for p in ("primary", "main") if not spec.part(p)]
        return missing(subject, *keys)
    by_train, stated = (shown(v, Dimension.SPEED)[0] for v in (sheet.train_rad_s, spec.output_rad_s))
    off = abs(sheet.train_rad_s / spec.output_rad_s - 1.0)
    text = f"rated motor speed over the ratio gives {by_train}, and {stated} is stated"
    if off <= SPEED_NEAR:
        return Finding(subject, Verdict.OK, text, STATICS)
    if spec.motor.supply == "variable frequency":
        return Finding(
            subject, Verdict.LOOK_AGAIN, f"{text}: {number(100 * off, 2)} % apart, so is it run off its rated speed?"
        )
    verdict = Verdict.LOOK_AGAIN if off <= SPEED_FAR else Verdict.WRONG
    return Finding(subject, verdict, f"{text}: {number(100 * off, 3)} % apart; correct ratios or speed", STATICS)


def _stages(sheet: Sheet) -> Iterator[Finding]:
    """Stages that do not look like their kind, and worms that hold the wind-up."""
    for place, stage in enumerate(sheet.specification.stages, 1):
        name, book = f"gear stage {place}, {stage.kind}", stage.handbook
        if not book.least <= stage.ratio <= book.most:
            text = f"its ratio of {stage.ratio:g} is outside the usual {book.least:g} to {book.most:g} of one stage"
            yield Finding(name, Verdict.LOOK_AGAIN, text, book.source)
        if not book.low <= stage.efficiency.best <= book.high:
            text = f"its efficiency of {stage.efficiency.best:.3g} is outside the usual {book.low:g} to {book.high:g}"
            yield Finding(name, Verdict.LOOK_AGAIN, text, book.source)
        if stage.self_locking:
            text = "it is self-locking, so a stopped drive holds its wind-up as stored energy until that is let off"
            yield Finding(name, Verdict.LOOK_AGAIN, text, STATICS)
    if sheet.primary is None or sheet.main is None:
        return
    worst = sheet.main.high / sheet.main.low
    text = f"the main gear unit's efficiency of {sheet.main.low:.3g} to {sheet.main.high:.3g} makes the torque at one "
    text += f"position uncertain by a factor of {number(worst, 3)}"
    records = sheet.specification.drive.calibrations
    lacking = [d for d in sheet.specification.drive.directions if d not in records]
    if lacking:
        text += f", and there is no calibration record for {' and '.join(lacking)}: only a record narrows it"
        yield Finding("torque from efficiency", Verdict.LOOK_AGAIN, text, STATICS)
    else:
        text += f"; the calibration record in force ({', '.join(c.ref for c in records.values())}) is what counts"
        yield Finding("torque from efficiency", Verdict.OK, text, STATICS)


def base_text(point: SetPoint) -> str:
    """A set point's base in words."""
    if point.percent is not None:
        return f"{point.percent:g} % of {point.base}"
    return "given as a torque" if point.base else "base not stated"
