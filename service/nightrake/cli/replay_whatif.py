"""`nightrake replay --set`: the alarms that came, and those that would have come by other settings, side by side."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator, Mapping, Sequence

from nightrake.alarms.told import span_text, stamp
from nightrake.cli.journal_wanted import zone_at
from nightrake.cli.period import Period, period_text
from nightrake.domain.drive import DriveState
from nightrake.domain.reading import Exactness
from nightrake.domain.site import Direction, SiteSpec, Stage
from nightrake.errors import NightrakeError
from nightrake.history.compare import Count, Course, Crossings, Occurrence, Pair, counts, paired
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

    def take(self, step: Step, runs: Sequence[Run]) -> None:
        """One input more, and both runs behind it."""
        record = step.record
        mono_ms = record.mono_ns // 1_000_000
        # Another start of the machine counts its time from zero; what lies between is known by the clock only.
        passed = mono_ms - self._mono_ms if mono_ms >= self._mono_ms else max(0, record.utc_ms - self._utc_ms)
        self._at_ms += passed if self._mono_ms >= 0 else 0
        self._mono_ms, self._utc_ms = mono_ms, record.utc_ms
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
        pairs = self.pairs()
        if not pairs:
            yield "No alarm came, and none would have come."
        else:
            yield from _table(counts(pairs))
            yield from _singles([pair for pair in pairs if _is_other(pair)], settings)
        reached = self.reached()
        if reached:
            yield from textwrap.wrap(REACHED, 80)
            yield from _table(counts(reached), "set point")
            yield from _singles([pair for pair in reached if _is_other(pair)], settings)
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
            "set_points_reached": [_as_json("set_point", pair) for pair in self.reached()],
            "note": NOTE,
        }
        return json.dumps(whole)


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


def _singles(pairs: list[Pair], settings: Settings) -> Iterator[str]:
    if not pairs:
        yield "Every alarm would have come when it came."
        return
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
