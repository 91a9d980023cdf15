"""Creep as the page words it: the ranking and one drive, each state, each gap in what is known."""

from __future__ import annotations

import json
from datetime import UTC
from typing import Any

import pytest

from creepfiles import DAY_MS, NOW_MS, cannot_say, forecast, side, span, steady, stepped, trends
from nightrake.page.creep import (
    PAGE,
    chance_words,
    days_words,
    judged_of,
    list_of,
    mark_of,
    rate_words,
    row_of,
    torque_of,
)
from nightrake.page.creepdrive import shift_words, sides_of, stage_words
from nightrake.page.look import HERE, Templates
from nightrake.page.moments import Wall
from nightrake.page.statics import Statics
from nightrake.pagereading.creep import parsed
from nightrake.pagereading.creepshape import side_of
from pagescenes import alarm, scene

WALL = Wall(UTC, NOW_MS)
NAMES = {"PC1": "Primary clarifier 1", "SC1": "Secondary clarifier 1"}


def told(*sides: dict[str, Any], **more: Any) -> dict[str, Any]:
    """As the reader tells the site."""
    given: dict[str, Any] = {
        "judged_utc_ms": NOW_MS, "read_utc_ms": NOW_MS + 3_600_000, "took_s": 41.3, "beware": [], "notes": [],
        "report": "", "reports": [], "sides": [known(one) for one in sides], "of": len(sides),
        "total": len(sides), "skip": 0, "warnings": 0, "drives": len(sides),
    }  # fmt: skip
    return given | more


def known(one: dict[str, Any], place: int = 1) -> dict[str, Any]:
    """A side as the reader tells it."""
    found = side_of(one)
    assert found is not None
    return {**found.with_days(), "place": place}


def test_only_a_warning_has_a_colour_and_words_of_its_own() -> None:
    """Creeping without a warning, steady, falling and unknown are all grey."""
    marks = [
        mark_of(known(side())),
        *(mark_of(known(steady(state=state))) for state in ("creeping", "steady", "falling", "cannot say")),
    ]

    assert marks == [
        ("creep", "notice", "Creep warning"),
        ("calm", "calm", "Creeping"),
        ("calm", "calm", "Steady"),
        ("calm", "calm", "Falling"),
        ("calm", "aside", "Cannot say"),
    ]


def test_row_says_level_creep_alarm_and_chance() -> None:
    """The level as a part of shutdown on the overview's bar, whose end is 110 % of it."""
    row = row_of(known(side()), 3, NAMES)

    assert (row.place, row.drive, row.name, row.direction, row.known) == (3, "PC1", "Primary clarifier 1", "", True)
    assert (row.torque.number.value, row.torque.number.percent) == ("23.0", 58)
    assert row.torque.bar.value == pytest.approx(100 * 23 / 44, abs=0.01)
    assert row.torque.bar.alarm == pytest.approx(100 * 32 / 44, abs=0.01)
    assert (row.creep, row.between, row.alarm, row.chance) == ("+3.0", "+2.5 to +3.5", "in 40 to 90 days", "4 %")
    assert row.sentence.startswith("Creeps upwards by 3.0 % of shutdown a month")


def test_what_cannot_be_said_has_its_reason_at_hand() -> None:
    """No creep, no chance, and why; the level is a limit, and said to be one."""
    row = row_of(known(cannot_say(several=True)), 1, NAMES)

    assert (row.creep, row.between, row.alarm, row.chance) == ("", "", "", "")
    assert row.why_not == "most of the time the torque is below what can be measured"
    assert (row.torque.number.sign, row.torque.bar.kind) == ("below", "below")
    assert (row.direction, row.known, row.name) == ("forward", False, "Rake GT1")


def test_level_that_is_not_known_is_none() -> None:
    """It is no zero: the bar has no value, the figures are a dash."""
    torque = torque_of(known(cannot_say(level_nm=None, level_is_below=False)))

    assert (torque.bar.value, torque.bar.kind, torque.number.value) == (None, "absent", "")


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (40.0, 90.0, "in 40 to 90 days"),
        (-3.0, 12.0, "in 0 to 12 days"),
        (60.0, None, "in 60 days or more"),
        (60.0, 4_000.0, "in 60 days or more"),
        (1_400.0, None, "in over 999 days"),
        (-9.0, -1.0, "reached"),
        (None, None, ""),
    ],
)
def test_days_until_the_alarm_are_an_interval(low: float | None, high: float | None, words: str) -> None:
    """Open ends are said as open, what is past as reached."""
    assert days_words(forecast(low, high)) == words


@pytest.mark.parametrize(
    ("chance", "words"), [(None, ""), (0.0, "< 1 %"), (0.04, "4 %"), (0.995, "> 99 %"), (1.0, "> 99 %")]
)
def test_chance_never_says_never(chance: float | None, words: str) -> None:
    """Neither 0 % nor 100 % is claimed."""
    assert chance_words(chance) == words


def test_rate_keeps_its_sign_and_its_open_ends() -> None:
    """A minus is a minus sign; nothing is no negative nothing; an end that is not known is a question mark."""
    assert rate_words(span(-0.6, -0.4, -0.02)) == ("\u22120.4", "\u22120.6 to 0.0")
    assert rate_words(span(0.4, 1.0, None)) == ("+1.0", "+0.4 to ?")
    assert rate_words(span(0.4, None, 2.0)) == rate_words(None) == ("", "")


def test_what_is_old_is_not_shown_as_of_now() -> None:
    """Two days and a while without a look: since when, and how long that is."""
    fresh = judged_of(told(read_utc_ms=NOW_MS + 2 * DAY_MS), "", WALL)
    stale = judged_of(told(read_utc_ms=NOW_MS + 9 * DAY_MS), "", Wall(UTC, NOW_MS + 9 * DAY_MS))

    assert (fresh.old, fresh.took, fresh.utc_ms) == ("", "41 s", NOW_MS)
    assert stale.old == "Not judged since 26 Nov 05:30, 9 d ago"


def test_what_was_judged_in_time_to_come_is_not_of_now() -> None:
    """A clock was wrong: greyed as what is old, with the reason; an hour ahead may be two clocks that differ."""
    judged = judged_of(told(read_utc_ms=NOW_MS - 3 * DAY_MS), "", WALL)
    near = judged_of(told(read_utc_ms=NOW_MS - 3_000_000), "", WALL)

    assert judged.old == "It was judged for 2026-11-26 05:30:00, which lies ahead: a clock was wrong then, or is now"
    assert (judged.notes, near.old) == ([], "")


def test_nothing_to_show_says_why() -> None:
    """Never looked for, and a reader that is away."""
    never = list_of(told(judged_utc_ms=None, notes=["creep has not been looked for yet"]), "", NAMES, WALL)
    away = list_of(None, "the store gave no answer", NAMES, WALL)

    assert (never.rows, never.judged.notes) == ([], ["creep has not been looked for yet"])
    assert (away.rows, away.judged.utc_ms, away.judged.notes) == ([], 0, ["the store gave no answer"])


def test_long_rankings_come_in_pages() -> None:
    """Places go on over them; warnings and drives are those of all."""
    of_all = {"total": 2 * PAGE + 2, "warnings": 2, "drives": 201}
    begin = told(*(steady(f"R{n:03}") for n in range(PAGE)), **of_all)
    end = told(side(direction="reverse"), side(), **of_all, skip=2 * PAGE)
    first, last = (list_of(one, "", NAMES, WALL) for one in (begin, end))

    assert [first.rows[0].place, first.rows[-1].place, first.before, first.after] == [1, PAGE, "", "/creep?skip=100"]
    assert [last.rows[0].place, last.rows[-1].place, last.before, last.after] == [201, 202, "/creep?skip=100", ""]
    assert (first.warnings, first.drives, last.words) == (2, 201, "201 to 202 of 202")


def test_reports_are_listed_by_day() -> None:
    """The newest apart, each with its size."""
    kept = [{"name": f"creep-2026-11-{day}.html", "bytes": size} for day, size in (("23", 2_400_000), ("16", 400))]
    shown = list_of(told(reports=kept), "", NAMES, WALL)

    assert shown.newest == "creep-2026-11-23.html"
    assert [one[1:] for one in shown.reports] == [("2026-11-23", "2.4 MB"), ("2026-11-16", "1 kB")]


def test_drive_has_its_forecasts_steps_and_rank() -> None:
    """Steps the newest first, with what is known of them; the method comes after the remarks."""
    (view,) = sides_of(told(stepped("PC1", remarks=["Nothing was read on 2 days."])), NAMES, WALL)

    facts = dict(view.facts)
    assert facts["Level"] == "16.0 kN\u00b7m, 40 % of shutdown"
    assert facts["Creep"] == "+0.1 % of shutdown a month, 95 % interval \u22120.1 to +0.2, since 2026-05-10"
    assert facts["Alarm"].startswith("32 kN\u00b7m in over 999 days, 90 % interval; chance < 1 % within 7, ")
    assert facts["Rank"] == "1 of 1 at this site"
    assert view.shifts == [
        ("2026-08-28", "+1.3 kN\u00b7m (+0.9 to +1.7); found in the readings, between 2026-08-25 and 2026-08-29"),
        ("2026-01-30", "\u22122.1 kN\u00b7m (\u22122.6 to \u22121.6); new calibration record PC2-forward-2026-01"),
    ]
    assert view.remarks[0] == "Nothing was read on 2 days."
    assert view.remarks[1].startswith("How it was found: rate over all likely dates")
    assert view.drawn


def test_stage_without_a_set_point_or_a_forecast_says_so() -> None:
    """Neither is taken for a stage that is far away."""
    assert stage_words(forecast(40.0, 90.0), None) == "no set point is stated"
    assert stage_words(forecast(why_not="It does not creep."), 32_000.0) == "cannot be said: it does not creep"


def test_step_of_unknown_size_is_dated_all_the_same() -> None:
    """NaN of the judgement is null in the file."""
    shift = {"utc_ms": NOW_MS, "low_utc_ms": NOW_MS, "high_utc_ms": NOW_MS, "size_nm": None, "why": "found"}

    assert shift_words(shift, WALL) == "a step of a size that cannot be said; found in the readings"


def test_the_example_file_is_understood_whole() -> None:
    """What these tests are made of is what the reader takes: no entry left out, no note."""
    found = parsed(json.dumps(trends()).encode(), "x")

    assert [s.drive for s in found.sides] == ["PC1", "PC2", "SC1", "GT1"]
    assert (list(found.notes), found.judged_utc_ms) == ([], NOW_MS)


def test_notice_of_creep_leads_to_the_drives_creep() -> None:
    """On the list of alarms, and on no other notice."""
    look = Templates(Statics(HERE / "static"))
    more = {"path": "/alarms", "people": [], "may_sign_in": True, "cannot_sign_in": "", "since": ""}
    told = scene(None, (alarm("PC1", "creep_forecast"), alarm("GT1", "calibration_due")))

    html = look.page("alarms", told, None, "token", more)

    assert html.count('href="/drives/PC1#drive-creep"') == 1
    assert "GT1#drive-creep" not in html


def test_words_of_the_judgement_have_the_pages_signs() -> None:
    """A minus before a number, the point of a unit; a day keeps its strokes."""
    row = row_of(known(steady(sentence="Changes by -0.1 (-0.3 to 0.1) kN.m, 9 N.m, since 2026-05-01.")), 1, NAMES)

    assert row.sentence == "Changes by \u22120.1 (\u22120.3 to 0.1) kN\u00b7m, 0.009 kN\u00b7m, since 2026-05-01."


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("Below 9000 N.m, the preload, most of the time.", "Below 9.0 kN\u00b7m, the preload, most of the time."),
        ("The level swings by 850 N.m over the year.", "The level swings by 0.85 kN\u00b7m over the year."),
        ("below 12500.5 N.m (0 N.m)", "below 12.5 kN\u00b7m (0.0 kN\u00b7m)"),
        ("a step of +1.3 kN.m; in N.m", "a step of +1.3 kN\u00b7m; in N\u00b7m"),
    ],
)
def test_every_torque_is_in_the_unit_of_the_bars(said: str, shown: str) -> None:
    """What stands beside 'below 9.0 kN\u00b7m' does not say 9000 of another unit."""
    assert row_of(known(steady(sentence=said)), 1, NAMES).sentence == shown


def test_judgement_ahead_of_the_clock_is_greyed_on_both_pages() -> None:
    """The sentence stands first, and neither the ranking nor the drive's part looks as of now."""
    look = Templates(Statics(HERE / "static"))
    more = {"path": "/creep", "people": [], "may_sign_in": True, "cannot_sign_in": "", "since": "", "why_not": ""}
    ahead = told(side("PC1"), read_utc_ms=NOW_MS - 3 * DAY_MS)
    ranking = look.page("creep", scene(), None, "token", {**more, "creep": ahead})
    part = look.page("drivecreep/PC1", scene(), None, "token", {**more, "creep": ahead})

    for html in (ranking, part):
        assert "which lies ahead: a clock was wrong then, or is now.</p>" in html
        assert '<div class="away">' in html
    assert "Judged at" not in ranking
