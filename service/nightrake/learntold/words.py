"""One drive's trend in words: facts under labels, for the terminal and the page alike."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from nightrake.alarms.told import counted, stamp
from nightrake.alarms.zones import Zone
from nightrake.domain.cleantext import clean
from nightrake.learning.days import Side
from nightrake.learning.trend import FOUND, Forecast, Shift, Span, Trend
from nightrake.learntold.more import NOTHING_MORE, More
from nightrake.learntold.table import WIDTH, chance_text, days_text, knm, percent_of, signed, sure_text

LABEL = 11
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
WORTH = 0.005
"""Share of shutdown below which a swing by weekday or hour is not worth a word (own choice)."""
NOTED = 12
"""Remarks that are shown at most; all are in ``--json``."""
RECORD_ONLY = (
    "An estimate from what was read; it shows nothing to be safe, and no contact to be sound. Before anybody acts near "
    "the machine: lock out, verify zero energy, release wind-up slowly, follow the manufacturer's instructions and "
    "local codes, and leave the work to qualified people."
)

Facts = list[tuple[str, str]]


class Detail(NamedTuple):
    """One direction of a drive, judged.

    Attributes:
        name: Of the drive. side: What was judged. trend: The verdict. several: The device senses both directions.
        zone: The site's, at a moment. more: Further facts: duty, trips, contacts.
    """

    name: str
    side: Side
    trend: Trend
    several: bool
    zone: Callable[[int], Zone]
    more: More = NOTHING_MORE

    @property
    def title(self) -> str:
        """The drive for people."""
        side = f", {self.side.direction}" if self.several else ""
        return clean(f"{self.side.drive} {self.name}".strip() + side)

    def day(self, utc_ms: int) -> str:
        """A day on the site's wall."""
        return stamp(self.zone(utc_ms), utc_ms)[:10]


def detail_lines(detail: Detail) -> Iterator[str]:
    """A drive at 80 columns."""
    yield detail.title
    yield from textwrap.wrap(detail.trend.sentence, WIDTH, break_on_hyphens=False)
    yield ""
    for label, text in facts_of(detail):
        yield from textwrap.wrap(
            f"{label:<{LABEL}}{text}", WIDTH, subsequent_indent=" " * LABEL, break_on_hyphens=False
        )


def facts_of(detail: Detail) -> Facts:
    """Everything under its label, the verdict's sentence left out."""
    trend, side = detail.trend, detail.side
    facts: Facts = [("Read", _read_text(detail)), ("Level", _level_text(detail))]
    if trend.slope_nm_month is not None and trend.slope_percent_month is not None:
        facts.append(("Creep", _creep_text(detail, trend.slope_nm_month, trend.slope_percent_month)))
        facts.append(("Method", clean(trend.method, 600)))
    if trend.upper_slope_percent_month is not None:
        text = f"{_interval(trend.upper_slope_percent_month, 1)} % of shutdown a month"
        facts.append(("Upper", f"the 95 % quantile, where medians lie below the preload: {text}"))
    facts.append(("Alarm", _forecast_text(trend.alarm, side.alarm_nm)))
    facts.append(("Shutdown", _forecast_text(trend.shutdown, side.shutdown_nm)))
    facts += [("Shift", _shift_text(detail, shift)) for shift in trend.shifts]
    facts += _season_facts(detail)
    if trend.outliers:
        days = ", ".join(detail.day(at) for at in trend.outliers[-4:])
        taken = counted(len(trend.outliers), "day")
        facts.append(("Load event", f"{taken} taken as a load event and not as trend, the last {days}"))
    facts += detail.more.facts()
    facts += [("Note", clean(text, 400)) for text in trend.remarks[:NOTED]]
    if len(trend.remarks) > NOTED:
        facts.append(("Note", f"and {len(trend.remarks) - NOTED} more; --json has all"))
    return facts


def _read_text(detail: Detail) -> str:
    days = detail.side.days
    if not len(days.utc_ms):
        return "no day on which the motor ran in this direction"
    first, last = int(days.utc_ms[0]), int(days.utc_ms[-1] + days.span_ms[-1] - 1)
    zone = detail.zone(last).name
    text = f"{len(days.utc_ms)} days with {days.running_h.sum():.0f} h of running, {detail.day(first)} to "
    text += f"{detail.day(last)} ({zone})"
    records = ", then ".join(record.name for record in detail.side.records)
    return f"{text}; calibration {clean(records, 200)}" if records else text


def _level_text(detail: Detail) -> str:
    trend, side = detail.trend, detail.side
    stages = (("alarm", side.alarm_nm), ("shutdown", side.shutdown_nm))
    points = [f"{stage} {knm(nm)} kN.m" if nm else f"{stage} not stated" for stage, nm in stages]
    if not math.isfinite(trend.level_nm):
        return f"not known; {', '.join(points)}"
    words = "below " if trend.level_is_below else ""
    percent = percent_of(trend.level_nm, side.shutdown_nm)
    return f"{words}{knm(trend.level_nm)} kN.m, {words}{percent} of shutdown; {', '.join(points)}"


def _interval(span: Span, places: int, scale: float = 1.0) -> str:
    low, mid, high = (signed(value / scale, places) for value in span)
    return f"{mid} ({low} to {high})"


def _creep_text(detail: Detail, nm: Span, percent: Span) -> str:
    trend = detail.trend
    text = f"{_interval(nm, 2, 1000.0)} kN.m a month, {_interval(percent, 1)} % of shutdown; 95 % interval"
    text += f", since {detail.day(trend.since_utc_ms)}; {sure_text(trend)}"
    if trend.p_value is not None:
        text += f"; p {'< 0.001' if trend.p_value < 0.001 else f'= {trend.p_value:.3f}'}"
    return text


def _forecast_text(forecast: Forecast, stage_nm: float) -> str:
    if not stage_nm:
        return "no set point is stated"
    if forecast.days is None:
        return clean(forecast.why_not, 300) or "cannot be said"
    chances = ", ".join(f"{chance_text(chance)} within {days}" for days, chance in sorted(forecast.within.items()))
    return f"{knm(stage_nm)} kN.m in {days_text(forecast)} days (90 % interval); chance {chances} days"


def _shift_text(detail: Detail, shift: Shift) -> str:
    size = shift.size_nm
    text = f"{_interval(size, 1, 1000.0)} kN.m" if math.isfinite(size.mid) else "of a size that cannot be said"
    when = detail.day(shift.utc_ms)
    if shift.why == FOUND:
        between = f" ({detail.day(shift.low_utc_ms)} to {detail.day(shift.high_utc_ms)})"
        return f"{when}{between if shift.low_utc_ms < shift.high_utc_ms else ''}: {text}; found in the readings"
    return f"{when}: {text}; {clean(shift.why, 120)}"


def _season_facts(detail: Detail) -> Facts:
    shutdown_nm = detail.side.shutdown_nm or math.inf
    facts: Facts = []
    week, day = detail.trend.season.get("weekday", ()), detail.trend.season.get("hour", ())
    if week and max(week) - min(week) >= WORTH * shutdown_nm:
        facts.append(("Weekday", _swing(week, WEEKDAYS)))
    if day and max(day) - min(day) >= WORTH * shutdown_nm:
        facts.append(("Hour", _swing(day, [f"{hour:02}:00 UTC" for hour in range(24)])))
    return facts


def _swing(offsets: Sequence[float], names: Sequence[str]) -> str:
    low, high = (offsets.index(pick(offsets)) for pick in (min, max))
    ends = [f"{names[at]} {signed(offsets[at] / 1000, 2)}" for at in (low, high)]
    return f"lowest {ends[0]}, highest {ends[1]} kN.m about the level"


def headline(trend: Trend, who: str) -> str:
    """The verdict's sentence under the table, headed by its drive."""
    said = trend.sentence
    return said if said.startswith(trend.drive) else f"{who}: {said}"


__all__ = ["RECORD_ONLY", "Detail", "Facts", "detail_lines", "facts_of", "headline"]
