"""Proving as a list of events: what they add up to, whatever cut the file off, and the verdict on a contact."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.commissioning.proved import contact_figures
from nightrake.commissioning.proving import (
    AS_FOUND,
    AS_LEFT,
    About,
    ContactEdge,
    Point,
    Session,
    begun,
    contacts_adjusted,
    edge_seen,
    finished,
    finishing,
    head_corrected,
    noted,
    point_dropped,
    point_taken,
    read_events,
    resumed,
    session_of,
)
from nightrake.errors import CalibrationError

ABOUT = About("PC1", "forward", "FM-0101", "F. Example", method="rakes tied off", radius_m=13.0)
CONTACTS = [("alarm", "A"), ("shutdown", "A")]


def edge(
    stage: str, position_mm: float, *, operated: bool = True, state: str = AS_FOUND, known: bool = True
) -> ContactEdge:
    """One edge on channel A."""
    return ContactEdge(stage, "A", operated, position_mm, 0.02, known, state)


def points(*torques_nm: float) -> Session:
    """A session with points at these torques, branch and run as the session itself gives them."""
    session = session_of([begun(ABOUT, 7)])
    for torque in torques_nm:
        branch, run = session.branch_of(torque)
        point = Point(session.taken + 1, torque, torque / 1000, branch, run)
        session = session_of([begun(ABOUT, 7), *(point_taken(p) for p in (*session.points, point))])
    return session


def test_branch_and_run_follow_from_the_order_of_torques() -> None:
    """Up, down, and up again is a second run."""
    session = points(10, 20, 30, 20, 10, 20, 30)

    assert [p.branch for p in session.points] == ["rising"] * 3 + ["falling"] * 2 + ["rising"] * 2
    assert [p.run for p in session.points] == [1, 1, 1, 1, 1, 2, 2]


def test_reverse_torques_rise_in_magnitude() -> None:
    """A reverse torque is negative; more of it is rising."""
    assert [p.branch for p in points(-10, -20, -10).points] == ["rising", "rising", "falling"]


def test_pull_times_radius_is_the_torque() -> None:
    """Method rakes tied off: the pull is what the instrument shows. Force at the arm: times arm, ratio, efficiency."""
    arm = About("PC1", "forward", "S", "F", method="force at the arm", arm_m=0.25, ratio=590.0, efficiency=0.8)

    assert ABOUT.torque_nm(2_000.0) == 26_000.0
    assert arm.torque_nm(100.0) == pytest.approx(100 * 0.25 * 590 * 0.8)
    assert About("PC1", "forward", "S", "F").torque_nm(5.0) == 5.0


def test_numbers_are_never_given_twice() -> None:
    """A dropped point's number does not come back, so that what was said of it stays true."""
    taken = [point_taken(Point(n, 10.0 * n, 1.0 * n, "rising", 1)) for n in (1, 2, 3)]
    session = session_of([begun(ABOUT, 0), *taken, point_dropped(3)])

    assert [p.number for p in session.points] == [1, 2]
    assert session.taken == 3


def test_only_edges_with_a_place_count_and_as_left_is_apart() -> None:
    """An edge from a time when nobody proved, and those from before the adjustment."""
    session = session_of(
        [
            begun(ABOUT, 0),
            edge_seen(edge("alarm", 14.0)),
            edge_seen(edge("alarm", 14.2)),
            edge_seen(edge("alarm", 3.0, known=False)),
            edge_seen(edge("alarm", 13.6, operated=False)),
            contacts_adjusted(),
            edge_seen(edge("alarm", 15.0, state=AS_LEFT)),
        ]
    )

    found, left = contact_figures(session, CONTACTS)[:2]

    assert (found.state, found.operations, found.releases) == (AS_FOUND, 2, 1)
    assert found.operating_mm == pytest.approx(14.1)
    assert found.spread_mm == pytest.approx(0.2)
    assert found.release_mm == pytest.approx(13.6)
    assert (left.state, left.operating_mm) == (AS_LEFT, 15.0)
    shutdown = contact_figures(session, CONTACTS)[2:]
    assert [(f.state, f.operating_mm) for f in shutdown] == [(AS_LEFT, None)]


def test_corrected_head_takes_its_points_along() -> None:
    """A lever of 12 m in place of 13 m: every torque follows, before and after, however often it is read again."""
    events = [
        begun(ABOUT, 0),
        point_taken(Point(1, 26_000.0, 10.0, "rising", 1, entered="2 kN")),
        head_corrected({"radius_m": 12.0, "due_on": "2030-01-31"}),
        point_taken(Point(2, 36_000.0, 17.0, "rising", 1, entered="3 kN")),
    ]

    session = session_of(read_events("".join(json.dumps(e) + "\n" for e in events), "f"))

    assert session.about is not None
    assert (session.about.radius_m, session.about.due_on) == (12.0, "2030-01-31")
    assert [p.torque_nm for p in session.points] == [pytest.approx(24_000.0), 36_000.0]


def test_head_measures_a_force_by_its_method_only() -> None:
    """An arm without its method multiplies nothing."""
    assert ABOUT.applies_force
    assert not About("PC1", "forward", "S", "F", method="factory output", arm_m=0.4).applies_force
    assert not About("PC1", "forward", "S", "F", method="rakes tied off").applies_force


def test_edge_under_a_running_motor_does_not_count() -> None:
    """It is that of a trip, wherever the arm was seen."""
    session = session_of([begun(ABOUT, 0), edge_seen(replace(edge("alarm", 14.0), running=True))])

    assert session.edges_of("alarm", "A", operated=True, state=AS_FOUND) == ()


def test_file_cut_off_anywhere_gives_the_whole_lines_before_the_cut() -> None:
    """kill -9 in the middle of a write: what had been told stands, the torn line never happened."""
    events = [begun(ABOUT, 3), point_taken(Point(1, 1.0, 2.0, "rising", 1)), noted("ice on the bridge"), resumed(9)]
    text = "".join(json.dumps(e) + "\n" for e in events)
    ends = [i + 1 for i, c in enumerate(text) if c == "\n"]

    for cut in range(ends[0], len(text) + 1):
        whole = sum(end <= cut for end in ends)
        assert read_events(text[:cut], "f") == json.loads(json.dumps(events[:whole]))


@pytest.mark.parametrize(
    "line",
    [
        "{",
        "[]",
        '{"event": "head", "about": {"surprise": 1}}',
        '{"event": "point"}',
        '{"event": "surprise"}',
        '{"event": "edge", "wrong": 1}',
        "12",
    ],
)
def test_damaged_line_is_named(line: str) -> None:
    """A file that somebody has edited: which line, and what to do."""
    text = json.dumps(begun(ABOUT, 0)) + "\n" + line + "\n"

    with pytest.raises(CalibrationError, match=r"^where:2: cannot be read .*move it away and begin anew$"):
        read_events(text, "where")


def test_file_without_a_beginning_is_refused() -> None:
    """Its first line says what is proved; without it nothing else has a meaning."""
    with pytest.raises(CalibrationError, match="does not begin"):
        read_events(json.dumps(noted("x")) + "\n", "where")


@given(st.lists(st.floats(1.0, 1e6), max_size=30), st.integers(0, 40))
def test_session_is_the_same_however_often_it_was_taken_up(torques: list[float], cut: int) -> None:
    """Folding the lines in two goes, with a stop between, differs by the stop only."""
    events = [begun(ABOUT, 0)]
    for n, torque in enumerate(torques, 1):
        branch, run = session_of(events).branch_of(torque)
        events.append(point_taken(Point(n, torque, torque / 1e4, branch, run)))
    at_once = session_of([*events, finishing("R", "2026-11-25"), finished()])

    stopped = session_of([*events[: max(1, cut)], resumed(5), *events[max(1, cut) :], finishing("R", "2026-11-25")])

    assert stopped.points == at_once.points
    assert (stopped.stops, stopped.making, stopped.done, at_once.done) == (1, "R", False, True)
