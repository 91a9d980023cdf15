"""Pictures and page of a trend: drawn of anything that can be judged, standing alone, the same twice."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest

from nightrake.learning.approach import Approach, Kind, Rise
from nightrake.learning.days import Side
from nightrake.learning.trend import Trend
from nightrake.reports.trend_figure import png_of, trend_svgs
from nightrake.reports.trend_page import Part, TableRow, trend_page
from nightrake.reports.trend_picture import TrendPicture
from trends import NOW_MS, cannot_say, fitted_of, shift_of, side_of, trend_of


def picture_of(side: Side | None = None, trend: Trend | None = None, **more: Any) -> TrendPicture:
    """Of PC1."""
    return TrendPicture("PC1 Primary", "Europe/London", 0, side or side_of(), trend or trend_of(), **more)


def nothing() -> Side:
    """A side without a day."""
    side = side_of()
    return side._replace(days=side.days._replace(**{f: getattr(side.days, f)[:0] for f in side.days._fields}))


def trip(kind: Kind, rise: Rise | None) -> Approach:
    """A shutdown."""
    return Approach(
        "PC1-forward-shutdown-1", "PC1", "forward", "shutdown", NOW_MS, kind, rise, None, 40_000.0, 200.0, 40_000.0,
        "", "", (),
    )  # fmt: skip


@pytest.mark.parametrize(
    "picture",
    [
        picture_of(),
        picture_of(trend=trend_of(shifts=(shift_of(), shift_of("lockout released")))),
        picture_of(side_of(below=True), cannot_say(level_nm=8_880.0, level_is_below=True)),
        picture_of(nothing(), cannot_say()),
        picture_of(side_of()._replace(alarm_nm=0.0, shutdown_nm=0.0)),
        picture_of(trend=trend_of(season={"weekday": (500.0,) * 7, "hour": (0.0,) * 24})),
        picture_of(trend=trend_of(fitted=fitted_of(1), outliers=())),
        picture_of(trips=(trip(Kind.JAM, Rise(9_000.0, 40_000.0, 4.0, False, False)), trip(Kind.CANNOT_SAY, None))),
    ],
    ids=["creep", "shifts", "below", "nothing", "no-set-points", "season", "one-day", "trips"],
)
def test_anything_can_be_drawn(picture: TrendPicture) -> None:
    """Also what has no day, no level or no set point; warnings of the drawing library are errors here."""
    assert png_of(picture)[:4] == b"\x89PNG"


@pytest.fixture(scope="module")
def svgs() -> list[tuple[str, str]]:
    """Figures of a creep with a shift."""
    return [(kind, str(svg)) for kind, svg in trend_svgs(picture_of(trend=trend_of(shifts=(shift_of(),))), "d1")]


def test_same_input_same_bytes_and_nothing_outside(svgs: list[tuple[str, str]]) -> None:
    """For paper and for a telephone; a page can be compared with an older one; no address stands in it."""
    assert [kind for kind, _ in svgs] == ["wide", "narrow"]
    assert all(svg.count("<svg") == 2 for _, svg in svgs)
    assert trend_svgs(picture_of(trend=trend_of(shifts=(shift_of(),))), "d1") == svgs
    assert not re.search(r"https?:|<script", "".join(svg for _, svg in svgs))


def test_set_points_shifts_and_levels_are_in_the_picture(svgs: list[tuple[str, str]]) -> None:
    """By their words."""
    svg = svgs[0][1]
    for words in ("alarm 32", "shutdown 40", "load event", "if it goes on so", "control limits", "decision limit"):
        assert words in svg


def test_trend_is_drawn_no_further_than_it_was_read() -> None:
    """A fifth of the time that was read, and never beyond 120 days."""
    days = side_of().days
    assert picture_of().ahead_days == pytest.approx(12.0)
    long = days._replace(utc_ms=days.utc_ms - np.linspace(900, 0, len(days.utc_ms)).astype(np.int64) * 86_400_000)
    assert picture_of(side_of()._replace(days=long)).ahead_days == 120.0


def test_page_escapes_what_people_wrote() -> None:
    """Names and sentences are text."""
    row = TableRow("1", "<b>PC1", "", ("1", "2", "3", "4", "5", "6"), "<script>x</script>", True)
    part = Part("drive-PC1-forward", "<i>PC1", "creeps", [("Shift", "cause: <img src=x>")], picture_of(), False)
    page = trend_page("T", "A", [row], [part], explained="E", caution="C", beware=["<u>"])
    for bad in ("<b>PC1", "<script>x", "<i>PC1", "<img", "<u>"):
        assert bad not in page
    assert "&lt;b&gt;PC1" in page
