"""Where the words of set points stand on a chart, in Node: never two in one place while there is another."""

from __future__ import annotations

import json
from itertools import combinations
from typing import Any

import pytest

from unit.page.scripts import answer

FREE = "() => false"


def placed(heights: list[float], *, wide: float = 120, width: float = 800, foot: float = 240, busy: str = FREE) -> Any:
    """Spots of set points at these heights of a chart."""
    lines = [{"y": y, "wide": wide} for y in heights]
    box = {"top": 0, "foot": foot, "width": width}
    return answer("chart/spots.js", "spots", f"return spots({json.dumps(lines)}, {json.dumps(box)}, {busy});")


def meet(one: dict[str, Any], other: dict[str, Any], *, narrow: bool) -> bool:
    """Whether two words stand on each other."""
    return one["top"] < other["foot"] and one["foot"] > other["top"] and (narrow or one["side"] == other["side"])


def test_words_stand_at_the_right_end_above_their_line() -> None:
    """As long as nothing is in the way."""
    assert placed([150.0]) == [{"side": "right", "below": False, "top": 133, "foot": 150}]


def test_words_evade_the_curve_and_each_other() -> None:
    """To the left where the curve runs at the right; then below."""
    (left,) = placed([150.0], busy="(spot) => spot.side === 'right'")
    (below,) = placed([150.0], busy="(spot) => !spot.below")

    assert (left["side"], left["below"]) == ("left", False)
    assert (below["side"], below["below"]) == ("right", True)


@pytest.mark.parametrize(
    ("heights", "width"),
    [
        ([9.0, 28.0, 212.0, 231.0], 285.0),  # a thickener of two directions on a telephone: alarm at 80 % of shutdown
        ([28.0, 9.0, 212.0, 231.0], 285.0),
        ([30.0, 9.0], 285.0),
        ([60.0, 70.0], 800.0),
    ],
)
def test_no_words_stand_on_others_on_a_narrow_chart(heights: list[float], width: float) -> None:
    """Also where words at both ends would meet; those at the chart's edge, with one side of their line, go first."""
    found = placed(heights, wide=190.0, width=width)

    for one, other in combinations(found, 2):
        assert not meet(one, other, narrow=width < 2 * 190.0), (one, other)


def test_words_that_find_no_place_stand_somewhere() -> None:
    """A chart lower than its words: each still has a spot, at its own line."""
    found = placed([4.0, 6.0], foot=10.0)

    assert [(one["side"], one["foot"]) for one in found] == [("right", 4), ("right", 6)]
