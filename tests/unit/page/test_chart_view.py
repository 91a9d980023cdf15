"""What part of time a chart shows: following now, zoomed about a place, never beyond what can be there."""

from __future__ import annotations

from typing import Any

from unit.page.scripts import answer

NOW = 1_800_000_000_000
HOUR = 3_600_000


def after(script: str, begin: str = f"new View({HOUR}, {NOW})") -> Any:
    """A view after something was done to it."""
    told = "return { from: v.from, to: v.to, span: v.span, follows: v.follows, named: v.named() };"
    return answer("chart/view.js", "View", f"const v = {begin}; const now = {NOW}; {script}; {told}")


def test_new_view_follows_now() -> None:
    """It ends a little after now, goes on with it, and knows its name."""
    view = after(f"v.tick(now + {HOUR})")

    assert view["follows"]
    assert view["named"] == "1 h"
    assert view["to"] == NOW + HOUR + 0.02 * HOUR
    assert view["span"] == HOUR


def test_panned_view_stays_where_it_is() -> None:
    """Once moved into the past it does not follow, and time moves nothing."""
    view = after("v.pan(-0.5, now); v.tick(now + 60000)")

    assert not view["follows"]
    assert view["named"] is None
    assert view["from"] == NOW + 0.02 * HOUR - 1.5 * HOUR


def test_panned_to_the_end_it_follows_again() -> None:
    """There is nothing right of now: pushed against it, it goes on with it."""
    view = after("v.pan(-3, now); v.pan(9, now)")

    assert view["follows"]
    assert view["to"] == NOW + 0.02 * HOUR


def test_zoom_keeps_the_moment_under_the_pointer() -> None:
    """What lay at a quarter of the width lies there still."""
    before = after("v.pan(-2, now)")
    view = after("v.pan(-2, now); v.zoom(0.5, 0.25, now)")

    assert view["span"] == HOUR / 2
    assert abs(view["from"] + 0.25 * view["span"] - (before["from"] + 0.25 * before["span"])) < 1


def test_zoom_ends_at_seconds_and_at_all_there_is() -> None:
    """No closer than two seconds, no farther than a little more than what was recorded."""
    close = after("for (let i = 0; i < 60; i += 1) v.zoom(0.5, 0.5, now)")
    far = after(f"v.earliest = now - 100 * 365 * 24 * {HOUR}; for (let i = 0; i < 60; i += 1) v.zoom(2, 0.5, now)")

    assert close["span"] == 2000
    assert 1.0 <= far["span"] / (100 * 365 * 24 * HOUR) <= 1.11
    assert far["to"] <= NOW + 0.02 * far["span"] + 1


def test_all_shows_from_the_first_reading() -> None:
    """The first reading is in sight, and so is now."""
    view = after(f"v.earliest = now - 40 * {HOUR}; v.all(now)")

    assert view["from"] <= NOW - 40 * HOUR
    assert view["to"] >= NOW
    assert view["span"] < 42 * HOUR


def test_record_is_never_left() -> None:
    """A record has ends: neither pan nor zoom shows anything beyond them."""
    begin = f"new View(0, {NOW}, {{ fixed: [{NOW - HOUR}, {NOW}], shortest: 1000 }})"

    panned = after("v.zoom(0.1, 0.5, now); v.pan(-50, now)", begin)
    zoomed = after("v.zoom(100, 0.5, now)", begin)

    assert panned["from"] == NOW - HOUR
    assert (zoomed["from"], zoomed["to"]) == (NOW - HOUR, NOW)
    assert not zoomed["follows"]


def test_link_to_a_moment_shows_what_lies_around_it() -> None:
    """Ten minutes unless it says; a moment of just now ends at now; anything else in an address leads nowhere."""
    script = "return ['?at=1800000000000', '?at=5&span=60000', '?at=-5', '?at=', '?at=1e9', ''].map(momentOf);"

    assert answer("chart/view.js", "momentOf", script) == [
        {"at": NOW, "span": 600_000},
        {"at": 5, "span": 60_000},
        None,
        None,
        None,
        None,
    ]
    past = after(f"v.earliest = now - 9 * {HOUR}; v.around(now - {HOUR}, 60000, now)")
    assert (past["from"], past["to"], past["follows"]) == (NOW - HOUR - 30_000, NOW - HOUR + 30_000, False)
    assert after(f"v.earliest = now - {HOUR}; v.around(now - 1000, 60000, now)")["follows"]
