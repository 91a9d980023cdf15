"""Lanes of a chart: in line with the torque however coarse their neighbours are, and going on as it is told."""

from __future__ import annotations

import json
from typing import Any

from unit.page.scripts import STATIC, answer
from unit.page.test_chart_store import NOW, told

STORE = json.dumps((STATIC / "chart/store.js").as_uri())


def lane_of(pieces: list[tuple[dict[str, Any], int]], begin: int, end: int, step: int) -> dict[str, Any]:
    """The lane of what is at hand, times counted from `NOW`."""
    kept = "".join(f"s.keep(pieceOf({json.dumps(one)}, {asked}, {NOW}));" for one, asked in pieces)
    source = (STATIC / "chart/spans.js").as_uri()
    script = (
        f"{kept} const lane = spans.laneOf('n', 'red', s.columns({begin}, {end}, {step}), {begin}, {end});"
        f"lane.on = lane.on.map(([a, b, share]) => [a - {NOW}, b - {NOW}, share]);"
        f"lane.known = lane.known.map(([a, b]) => [a - {NOW}, b - {NOW}]); return lane;"
    )
    names = f'Series, pieceOf }} from {STORE}; import * as spans from "{source}"; import {{ lowest'
    found: dict[str, Any] = answer("chart/store.js", names, f"const s = new Series(); {script}")
    return found


def test_fine_columns_keep_their_place_beside_coarse_ones() -> None:
    """Operated from 3 s to 6 s by columns of 1 s; that columns of 5 s go on behind them moves nothing."""
    fine = told(NOW, 1000, [0, 0, 0, 1, 1, 1, 0, 0, 0, 0])
    coarse = told(NOW, 5000, [0.4, 0.2, 1, 1])

    found = lane_of([(coarse, 5000), (fine, 1000)], NOW, NOW + 20_000, 1000)

    assert found["on"] == [[3000, 6000, 1], [10_000, 20_000, 1]]
    assert found["known"] == [[0, 20_000]]


def test_coarse_column_ends_where_a_finer_one_says_better() -> None:
    """A coarse column that reaches into the fine ones is no hole, and adds nothing that they do not say."""
    fine = told(NOW + 7000, 1000, [0, 0, 0])
    coarse = told(NOW, 5000, [0, 1, 0])

    found = lane_of([(coarse, 5000), (fine, 1000)], NOW, NOW + 15_000, 1000)

    assert [span[:2] for span in found["on"]] == []
    assert found["known"] == [[0, 15_000]]


def states(acts: str, lane: dict[str, Any]) -> dict[str, Any]:
    """A lane gone on with what was told."""
    script = f"const s = new States(); {acts} return continued({json.dumps(lane)}, s);"
    found: dict[str, Any] = answer("chart/spans.js", "States, continued", script)
    return found


def test_lane_goes_on_with_what_is_told() -> None:
    """Beyond what was asked for, each change at its moment; what was asked for stays as it is."""
    acts = "s.add(1000, false); s.add(4000, true); s.add(6000, true); s.add(7000, false); s.add(9000, false);"

    found = states(acts, {"on": [], "known": [[0, 3000]]})

    assert found["known"] == [[0, 9000]]
    assert [span[:2] for span in found["on"]] == [[4000, 7000]]
    assert states(acts, {"on": [], "known": [[0, 5000]]})["on"][0][:2] == [5000, 7000]


def test_no_hole_between_what_was_asked_for_and_what_is_told() -> None:
    """A page that has just come hears of a contact within a scan after what was recorded of it: one stretch."""
    found = states("s.add(1900, true); s.add(3000, true);", {"on": [[0, 1000, 1]], "known": [[0, 1000]]})

    assert found == {"on": [[0, 3000, 1]], "known": [[0, 3000]]}


def test_lane_is_open_where_nothing_was_heard_or_nothing_known() -> None:
    """A lost line, a long silence and a contact that cannot be read are no state."""
    cut = states("s.add(0, true); s.add(1000, true); s.cut(); s.add(4000, true); s.add(5000, true);", EMPTY)
    silent = states("s.add(0, true); s.add(1000, true); s.add(60000, true); s.add(61000, true);", EMPTY)
    unread = states(
        "s.add(0, true); s.add(1000, null); s.add(2000, null); s.add(4000, true); s.add(5000, true);", EMPTY
    )

    assert cut["known"] == [[0, 1000], [4000, 5000]]
    assert silent["known"] == [[0, 1000], [60_000, 61_000]]
    assert unread["known"] == [[0, 1000], [4000, 5000]]


EMPTY: dict[str, Any] = {"on": [], "known": []}


def test_what_was_told_is_bounded() -> None:
    """A contact that chatters for days keeps some hundreds of states."""
    acts = "for (let i = 0; i < 20000; i += 1) s.add(i * 500, i % 2 === 0); return s.spans.length;"

    assert answer("chart/spans.js", "States", f"const s = new States(); {acts}") <= 1000
