"""Events and lanes of a chart: words never over words, nothing hidden, what a contact counts as out of its events."""

from __future__ import annotations

import json
from itertools import pairwise
from typing import Any

from unit.page.scripts import answer

WIDE = 6
"""Width of a letter in these tests, px."""


def laid(marks: list[dict[str, Any]], rows: int = 3, width: int = 800) -> list[dict[str, Any]]:
    """Groups as they are laid; a moment is its place in px."""
    script = f"return laid({json.dumps(marks)}, (t) => t, [0, {width}], {rows}, (text) => text.length * {WIDE});"
    groups: list[dict[str, Any]] = answer("chart/laying.js", "laid", script)
    return groups


def mark(at: int, kind: str, text: str) -> dict[str, Any]:
    """One event."""
    return {"utc_ms": at, "kind": kind, "text": text, "seq": at}


def test_words_do_not_overlap() -> None:
    """Of many events at once each row holds words apart from one another."""
    groups = laid([mark(at, "alarm", "torque high") for at in range(0, 800, 13)])

    for row in range(3):
        spans = sorted((g["left"], g["left"] + len(g["text"]) * WIDE) for g in groups if g["row"] == row)
        assert spans
        assert all(b[0] > a[1] for a, b in pairwise(spans))


def test_no_event_is_left_out() -> None:
    """Each event inside the chart is in one group, whether its words have room or not; what lies outside is in none."""
    marks = [mark(at, "alarm", "torque high") for at in (-5, 0, 1, 2, 400, 401, 799, 805)]

    groups = laid(marks, rows=1)

    assert sorted(m["utc_ms"] for g in groups for m in g["marks"]) == [0, 1, 2, 400, 401, 799]


def test_the_gravest_gives_the_words() -> None:
    """Several events in one place read as the gravest and how many more, and it is the first to have room."""
    groups = laid(
        [mark(400, "settings", "settings changed"), mark(401, "shutdown", "shutdown"), mark(402, "reset", "r")]
    )

    assert [(g["text"], g["kind"]) for g in groups] == [("shutdown +2", "shutdown")]
    crowded = laid([mark(400, "test", "test began here"), mark(420, "shutdown", "shutdown operated")], rows=1)
    assert [g["kind"] for g in crowded if g["row"] == 0] == ["shutdown"]


def test_words_at_the_right_edge_stand_left_of_their_line() -> None:
    """They are whole on the chart."""
    (group,) = laid([mark(790, "alarm", "torque high")])

    assert group["left"] + len("torque high") * WIDE <= 800


def test_released_contacts_are_no_events_of_their_own() -> None:
    """They end a lane; their words would only crowd the others."""
    shown = answer(
        "chart/laying.js", "shownOf", f"return shownOf({json.dumps([mark(1, 'released', 'x'), mark(2, 'trip', 'y')])});"
    )

    assert [m["utc_ms"] for m in shown] == [2]


def lane(share: list[float | None], begin: int = 0, step: int = 10) -> dict[str, Any]:
    """A lane of columns ten wide."""
    columns = {
        "x": [begin + step * i + step / 2 for i in range(len(share))],
        "mean": share,
        "high": share,
        "steps": [step] * len(share),
    }
    found: dict[str, Any] = answer(
        "chart/spans.js", "laneOf", f"return laneOf('n', 'red', {json.dumps(columns)}, 0, 1000);"
    )
    return found


def test_lane_is_open_where_nothing_was_read() -> None:
    """Known before and after, not in between, and operated only where it was."""
    found = lane([0, 1, 1, None, None, 0, 0.25])

    assert found["known"] == [[0, 30], [50, 70]]
    assert found["on"] == [[10, 30, 1], [60, 70, 0.25]]


def settled(events: list[tuple[int, bool]], raw: dict[str, Any]) -> list[list[float]]:
    """When it counts as operated."""
    told = json.dumps([{"utc_ms": at, "on": on} for at, on in events])
    found = answer("chart/spans.js", "settledOf", f"return settledOf('n', 'red', {told}, {json.dumps(raw)});")
    return [span[:2] for span in found["on"]]


def test_stage_counts_from_its_events() -> None:
    """From operated to released by its own events, later than it was read; not where nothing is known."""
    raw = lane([0, 1, 1, 1, 0, 0, None, 0])

    assert settled([(13, True), (44, False)], raw) == [[13, 44]]
    assert settled([(44, False)], raw) == [[0, 44]]
    assert settled([(13, True)], raw) == [[13, 60], [70, 80]]
    assert settled([], raw) == []
