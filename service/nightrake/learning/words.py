"""Verdicts as plain sentences; days are UTC days."""

from __future__ import annotations

from datetime import UTC, datetime
from math import isfinite

from nightrake.learning.trend import Forecast, Span

LIKELY = 0.5
"""Chance from which creep is stated, not supposed."""
MONTHS = "January February March April May June July August September October November December".split()


def day(utc_ms: int) -> str:
    """A moment's UTC day: 3 May 2026."""
    at = datetime.fromtimestamp(utc_ms / 1000, UTC)
    return f"{at.day} {MONTHS[at.month - 1]} {at.year}"


def counted(n: int, what: str) -> str:
    """1 period, 2 periods."""
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def rate(span: Span) -> str:
    """A rate with its interval: 1.1 % of shutdown a month (0.7 to 1.5)."""
    return f"{abs(span.mid):.1f} % of shutdown a month ({_between(span)})"


def _between(span: Span) -> str:
    low, high = (span.low, span.high) if span.mid >= 0 else (-span.high, -span.low)
    return f"{low:.1f} to {high:.1f}".replace("-0.0", "0.0")


def reached(forecast: Forecast, stage: str) -> str:
    """When a stage is reached."""
    days = forecast.days
    if days is None:
        return f"when the level reaches {stage} cannot be said"
    if days.high <= 0:
        return f"the level has reached the {stage} point"
    if not isfinite(days.low):
        return f"the {stage} point is years away"
    if not isfinite(days.high):
        return f"the {stage} point is not reached within {days.low:.0f} days, and may never be"
    return f"the {stage} point is reached in {days.low:.0f} to {days.high:.0f} days"


def creeping(span: Span | None, since_utc_ms: int, alarm: Forecast, below: float, chance: float) -> str:
    """Of a level that rises, for certain or perhaps."""
    since = day(since_utc_ms)
    if span is None:
        text = f"Creeps upwards since about {since}, by how much cannot be said"
        return f"{text}: the median is or was below {below:.0f} N.m, the preload."
    if chance < LIKELY or span.mid <= 0.0:
        text = f"May creep upwards since about {since} (chance {100 * chance:.0f} %)"
        return f"{text}, by up to {span.high:.1f} % of shutdown a month; {reached(alarm, 'alarm')}."
    return f"Creeps upwards by {rate(span)} since about {since}; {reached(alarm, 'alarm')}."


def falling(span: Span, since_utc_ms: int) -> str:
    """Of a level that sinks."""
    return f"Falls by {rate(span)} since about {day(since_utc_ms)}."


def steady(span: Span, since_utc_ms: int) -> str:
    """Of a level that does neither."""
    changes = f"by {_signed(span.low)} to {_signed(span.high)}"
    if _signed(span.low) == _signed(span.high) == "0.0":
        changes = "by less than 0.05"
    return f"Steady since {day(since_utc_ms)}: it changes {changes} % of shutdown a month."


def _signed(percent: float) -> str:
    """With its sign; what rounds to nothing has none."""
    text = f"{percent:+.1f}"
    return "0.0" if float(text) == 0.0 else text


def too_soon(since_utc_ms: int) -> str:
    """Of a level that stepped lately."""
    return (
        f"Cannot say yet: the level stepped about {day(since_utc_ms)}, and the days since then are too few for a rate."
    )


def below(limit_nm: float) -> str:
    """Of a level below preload."""
    return f"Below {limit_nm:.0f} N.m, the preload, most of the time: no level and no slope, and nothing that rises."


def half_below() -> str:
    """Of a stretch with many periods below preload."""
    return "Cannot say: too many medians since then are below preload; a slope of the others would be wrong."


def method(sen: Span | None, factor: float, n: int) -> str:
    """How slope and test were made."""
    text = "rate over all likely dates of steps and of the onset (Bayesian model averaging, AR(1) noise)"
    if sen is None:
        return f"{text}; too few periods since then for a line of their own"
    line = f"{sen.mid:+.2f} ({sen.low:+.2f} to {sen.high:+.2f}) % of shutdown a month"
    text += f"; Theil-Sen on the last {n} periods: {line}, and Mann-Kendall"
    return f"{text}, variances times {factor:.1f} for serial correlation"


def over_the_year(swing_nm: float) -> str:
    """Of a season that was taken out."""
    return f"The level swings by {swing_nm:.0f} N.m over the year; that is taken out, as if it came alike every year."
