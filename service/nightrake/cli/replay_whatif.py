"""`nightrake replay --set`: the alarms that came, and those that would have come by other settings, side by side."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator, Mapping, Sequence

from nightrake.alarms.life import ACTIVE
from nightrake.alarms.told import span_text, stamp
from nightrake.cli.journal_wanted import zone_at
from nightrake.cli.period import period_text
from nightrake.domain.drive import DriveState
from nightrake.domain.reading import Exactness
from nightrake.domain.rows import Entry
from nightrake.domain.site import Direction, SiteSpec, Stage
from nightrake.domain.state import SiteState
from nightrake.errors import NightrakeError
from nightrake.history.compare import (
    Count,
    Course,
    Crossings,
    Occurrence,
    Pair,
    Standing,
    counts,
    paired,
    standing_apart,
)
from nightrake.history.period import Period
from nightrake.replaying import Run, Step
from nightrake.settings import Settings
from nightrake.whatif import Change

SHOWN = 200
"""Single occurrences shown; the rest is in the table, and all of it in --json."""
NOTE = (
    "Contacts, readings and commands went in as they were: a changed set point moves what is judged by torque, not the "
    "switch in the device, and people answered to what they saw then. The change came in with the first input of the "
    "snapshot before the period, as by a reload."
)
REACHED = (
    "Torque at the changed set points, by the position: how often a contact that stands exactly there would have "
    "operated."
)
Overrides = Mapping[str, str | int | float]


def change_of(settings: Settings, changed: Settings, other: Overrides) -> Change:
    """What other settings come to.

    Raises:
        NightrakeError: They change nothing that a replay judges by.
    """
    change = Change((settings.site, settings.response), (changed.site, changed.response))
    if change.is_none:
        which = ", ".join(f"{key}={value}" for key, value in other.items())
        raise NightrakeError(
            f"--set {which}: no drive and no alarm is judged otherwise by that, or the folder says the same already; "
            "there is nothing to compare"
        )
    return change


class Courses:
    """Both courses, gathered.

    Args:
        period: What came before it is left out.
    """

    def __init__(self, period: Period) -> None:
        self._period = period
        self._was, self._now = Course(), Course()
        self._reached = (Crossings(), Crossings())
        self._sites: tuple[SiteSpec | None, SiteSpec | None] = (None, None)
        self._moved: list[tuple[str, Direction, Stage, tuple[float, float]]] = []
        self._at_ms, self._mono_ms, self._utc_ms = 0, -1, 0
        self._before: tuple[SiteState, ...] = ()
        self._within = False
        self._standing: list[Standing] = []
        self._above: list[Standing] = []

    def take(self, step: Step, runs: Sequence[Run]) -> None:
        """One input more, and both runs behind it."""
        record = step.record
        mono_ms = record.mono_ns // 1_000_000
        # Another start of the machine counts its time from zero; what lies between is known by the clock only.
        passed = mono_ms - self._mono_ms if mono_ms >= self._mono_ms else max(0, record.utc_ms - self._utc_ms)
        self._at_ms += passed if self._mono_ms >= 0 else 0
        self._mono_ms, self._utc_ms = mono_ms, record.utc_ms
        was_within, self._within = self._within, self._period.from_ms <= record.utc_ms < self._period.to_ms
        if self._within and not was_within:
            self._enter(step, runs)
        self._before = tuple(run.state for run in runs)
        for course, entries in zip((self._was, self._now), step.entries, strict=True):
            if entries:
                course.take(entries, self._at_ms, record.utc_ms)
        self._look(runs, record.utc_ms)

    def _look(self, runs: Sequence[Run], utc_ms: int) -> None:
        """Torque beside the set points that are not the same in both."""
        sites = (runs[0].state.site, runs[1].state.site)
        if self._sites[0] is not sites[0] or self._sites[1] is not sites[1]:
            self._sites, self._moved = sites, list(_moved(*sites))
        for drive, direction, stage, limits_nm in self._moved:
            name = f"{drive}/{direction} {stage} point"
            for crossings, run, limit_nm in zip(self._reached, runs, limits_nm, strict=True):
                if limit_nm:
                    torque_nm = _torque_nm(run.state.drives[drive], direction)
                    crossings.take(name, torque_nm, limit_nm, self._at_ms, utc_ms)

    def _enter(self, step: Step, runs: Sequence[Run]) -> None:
        """The period begins with this input (anew, where the clock was set back): what stands then, in one run only?"""
        at_ms = step.record.utc_ms
        if self._before:
            was, now = (standing_in(state) for state in self._before)
        else:  # the snapshot lies in the period; what comes with the first input has come within it
            was, now = (
                {name: ms for name, ms in standing_in(run.state).items() if name not in _named(entries)}
                for run, entries in zip(runs, step.entries, strict=True)
            )
        self._standing += standing_apart(was, now, at_ms)
        self._above += standing_apart(self._reached[0].standing(), self._reached[1].standing(), at_ms)

    def standing(self) -> list[Standing]:
        """Alarms that stand when the period begins in one course only, but for those of `pairs`."""
        return _unpaired(self._standing, self.pairs())

    def above(self) -> list[Standing]:
        """Changed set points likewise that torque has reached before, but for those of `reached`."""
        return _unpaired(self._above, self.reached())

    def pairs(self) -> list[Pair]:
        """All alarms that came within the period."""
        return self._inside(paired(self._was.occurrences, self._now.occurrences))

    def reached(self) -> list[Pair]:
        """When torque reached the changed set points within the period."""
        was, now = self._reached
        return self._inside(paired(was.occurrences, now.occurrences))

    def _inside(self, every: list[Pair]) -> list[Pair]:
        return [pair for pair in every if any(self._is_inside(one) for one in (pair.was, pair.now))]

    def _is_inside(self, one: Occurrence | None) -> bool:
        return one is not None and self._period.from_ms <= one.utc_ms < self._period.to_ms

    # --- telling ------------------------------------------------------------------------------------------------------

    def text(self, other: Overrides, settings: Settings) -> str:
        """For people, in 80 columns."""
        return "\n".join(self._lines(other, settings))

    def _lines(self, other: Overrides, settings: Settings) -> Iterator[str]:
        which = ", ".join(f"{key} = {value}" for key, value in other.items())
        yield from textwrap.wrap(f"What if {which}: {period_text(settings, self._period)}", 80)
        yield from _course("alarm", self.pairs(), self.standing(), settings)
        reached, above = self.reached(), self.above()
        if reached or above:
            yield from textwrap.wrap(REACHED, 80)
            yield from _course("set point", reached, above, settings)
        yield from textwrap.wrap(NOTE, 80)

    def json(self, other: Overrides, settings: Settings) -> str:
        """The same as one object."""
        pairs = self.pairs()
        whole = {
            "set": dict(other),
            "from_utc_ms": self._period.from_ms,
            "to_utc_ms": self._period.to_ms,
            "zone": zone_at(settings, self._period.from_ms).name,
            "alarms": [count._asdict() for count in counts(pairs)],
            "occurrences": [_as_json("alarm", pair) for pair in pairs],
            "standing": [one._asdict() for one in self.standing()],
            "set_points_reached": [_as_json("set_point", pair) for pair in self.reached()],
            "set_points_stood_above": [one._asdict() for one in self.above()],
            "note": NOTE,
        }
        return json.dumps(whole)


def standing_in(state: SiteState) -> dict[str, int]:
    """Alarms whose condition holds, and when they came, UTC ms."""
    alarms = (alarm for subject in state.alarms.book.subjects.values() for alarm in subject.alarms.items())
    return {name: alarm.state.raised_utc_ms for name, alarm in alarms if alarm.state.life in ACTIVE}


def _named(entries: Sequence[Entry]) -> set[str]:
    return {str(entry.data.get("alarm")) for entry in entries if entry.kind == "alarm"}


def _unpaired(standing: Sequence[Standing], pairs: Sequence[Pair]) -> list[Standing]:
    """Those that no pair of the period tells of."""
    told = {(one.alarm, one.utc_ms) for pair in pairs for one in (pair.was, pair.now) if one is not None}
    found: dict[tuple[str, bool, int], Standing] = {}
    for one in standing:
        if (one.name, one.came_utc_ms) not in told:
            found.setdefault((one.name, one.was, one.came_utc_ms), one)  # entered anew by a clock that was set back
    return list(found.values())


def _moved(was: SiteSpec, now: SiteSpec) -> Iterator[tuple[str, Direction, Stage, tuple[float, float]]]:
    """Set points that two sites have otherwise, N.m; 0 = not stated."""
    for drive, spec in now.drives.items():
        before = was.drives.get(drive)
        for side, stage in ((side, stage) for side in spec.directions for stage in Stage):
            limits = (before.set_point_nm(side, stage) if before is not None else 0.0, spec.set_point_nm(side, stage))
            if limits[0] != limits[1]:
                yield drive, side, stage, limits


def _torque_nm(state: DriveState, direction: Direction) -> float | None:
    """Torque in a direction, N.m; 0 while the arm leans to the other side; None = not known."""
    if state.torque.kind is Exactness.ABSENT or state.torque.value is None:
        return None
    return state.torque.value if state.side is direction else 0.0


def _as_json(what: str, pair: Pair) -> dict[str, object]:
    return {
        what: pair.alarm,
        "was_utc_ms": pair.was.utc_ms if pair.was is not None else None,
        "now_utc_ms": pair.now.utc_ms if pair.now is not None else None,
        "later_ms": pair.later_ms,
    }


def _is_other(pair: Pair) -> bool:
    return pair.was is None or pair.now is None or pair.later_ms != 0


def _table(rows: list[Count], what: str = "alarm") -> Iterator[str]:
    width = max(len(what), *(len(row.alarm) for row in rows))
    heads = ("came", "would", "same", "earlier", "later", "not", "new")
    yield f"{what:<{width}}" + "".join(f"{head:>{len(head) + 2}}" for head in heads)
    total = [0] * len(heads)
    for row in rows:
        numbers = (row.was, row.now, row.same, row.earlier, row.later, row.gone, row.new)
        total = [a + b for a, b in zip(total, numbers, strict=True)]
        yield f"{row.alarm:<{width}}" + _numbers(heads, numbers)
    if len(rows) > 1:
        yield f"{'all':<{width}}" + _numbers(heads, total)


def _numbers(heads: tuple[str, ...], numbers: list[int] | tuple[int, ...]) -> str:
    return "".join(f"{number:>{len(head) + 2}}" for head, number in zip(heads, numbers, strict=True))


def _course(what: str, pairs: list[Pair], standing: list[Standing], settings: Settings) -> Iterator[str]:
    """The table of what came, then each that is otherwise."""
    if pairs:
        yield from _table(counts(pairs), what)
    elif what == "alarm":
        within = " within the period" if standing else ""
        yield f"No alarm came{within}, and none would have come{within}."
    others = [pair for pair in pairs if _is_other(pair)]
    if pairs and not others:
        within = " of the period" if standing else ""
        yield f"Every alarm{within} would have come when it came."
    yield from _singles(others, settings)
    for one in standing[:SHOWN]:
        yield from textwrap.wrap(f"  {_standing_words(what, one, settings)}", 80, subsequent_indent="    ")
    if len(standing) > SHOWN:
        yield f"  and {len(standing) - SHOWN} more, see --json"


def _standing_words(what: str, one: Standing, settings: Settings) -> str:
    at, came = (stamp(zone_at(settings, ms), ms) for ms in (one.at_utc_ms, one.came_utc_ms))
    begins = f"When the period begins, {at}, {one.name}"
    if what == "alarm":
        if one.was:
            return f"{begins} stands, and would not have stood; it came at {came}."
        return f"{begins} would have stood, and did not; it would have come at {came}."
    how = "as it was, but not with the change" if one.was else "with the change, but not as it was"
    return f"{begins}: torque is at or above it {how}; since {came}."


def _singles(pairs: list[Pair], settings: Settings) -> Iterator[str]:
    for pair in pairs[:SHOWN]:
        at = stamp(zone_at(settings, pair.utc_ms), pair.utc_ms)
        yield f"  {at}  {pair.alarm}  {_words(pair)}"
    if len(pairs) > SHOWN:
        yield f"  and {len(pairs) - SHOWN} more, see --json"


def _words(pair: Pair) -> str:
    if pair.was is None:
        return "would have come, and did not"
    if pair.now is None:
        return "came, and would not have come"
    late = abs(pair.later_ms) / 1000
    text = span_text(late) if late >= 1.0 else f"{late:.2f} s"
    return f"would have come {text} {'later' if pair.later_ms > 0 else 'earlier'}"
