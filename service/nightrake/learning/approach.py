"""Sorts a trip by how the torque came to it: jam, load-up, creep, contact fault, or cannot say. Pure.

The fastest rise that stands out decides, so a jam on a level that had crept is a jam. Everything is in shares of the
operating point and of the ordinary torque's own spread, so the unit of torque makes no difference. The rules are in
`approachtypes.CRITERIA`, in the order in which they are tried.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from nightrake.learning.approachrise import (
    DAY_S,
    STARTED,
    About,
    Level,
    Passed,
    Weeks,
    about,
    crept,
    hours_level,
    is_clear,
    joined,
    passed,
    risen,
    running_only,
    seconds_level,
    since_start,
    smoothed,
    step_at,
    weeks,
)
from nightrake.learning.approachtold import told
from nightrake.learning.approachtypes import (
    APART,
    CRITERIA,
    JAM_S,
    LOAD_UP_S,
    Approach,
    Criterion,
    Floats,
    Happened,
    Kind,
    Readings,
    Rise,
    Rows,
)
from nightrake.learning.dutywords import day, several, span

__all__ = ["CRITERIA", "Approach", "Criterion", "Happened", "Kind", "Readings", "Rise", "Rows", "judge"]
SOON_S = 600.0
"""A motor that started so shortly before an operation is told: it may have started into a settled bed."""
RULES = {criterion.kind: criterion.rule for criterion in CRITERIA}


class _Found(NamedTuple):
    """A verdict. why: Of `Kind.CANNOT_SAY`. remark: What limits it, "" = nothing."""

    kind: Kind
    rise: Rise | None = None
    why: str = ""
    remark: str = ""


def judge(given: Happened) -> Approach:
    """Sort one trip.

    Returns:
        Always a verdict: data that do not carry one give `Kind.CANNOT_SAY` with the reason.
    """
    here = about(given.readings)
    operating_nm, remarks = given.operating_nm, list(given.met)
    if not here.why_not and not (math.isfinite(operating_nm) and operating_nm > 0.0):
        operating_nm = here.nm
        remarks.append("The operating point is not known, so whether the torque supports the contact is not judged.")
    found = _sorted(given, here, operating_nm)
    if found.remark:
        remarks.append(found.remark)
    if (started_s := since_start(given.readings)) < SOON_S:
        remarks.append(f"The motor had started {span(started_s)} before.")
    if not here.why_not and math.isnan(here.uncertainty_nm):
        remarks.append("The calibration record states no uncertainty of the torque.")
    under = _under(given, found, operating_nm)
    return told(
        Approach(
            given.record,
            given.drive,
            given.direction,
            given.stage,
            given.utc_ms,
            found.kind,
            found.rise,
            under,
            here.nm,
            here.uncertainty_nm,
            given.operating_nm,
            found.why or RULES[found.kind],
            "",
            tuple(remarks),
        )
    )


def _under(given: Happened, found: _Found, operating_nm: float) -> Rise | None:
    """Creep that lies under a faster rise."""
    if found.kind not in (Kind.JAM, Kind.LOAD_UP) or found.rise is None:
        return None
    return crept(given, operating_nm, DAY_S / 2.0 + 1.5 * found.rise.seconds)


def _sorted(given: Happened, here: About, operating_nm: float) -> _Found:
    if here.why_not:
        return _Found(Kind.CANNOT_SAY, why=here.why_not)
    if operating_nm <= 0.0:
        return _Found(Kind.CANNOT_SAY, why="the torque was nothing, and the operating point is not known")
    if _is_fault(here, operating_nm):
        return _Found(Kind.CONTACT_FAULT)
    readings = running_only(given.readings)
    if not len(readings.at_s):
        return _Found(Kind.CANNOT_SAY, why="the motor stood, or no torque was read while it ran, before it")
    reached_nm = min(operating_nm, here.nm)
    return (
        _within_seconds(readings, here, reached_nm)
        or _within_hours(readings, given.hours, here, reached_nm)
        or _within_days(given, reached_nm)
        or _Found(Kind.CANNOT_SAY, why=_nothing_stands_out(given))
    )


def _is_fault(here: About, operating_nm: float) -> bool:
    uncertainty_nm = 0.0 if math.isnan(here.uncertainty_nm) else here.uncertainty_nm
    return not here.is_beyond and here.reach_nm + uncertainty_nm < (1.0 - APART) * operating_nm


def _within_seconds(readings: Readings, here: About, reached_nm: float) -> _Found | None:
    before = seconds_level(readings)
    if before is None or not is_clear(reached_nm - before.nm, before, reached_nm):
        return None
    series = readings.at_s, smoothed(readings.torque_nm)
    half = passed(*series, (before.nm + reached_nm) / 2.0)
    is_fast = half.within(JAM_S) if half is not None else False
    if half is not None and is_fast is None:
        return _Found(Kind.CANNOT_SAY, why=_hidden(half))
    if not is_fast:
        return None
    return _Found(Kind.JAM, _rise(*series, before, here, reached_nm))


def _within_hours(readings: Readings, hours: Rows, here: About, reached_nm: float) -> _Found | None:
    before, is_short = hours_level(readings, hours)
    if before is None or not is_clear(reached_nm - before.nm, before, reached_nm):
        return None
    at_s, torque_nm, slack_s = joined(readings, hours)
    half = passed(at_s, torque_nm, (before.nm + reached_nm) / 2.0, slack_s)
    if half is None or half.within(LOAD_UP_S) is False:
        return None
    is_fast = half.within(JAM_S)
    if is_fast is None or half.within(LOAD_UP_S) is None:
        return _Found(Kind.CANNOT_SAY, why=_hidden(half))
    remark = "Of the days before no hours are kept, so the level is that of the record's first quarter."
    kind = Kind.JAM if is_fast else Kind.LOAD_UP
    return _Found(kind, _rise(at_s, torque_nm, before, here, reached_nm), remark=remark if is_short else "")


def _within_days(given: Happened, reached_nm: float) -> _Found | None:
    found = weeks(given.days, DAY_S / 2.0)
    if found.before is None:
        return None
    rise_nm = reached_nm - min(found.reach_nm, reached_nm / 2.0) - found.before.nm
    if not is_clear(rise_nm, found.before, reached_nm):
        return None
    half = passed(found.days.at_s, found.days.median_nm, found.before.nm + rise_nm / 2.0)
    if half is None or half.most_s <= LOAD_UP_S:
        return None
    at = step_at(found.days, rise_nm)
    if at >= 0:
        return _Found(Kind.CANNOT_SAY, why=_stepped(given, found, at))
    return _Found(Kind.CREEP, risen(found, found.before, rise_nm))


def _rise(at_s: Floats, torque_nm: Floats, before: Level, here: About, reached_nm: float) -> Rise:
    """From the level to the operation, since the torque left a fifth of the way behind."""
    begun = passed(at_s, torque_nm, before.nm + STARTED * (reached_nm - before.nm))
    lasted_s = begun.most_s if begun is not None else -float(at_s[0])
    return Rise(before.nm, here.nm, max(lasted_s, here.step_s), before.is_below, here.is_beyond)


def _hidden(half: Passed) -> str:
    return (
        f"the torque rose within {span(half.most_s)}, of which {span(half.most_s - half.least_s)} were not read: how "
        "fast it rose is not known"
    )


def _stepped(given: Happened, found: Weeks, at: int) -> str:
    when = given.utc_ms + int(1000.0 * (float(found.days.at_s[at]) - DAY_S / 2.0))
    return f"the level rose in one step about {day(when)}, which is no creep; see what was changed then"


def _nothing_stands_out(given: Happened) -> str:
    if weeks(given.days, DAY_S / 2.0).before is None:
        return (
            "no rise within seconds or hours stands out, and for creep "
            f"{several(len(given.days.at_s), 'day')} with torque before it are too few"
        )
    return "no rise within seconds, hours or days stands out from the ordinary torque"
