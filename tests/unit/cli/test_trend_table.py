"""The ranked table and a drive in words: order, what each cell says, 80 columns."""

from __future__ import annotations

from math import inf, nan
from typing import Any

import pytest

from nightrake.alarms.zones import UTC_ZONE
from nightrake.learning.trend import Forecast, Span, State
from nightrake.learntold.table import (
    WIDTH,
    Named,
    chance_text,
    creep_text,
    days_text,
    knm,
    level_text,
    percent_of,
    ranked,
    signed,
    sure_text,
    table_lines,
)
from nightrake.learntold.words import Detail, detail_lines, facts_of, headline
from trends import FAR, NEVER, cannot_say, shift_of, side_of, trend_of


def test_who_trips_first_comes_first() -> None:
    """By the chance within 30 days, then the earliest day, then the slope; what cannot be said comes last."""
    near = trend_of("A", alarm=Forecast(Span(5.0, 9.0, 20.0), {30: 0.97}, ""))
    same = FAR._replace(within={30: 0.0})
    later = trend_of("B", alarm=same)
    sooner = trend_of("C", alarm=same._replace(days=Span(200.0, 500.0, inf)))
    steeper = trend_of("D", alarm=same, slope_percent_month=Span(1.0, 4.0, 9.0))
    falling = trend_of("E", alarm=NEVER, slope_percent_month=Span(-2.0, -1.0, 0.0))
    order = ranked([cannot_say("F"), falling, later, steeper, sooner, near])
    assert [t.drive for t in order] == ["A", "C", "D", "B", "E", "F"]


def test_equal_ones_are_in_order_of_name() -> None:
    """The same table twice."""
    assert [t.drive for t in ranked([trend_of("B"), trend_of("A")])] == ["A", "B"]


@pytest.mark.parametrize(
    ("forecast", "text"),
    [
        (Forecast(Span(40.4, 60.0, 90.2), {}, ""), "40-90"),
        (Forecast(Span(40.4, 60.0, inf), {}, ""), "40 or more"),
        (Forecast(Span(1_200.0, inf, inf), {}, ""), "over 999"),
        (Forecast(Span(-3.0, 0.0, 2.0), {}, ""), "0-2"),
        (Forecast(Span(0.0, 0.0, 0.0), {}, ""), "reached"),
        (NEVER, "-"),
    ],
)
def test_days_until_a_stage(forecast: Forecast, text: str) -> None:
    """An interval, never a date; open above where it is."""
    assert days_text(forecast) == text


@pytest.mark.parametrize(
    ("chance", "text"), [(0.0, "<1 %"), (0.34, "34 %"), (1.0, ">99 %"), (0.9949, ">99 %"), (None, "-")]
)
def test_chance_never_says_never(chance: float | None, text: str) -> None:
    """Nothing is impossible and nothing certain."""
    assert chance_text(chance) == text


def test_cells() -> None:
    """Limits are marked, nothing is no negative nothing, what is not known is a dash."""
    assert creep_text(Span(-0.04, -0.01, 0.31)) == "0.0 (0.0..0.3)"
    assert creep_text(Span(-1.26, -0.5, 0.1)) == "-0.5 (-1.3..0.1)"
    assert (creep_text(None), creep_text(Span(nan, nan, nan))) == ("-", "-")
    assert level_text(trend_of(level_is_below=True, level_nm=8_880.0)) == "<8.88"
    assert level_text(cannot_say()) == "-"
    assert [knm(v) for v in (8_880.0, 23_000.0, 112_500.0, 1_250_000.0)] == ["8.88", "23.0", "112.5", "1250"]
    assert (percent_of(23_000.0, 40_000.0), percent_of(nan, 40_000.0), percent_of(1.0, 0.0)) == ("58 %", "-", "-")
    assert (signed(0.004, 2), signed(-0.004, 2), signed(-0.006, 2)) == ("0.00", "0.00", "-0.01")


@pytest.mark.parametrize(
    ("span", "word"),
    [
        (Span(2.8, 3.0, 3.2), "good"),
        (Span(2.2, 3.0, 3.8), "fair"),
        (Span(-1.0, 3.0, 7.0), "poor"),
        (Span(-inf, 0.0, inf), "-"),
    ],
)
def test_how_sure(span: Span, word: str) -> None:
    """By the width of the interval."""
    assert sure_text(trend_of(slope_percent_month=span)) == word
    assert sure_text(trend_of(slope_percent_month=span, state=State.CANNOT_SAY)) == "-"


def test_table_fits_the_terminal() -> None:
    """80 columns with the widest cells and the longest ids; two directions are told apart."""
    wide = trend_of(
        "D" * 32,
        level_nm=1_125_000.0,
        level_is_below=True,
        slope_percent_month=Span(-123.4, -111.1, -100.0),
        alarm=Forecast(Span(998.0, inf, inf), {30: 0.0}, ""),
    )
    lines = list(table_lines([Named(wide, 40_000.0, True), Named(trend_of("B"), 40_000.0, False)]))
    assert all(len(line) <= WIDTH for line in lines)
    assert "…" in lines[1]
    assert lines[2].split()[:3] == ["2", "B", "23.0"]
    assert Named(trend_of("GT1"), 1.0, True).who == "GT1 forward"


def test_sentence_names_its_drive_once() -> None:
    """Whatever the sentence begins with."""
    assert headline(trend_of("PC1"), "PC1").startswith("PC1: Creeps")
    assert headline(trend_of("PC1", sentence="PC1: 2 days."), "PC1") == "PC1: 2 days."


# --- one drive --------------------------------------------------------------------------------------------------------


def detail_of(**more: Any) -> Detail:
    """PC1 in detail."""
    return Detail("Primary clarifier 1", side_of(), trend_of(**more), False, lambda _: UTC_ZONE)


def test_drive_in_words() -> None:
    """What was read, level, creep with its interval and its begin, alarm and shutdown, load events, remarks."""
    facts = dict(facts_of(detail_of()))
    assert facts["Read"].startswith("58 days with 1363 h of running, 2026-09-27 to 2026-11-25 (UTC); calibration PC1-")
    assert facts["Level"] == "23.0 kN.m, 58 % of shutdown; alarm 32.0 kN.m, shutdown 40.0 kN.m"
    assert facts["Creep"].startswith(
        "+1.20 (+1.00 to +1.40) kN.m a month, +3.0 (+2.5 to +3.5) % of shutdown; 95 % interval, since 2026-05-10; fair"
    )
    assert "p < 0.001" in facts["Creep"]
    assert facts["Alarm"].startswith("32.0 kN.m in 40-90 days (90 % interval); chance <1 % within 7, 4 % within 30")
    assert facts["Load event"] == "1 day taken as a load event and not as trend, the last 2026-10-04"
    assert facts["Method"] == "a method"
    assert facts["Note"] == "Nothing was read on 2 days of 60."
    lines = list(detail_lines(detail_of()))
    assert lines[0] == "PC1 Primary clarifier 1"
    assert max(map(len, lines)) <= WIDTH


def test_shift_with_what_is_known_of_it() -> None:
    """Found ones with the interval of their date, known ones with their cause, a size that is not known in words."""
    known = shift_of("lockout released, cause: ice", Span(nan, nan, nan))
    texts = [text for label, text in facts_of(detail_of(shifts=(shift_of(), known))) if label == "Shift"]
    assert texts == [
        "2026-10-27 (2026-10-25 to 2026-10-28): -1.6 (-2.0 to -1.2) kN.m; found in the readings",
        "2026-10-27: of a size that cannot be said; lockout released, cause: ice",
    ]


def test_season_is_told_where_it_is_worth_a_word() -> None:
    """Days by name, hours in UTC; a swing below a five-hundredth of shutdown is not."""
    week = (500.0, 0.0, 0.0, 0.0, 0.0, 0.0, -700.0)
    facts = dict(facts_of(detail_of(season={"weekday": week, "hour": (10.0,) * 12 + (-10.0,) * 12})))
    assert facts["Weekday"] == "lowest Sun -0.70, highest Mon +0.50 kN.m about the level"
    assert "Hour" not in facts


def test_level_that_is_only_a_limit() -> None:
    """Below is said of both figures, and why there is no creep stands in the verdict's sentence."""
    detail = Detail(
        "", side_of(below=True), cannot_say(level_nm=8_880.0, level_is_below=True), False, lambda _: UTC_ZONE
    )
    facts = dict(facts_of(detail))
    assert facts["Level"].startswith("below 8.88 kN.m, below 22 % of shutdown")
    assert "Creep" not in facts
    assert facts["Alarm"] == "It does not creep."


def test_drive_without_set_points_or_days() -> None:
    """Said, not left out."""
    side = side_of()._replace(alarm_nm=0.0, shutdown_nm=0.0)
    facts = dict(facts_of(Detail("", side, cannot_say(), False, lambda _: UTC_ZONE)))
    assert facts["Level"] == "not known; alarm not stated, shutdown not stated"
    assert facts["Alarm"] == "no set point is stated"
    empty = side._replace(days=side.days._replace(**{f: getattr(side.days, f)[:0] for f in side.days._fields}))
    assert dict(facts_of(Detail("", empty, cannot_say(), False, lambda _: UTC_ZONE)))["Read"].startswith("no day")


def test_many_remarks_are_counted() -> None:
    """The first of them, and how many more."""
    facts = [text for label, text in facts_of(detail_of(remarks=tuple(f"R{n}." for n in range(30)))) if label == "Note"]
    assert (facts[0], facts[-1]) == ("R0.", "and 18 more; --json has all")


def test_text_that_could_turn_the_line_is_cleaned() -> None:
    """Names of drives and causes come from people."""
    detail = detail_of(shifts=(shift_of("cause: \u202eice\n\x1b[31m"),))
    assert not any(c in text for _, text in facts_of(detail) for c in "\u202e\x1b\n")
