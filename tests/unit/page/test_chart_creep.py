"""Days of a creep judgement as the chart has them: nothing drawn across a hole, words for who does not see it."""

from __future__ import annotations

import json
from typing import Any

from creepfiles import DAY_MS, NOW_MS, days, span
from unit.page.scripts import answer

JOB = "daysOf, keyOf, rowsOf, saidOf, stepsOf"


def ran(told: dict[str, Any], script: str) -> Any:
    """What a script makes of days."""
    return answer("chart/creepdays.js", JOB, f"const c = daysOf({json.dumps(told)}); {script}")


def test_days_lie_in_their_middle_with_level_and_band() -> None:
    """A day is drawn at its noon, UTC."""
    told = days(4, 8_000.0)

    columns = ran(told, "return c;")

    assert columns["x"] == [at + DAY_MS // 2 for at in told["utc_ms"]]
    assert (columns["mean"], columns["level"]) == (told["median_nm"], told["line_nm"])
    assert (columns["low"], columns["high"]) == (told["low_nm"], told["high_nm"])


def test_a_month_without_a_day_is_left_open() -> None:
    """Neither level nor band goes across it; two days without one are no hole."""
    told = days(60, 8_000.0)
    kept = [n for n in range(60) if n not in (5, 6) and not 20 <= n < 50]
    told = {name: [column[n] for n in kept] for name, column in told.items()}

    columns = ran(told, "return c;")

    assert [n for n, value in enumerate(columns["level"]) if value is None] == [18]
    assert columns["x"][17] < columns["x"][18] < columns["x"][19]


def test_table_has_at_most_so_many_days_and_always_the_last() -> None:
    """Evenly picked, exactly as they are."""
    told = days(400, 8_000.0, 100.0)

    rows = ran(told, "return rowsOf(c, 0, 1e15);")

    assert len(rows) == 40
    assert rows[-1]["at"] == told["utc_ms"][-1] + DAY_MS // 2
    assert (rows[-1]["median"], rows[-1]["level"]) == (told["median_nm"][-1], told["line_nm"][-1])


def test_words_for_who_does_not_see_it() -> None:
    """How many days, from which level to which, how many steps; of what is in sight."""
    told = days(100, 8_000.0, 304.375)
    step = {"utc_ms": NOW_MS - 10 * DAY_MS, "size_nm": span(1.0, 300.0, 2.0), "why": "found"}
    script = f"return saidOf(c, stepsOf([{json.dumps(step)}]), {NOW_MS - 50 * DAY_MS}, {NOW_MS});"

    assert ran(told, script) == "50 days; level from 7.510 to 8.000 kN\u00b7m; 1 step"
    assert ran(told, "return saidOf(c, [], 0, 1);") == "0 days; no level; no step"


def test_key_names_what_is_drawn_and_nothing_else() -> None:
    """A drive below what can be measured has neither dots nor a level."""
    known = days(60, 8_000.0)
    none = {name: [None] * 60 for name in ("median_nm", "line_nm", "low_nm", "high_nm")}

    assert ran(known, "return keyOf(c);").startswith("dots: the days' medians; line: the level; band: ")
    assert ran({**known, **none, "below_nm": [9_000.0] * 60}, "return keyOf(c);") == (
        "hooks: days below what can be measured"
    )
    assert ran({**known, "below_nm": None}, "return c.below.every((v) => v === null);") is True


def test_step_says_its_size_and_what_is_known_of_it() -> None:
    """A size that cannot be said leaves the word alone."""
    shifts = [
        {"utc_ms": 1, "size_nm": span(-2_600.0, -2_100.0, -1_600.0), "why": "plough replaced"},
        {"utc_ms": 2, "size_nm": None, "why": "found"},
    ]

    marks = answer("chart/creepdays.js", JOB, f"return stepsOf({json.dumps(shifts)});")

    assert [m["text"] for m in marks] == ["step \u22122.1 kN\u00b7m: plough replaced", "step"]
