"""What a chart has at hand: the fittest columns for each stretch, gaps left open, the newest readings at the end."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from unit.page.scripts import answer

NOW = 1_800_000_000_000


def told(begin: int, step: int, values: Sequence[float | None], until: int | None = None) -> dict[str, Any]:
    """An answer of the server: a column each `step`."""
    columns: dict[str, list[float | None]] = {"utc_s": [(begin + i * step) / 1000 for i in range(len(values))]}
    for name in ("min", "mean", "max"):
        columns[name] = list(values)
    end = begin + step * len(values)
    return {"begin_utc_ms": begin, "end_utc_ms": end, "step_ms": step, "until_utc_ms": until or end, "columns": columns}


def columns(pieces: Sequence[tuple[dict[str, Any], int]], begin: int, end: int, step: int, also: str = "") -> Any:
    """What is drawn of pieces (an answer and the width asked for) in a span."""
    kept = "".join(f"s.keep(pieceOf({json.dumps(one)}, {asked}, {NOW}));" for one, asked in pieces)
    script = f"const s = new Series(); {kept} {also}; return s.columns({begin}, {end}, {step});"
    return answer("chart/store.js", "Series, pieceOf", script)


def test_hole_in_an_answer_stays_a_hole() -> None:
    """Where nothing was read there is a null, so the line is not drawn across it."""
    drawn = columns([(told(NOW, 1000, [1.0, 2.0, None, None, 5.0]), 1000)], NOW, NOW + 5000, 1000)

    assert drawn["mean"] == [1.0, 2.0, None, None, 5.0]
    assert drawn["missing"] == []


def test_stretch_between_two_answers_is_open_and_told_missing() -> None:
    """Two answers with nothing asked between: a null between them, and the stretch is named."""
    first, second = told(NOW, 1000, [1.0] * 4), told(NOW + 10_000, 1000, [2.0] * 4)

    drawn = columns([(first, 1000), (second, 1000)], NOW, NOW + 14_000, 1000)

    assert drawn["mean"] == [1.0] * 4 + [None] + [2.0] * 4
    assert drawn["missing"] == [[NOW + 4000, NOW + 10_000]]


def test_finer_columns_stand_where_they_are_at_hand() -> None:
    """A coarse answer fills what the fine one does not cover; no column stands twice."""
    coarse, fine = told(NOW, 10_000, [7.0] * 6), told(NOW + 20_000, 1000, [3.0] * 10)

    drawn = columns([(coarse, 10_000), (fine, 1000)], NOW, NOW + 60_000, 1000)

    assert drawn["mean"].count(3.0) == 10
    assert drawn["mean"].count(7.0) == 5
    assert drawn["x"] == sorted(set(drawn["x"]))
    assert drawn["missing"] == []


def test_line_goes_on_beyond_the_edges() -> None:
    """One column left and right of what is shown is there, so the line does not end inside the chart."""
    drawn = columns([(told(NOW, 1000, [float(i) for i in range(20)]), 1000)], NOW + 5000, NOW + 10_000, 1000)

    assert drawn["mean"][0] == 4.0
    assert drawn["mean"][-1] == 10.0


def test_new_readings_go_on_where_the_answer_ends() -> None:
    """Readings that come by themselves are appended; those that the answer holds already are not shown twice."""
    one = told(NOW, 1000, [1.0, 1.0, 1.0, None, None], until=NOW + 3000)
    also = "".join(f"s.add({NOW + at}, {value}, 0.5);" for at, value in ((1500, 9), (2500, 9), (3500, 2), (4500, 3)))

    drawn = columns([(one, 1000)], NOW, NOW + 6000, 1000, also)

    assert drawn["mean"] == [1.0, 1.0, 1.0, 2, 3]
    assert drawn["uncertainty"][-1] == 0.5


def test_several_new_readings_share_a_column() -> None:
    """In a wide column the newest readings have their lowest, mean and highest."""
    one = told(NOW, 10_000, [1.0], until=NOW + 10_000)
    also = "".join(f"s.add({NOW + 10_000 + at}, {v}, null);" for at, v in ((1000, 4), (2000, 8), (3000, 6)))

    drawn = columns([(one, 10_000)], NOW, NOW + 20_000, 10_000, also)

    assert (drawn["low"][-1], drawn["mean"][-1], drawn["high"][-1]) == (4, 6, 8)


def test_silence_and_a_lost_line_are_gaps() -> None:
    """Longer than the service ever keeps silent, and after the line was lost: nothing is known in between."""
    also = f"s.add({NOW}, 1, null); s.add({NOW + 20_000}, 2, null); s.cut(); s.add({NOW + 21_000}, 3, null)"

    drawn = columns([], NOW - 1000, NOW + 30_000, 100, also)

    assert drawn["mean"] == [1, None, 2, None, 3]


def test_reading_without_a_value_opens_a_gap() -> None:
    """A torque that is absent is a gap, not a line at the last value."""
    also = f"s.add({NOW}, 1, null); s.add({NOW + 1000}, null, null); s.add({NOW + 2000}, 3, null)"

    drawn = columns([], NOW - 1000, NOW + 3000, 100, also)

    assert drawn["mean"] == [1, None, 3]


def test_nothing_is_asked_for_twice() -> None:
    """What is at hand and fine enough covers a part of itself; a closer look, or what is new by now, does not."""
    one = told(NOW, 1000, [1.0] * 100)
    script = (
        f"const s = new Series(); s.keep(pieceOf({json.dumps(one)}, 1000, {NOW + 100_000})); return ["
        f"s.covers({NOW + 10_000}, {NOW + 50_000}, 1000, {NOW + 100_000}),"
        f"s.covers({NOW + 10_000}, {NOW + 12_000}, 50, {NOW + 100_000}),"
        f"s.covers({NOW - 10_000}, {NOW + 50_000}, 1000, {NOW + 100_000}),"
        f"s.covers({NOW + 10_000}, {NOW + 500_000}, 1000, {NOW + 400_000})];"
    )

    assert answer("chart/store.js", "Series, pieceOf", script) == [True, False, False, False]


def test_time_in_which_nobody_watched_is_open() -> None:
    """Values that are told only when they change would be drawn across it; columns at its edges stay."""
    made = {"x": [1, 2, 3, 4, 5]} | {name: [7] * 5 for name in ("low", "mean", "high", "uncertainty", "bad", "limit")}

    drawn = answer("chart/store.js", "opened", f"return opened({json.dumps(made)}, [[2, 4.5], [9, 10]]);")

    assert drawn["mean"] == drawn["low"] == [7, 7, None, None, 7]


def test_what_is_kept_is_bounded() -> None:
    """A day of panning keeps some tens of answers and some thousand readings."""
    script = (
        "const s = new Series(); const one = { step: 1, asked: 1, x: [] };"
        "for (let i = 0; i < 500; i += 1) s.keep({ ...one, begin: i, end: i + 1 });"
        f"for (let i = 0; i < 20000; i += 1) s.add({NOW} + i * 500, i, null); return [s.pieces.length, s.live.length];"
    )

    pieces, live = answer("chart/store.js", "Series", script)

    assert pieces <= 24
    assert live <= 4000
