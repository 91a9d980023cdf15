"""Numbers at the edge of what a file can hold, one place after the other: the ranking is shown, and a drive's page."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from typing import Any

import pytest

from creepfiles import NOW_MS, days, side, stepped, trends
from nightrake.page.look import HERE, Templates
from nightrake.page.statics import Statics
from nightrake.pagereading.creep import parsed
from pagescenes import scene

EXTREMES: tuple[Any, ...] = (
    0, -0.0, -1, 5e-324, 1e-320, 9.99e11, -9.99e11, 1e15, 2**53 - 1, 0.999999, 1, 62_135_596_800_001,
    253_402_300_799_999, 253_402_300_800_000, True, "x" * 5_000, "\ud800", {"low": -9e11, "mid": 0, "high": 9e11},
    {"low": 5, "mid": 1, "high": -5}, {"low": 0, "mid": None, "high": None},
)  # fmt: skip
"""Among them the least float, the last moment that a calendar has, and one after it. No shutdown of 5e-324 N.m may take
the whole ranking with it (it did)."""
MORE = {"path": "/creep", "people": [], "may_sign_in": True, "cannot_sign_in": "", "since": "", "why_not": ""}
WHOLE = stepped("PC1", days=days(3, 16_000.0), alarm=side()["alarm"], shutdown=side()["shutdown"])


@pytest.fixture(scope="module")
def look() -> Templates:
    """The page's own."""
    return Templates(Statics(HERE / "static"))


def places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Everything in an entry but its name."""
    if path and path != ("drive",):
        yield path
    inner = value.items() if isinstance(value, dict) else enumerate(value[:1]) if isinstance(value, list) else ()
    for key, one in inner:
        yield from places(one, (*path, key))


def with_extremes(path: tuple[Any, ...]) -> list[dict[str, Any]]:
    """A site of entries, each with another extreme in that place, and one that is as it should be."""
    made = []
    for number, extreme in enumerate(EXTREMES):
        one = copy.deepcopy(WHOLE) | {"drive": f"R{number}"}
        at: Any = one
        for key in path[:-1]:
            at = at[key]
        at[path[-1]] = extreme
        made.append(one)
    return [*made, side("PC2")]


@pytest.mark.parametrize("path", [p for p in places(WHOLE) if p != ("name",)], ids=lambda p: ".".join(map(str, p)))
def test_no_number_takes_the_page_with_it(look: Templates, path: tuple[Any, ...]) -> None:
    """Each entry is shown as far as it can be, and all the others are as they were."""
    shown = scene()
    found = parsed(json.dumps(trends(*with_extremes(path))).encode(), "learning/trends.json")
    head = {
        "judged_utc_ms": found.judged_utc_ms, "read_utc_ms": NOW_MS, "took_s": found.took_s, "beware": [],
        "notes": list(found.notes), "report": "", "reports": [], "total": len(found.sides), "skip": 0, "warnings": 1,
        "drives": len(found.sides),
    }  # fmt: skip
    ranked = json.loads(json.dumps({**head, "sides": [one.told for one in found.sides]}, allow_nan=False))
    own = [{**one.with_days(), "place": place} for place, one in enumerate(found.sides, 1)]
    drawn = json.loads(json.dumps({**head, "sides": own, "drive": "PC1", "of": len(own)}, allow_nan=False))

    page = look.page("creep", shown, None, "token", {**MORE, "creep": ranked})
    piece = look.page("drivecreep/PC1", shown, None, "token", {**MORE, "creep": drawn})

    assert "Rake PC2" in page or "Primary clarifier 2" in page
    assert "in 40 to 90 days" in page
    assert piece.count('class="verdict"') == len(own)
    (page + piece).encode()
