"""The ranked table of `nightrake trend`: who will reach the alarm first."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from nightrake.learning.trend import Forecast, Span, State, Trend

WIDTH = 80
SOON_DAYS = 30
GOOD_PERCENT, FAIR_PERCENT = 0.3, 1.0
"""Half the width of the creep's interval, % of shutdown a month, up to which a statement is good, or fair (own choice:
at 0.3 a creep of 1 % a month is told from one of half that)."""
EXPLAINED = (
    "LEVEL: present baseline while running, and percent of shutdown. CREEP: percent of shutdown a month, with its 95 % "
    "interval. ALARM IN: days until the level reaches the alarm point, 90 % interval. IN 30 d: chance of that. SURE: "
    "how narrowly the creep is known."
)
LONG_DAYS = 999
"""Days beyond which a table says only 'more'."""


class Rank(NamedTuple):
    """By which drives are put in order, the first to trip first."""

    chance: float
    days: float
    slope: float

    @classmethod
    def of(cls, trend: Trend) -> Rank:
        """Of one verdict; sorts ascending."""
        chance = trend.alarm.within.get(SOON_DAYS, -1.0)
        days = trend.alarm.days.low if trend.alarm.days is not None else math.inf
        slope = trend.slope_percent_month.mid if trend.slope_percent_month is not None else -math.inf
        return cls(-chance, days, -slope)


def ranked(trends: Iterable[Trend]) -> list[Trend]:
    """Who will reach the alarm first; what cannot be said comes last."""
    return sorted(trends, key=lambda t: (Rank.of(t), t.drive, t.direction))


def sure_text(trend: Trend) -> str:
    """How good the statement is, in a word."""
    if trend.state is State.CANNOT_SAY or trend.slope_percent_month is None:
        return "-"
    half = (trend.slope_percent_month.high - trend.slope_percent_month.low) / 2.0
    if not math.isfinite(half):
        return "-"
    return "good" if half <= GOOD_PERCENT else "fair" if half <= FAIR_PERCENT else "poor"


def level_text(trend: Trend) -> str:
    """The level in kN.m: ``81.2``, ``<5.0``, or "-"."""
    if not math.isfinite(trend.level_nm):
        return "-"
    return f"{'<' if trend.level_is_below else ''}{knm(trend.level_nm)}"


def knm(torque_nm: float) -> str:
    """A torque in kN.m with as many places as tell something."""
    value = torque_nm / 1000.0
    places = 0 if abs(value) >= 1000 else 1 if abs(value) >= 10 else 2
    return f"{value:.{places}f}"


def percent_of(nm: float, shutdown_nm: float) -> str:
    """Percent of shutdown, or "-"."""
    return f"{100.0 * nm / shutdown_nm:.0f} %" if shutdown_nm and math.isfinite(nm) else "-"


def percent_text(trend: Trend, shutdown_nm: float) -> str:
    """The level in percent of shutdown, marked where it is only a limit."""
    text = percent_of(trend.level_nm, shutdown_nm)
    return f"<{text}" if trend.level_is_below and text != "-" else text


def creep_text(span: Span | None) -> str:
    """Creep with its interval: ``+3.0 (2.7..3.3)``."""
    if span is None or not math.isfinite(span.mid):
        return "-"
    places = 0 if max(map(abs, span)) >= 100.0 else 1
    low, high = (signed(value, places, plus="") for value in (span.low, span.high))
    return f"{signed(span.mid, places)} ({low}..{high})"


def signed(value: float, places: int, *, plus: str = "+") -> str:
    """A number with its sign; nothing is no negative nothing."""
    text = f"{value:{plus}.{places}f}"
    return f"{0.0:.{places}f}" if float(text) == 0.0 else text


def days_text(forecast: Forecast) -> str:
    """Days until a stage: ``60-110``, ``60 or more``, or "-"."""
    if forecast.days is None:
        return "-"
    low, high = forecast.days.low, forecast.days.high
    if not math.isfinite(low) or low > LONG_DAYS:
        return f"over {LONG_DAYS}"
    if high < 1.0:
        return "reached"
    low_text = f"{max(0.0, low):.0f}"
    if not math.isfinite(high) or high > LONG_DAYS:
        return f"{low_text} or more"
    return f"{low_text}-{max(0.0, high):.0f}"


def chance_text(chance: float | None) -> str:
    """A chance in percent that never says never: ``<1 %``, ``34 %``, ``>99 %``."""
    if chance is None:
        return "-"
    percent = 100.0 * chance
    return "<1 %" if percent < 1.0 else ">99 %" if percent > 99.0 else f"{percent:.0f} %"


class Named(NamedTuple):
    """A drive as the table names it."""

    trend: Trend
    shutdown_nm: float
    several: bool

    @property
    def who(self) -> str:
        """Its id; with the direction where the device senses two."""
        return f"{self.trend.drive} {self.trend.direction}" if self.several else self.trend.drive


def table_lines(rows: Sequence[Named]) -> Iterator[str]:
    """The table at 80 columns."""
    cells = [_cells(row) for row in rows]
    head = ("DRIVE", "LEVEL kN.m", "", "CREEP %/month", "ALARM IN d", "IN 30 d", "SURE")
    widths = [max(len(row[i]) for row in (head, *cells)) for i in range(len(head))]
    number = max(2, len(str(len(rows))))
    widths[0] = min(widths[0], max(6, WIDTH - number - sum(widths[1:]) - 2 * len(head)))
    yield _line(" " * number, head, widths)
    for place, row in enumerate(cells, 1):
        yield _line(f"{place:>{number}}", row, widths)


def _cells(row: Named) -> tuple[str, ...]:
    trend = row.trend
    return (
        row.who,
        level_text(trend),
        percent_text(trend, row.shutdown_nm),
        creep_text(trend.slope_percent_month),
        days_text(trend.alarm),
        chance_text(trend.alarm.within.get(SOON_DAYS)),
        sure_text(trend),
    )


def _line(place: str, cells: Sequence[str], widths: Sequence[int]) -> str:
    first = cells[0] if len(cells[0]) <= widths[0] else cells[0][: widths[0] - 1] + "…"
    parts = [f"{first:<{widths[0]}}"]
    parts += [f"{cell:>{width}}" for cell, width in zip(cells[1:-1], widths[1:-1], strict=True)]
    return f"{place}  {'  '.join(parts)}  {cells[-1]}".rstrip()
