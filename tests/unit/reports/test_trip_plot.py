"""A trip's picture: self-contained, whatever names people give; what is not known is shown so."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from nightrake.errors import NightrakeError
from nightrake.history.trippicture import Curve, Drawn, Floats, Lane
from nightrake.reports.trip_plot import Mark, Set, TripPicture, trip_page, trip_svgs, write_png

TRIP_MS = 1_790_000_000_000
HOSTILE = "$x^{$ <b>&amp; \\frac \u202e"


def drawn(minutes: int) -> Drawn:
    """A reverse torque with a hole in it, and contacts that nobody knew for a while."""
    at = TRIP_MS + np.linspace(-minutes, minutes, 81) * 60_000.0
    torque: Floats = -20_000.0 - 250.0 * np.arange(81, dtype=np.float64)
    torque[30] = np.nan
    limit = np.where(np.arange(81) > 70, 1.0, 0.0)
    curve = Curve(at, torque - 200.0, torque, torque + 200.0, np.full(81, 400.0), limit)
    begin, end = int(at[0]), int(at[-1])
    lanes = (
        Lane("reverse alarm", ((TRIP_MS - 30_000.0, end),), ((begin, begin + 60_000.0),)),
        Lane("reverse shutdown", ((float(TRIP_MS), end),), ()),
        Lane(f"motor runs {HOSTILE}", ((begin, float(TRIP_MS)),), ()),
    )
    return Drawn(begin, end, curve, replace_power(curve), lanes)


def replace_power(curve: Curve) -> Curve:
    """A motor's power that goes with it."""
    kw = np.abs(curve.mean) / 1e5
    return curve._replace(low=kw, mean=kw, high=kw)


PICTURE = TripPicture(
    title=f"GT1 reverse: shutdown {HOSTILE}",
    zone="Europe/London",
    offset_ms=3_600_000,
    trip_ms=TRIP_MS,
    whole=drawn(60),
    near=drawn(10),
    sets=[Set("alarm", -32_000.0), Set("shutdown", -40_000.0)],
    marks=[Mark(TRIP_MS + 1_000 * n, n) for n in range(1, 5)],
    lists=[f"{n}  00:00:0{n}  {HOSTILE}" for n in range(1, 5)],
)
PAGE = {
    "about": HOSTILE,
    "facts": [(("Drive", HOSTILE), ("Trip", "shutdown"))],
    "caution": "Lock out.",
    "remarks": [HOSTILE],
    "events": [("1", "2026-09-21 15:13:20", HOSTILE)],
    "left_out": "",
    "settings": [("Calibration", HOSTILE)],
    "paper": "GT1-reverse-shutdown-1",
}


def test_figures_say_what_they_show() -> None:
    """Words for those who cannot see it; set points by magnitude; times of the site's wall; marks put together."""
    whole, near = trip_svgs(PICTURE)
    for svg in (whole, near):
        for words in (
            "shutdown 40 kN.m",
            "reverse alarm",
            "at an end of the calibrated span",
            "2026-09-21, Europe/London",
        ):
            assert words in svg
        assert re.search(r'aria-label="GT1 reverse: shutdown [^"]*torque, contacts and motor', svg)
    assert ">15:20<" in near  # 14:20 UTC
    assert ">1-4<" in whole
    assert trip_svgs(PICTURE) == (whole, near)


def test_page_takes_no_markup_and_nothing_from_outside() -> None:
    """Names stay text, without what could turn the words around them; no script, no address."""
    page = trip_page(PICTURE, **PAGE)
    assert "<b>" not in page
    assert "\u202e" not in page
    assert re.findall(r"(?:src|href)=\"(?!#)[^\"]*|https?://|<script|@import", page) == []


def test_picture_is_written_whole_or_in_one_sentence_not(tmp_path: Path) -> None:
    """Also where there is nothing but the trip to draw."""
    write_png(tmp_path / "new" / "x.png", PICTURE)
    assert (tmp_path / "new" / "x.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    none = np.empty(0)
    empty = Drawn(TRIP_MS - 1_000, TRIP_MS + 1_000, Curve(none, none, none, none, none, none), None, ())
    write_png(tmp_path / "y.png", replace(PICTURE, whole=empty, near=empty, marks=[], lists=[], sets=[]))
    with pytest.raises(NightrakeError, match=r"x\.png.z\.png: cannot be written"):
        write_png(tmp_path / "new" / "x.png" / "z.png", PICTURE)
    assert [p.name for p in (tmp_path / "new").iterdir()] == ["x.png"]
