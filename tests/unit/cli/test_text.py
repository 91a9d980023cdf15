"""How drives and events read: signs kept, since when, whether the motor stopped, how old a torque was."""

from __future__ import annotations

from typing import Any

import pytest

from nightrake.cli.status import drives_table
from nightrake.cli.text import (
    event_text,
    more_text,
    percent_text,
    since_text,
    state_of,
    torque_text,
    trust_text,
    when_text,
)
from nightrake.domain.view import drive_view
from works import Works, lone_rake

DAY_MS = 86_400_000


def view(works: Works, after_ms: int = 0) -> dict[str, Any]:
    """The drive as it is shown, some time after the last step."""
    return drive_view(works.state, "D", works.now_ns, works.utc_ms + after_ms)


def tripped(running: int | None) -> Works:
    """A drive whose shutdown has operated, its motor feedback on, off or cut, four seconds later."""
    works = lone_rake()
    works.scan()
    works.operate("D", "shutdown/A")
    if running is not None:
        works.set("D", "running", running)
    works.scan()
    for _ in range(16):
        works.scan(bad=works.blocks("running", drive="D") if running is None else ())
    return works


@pytest.mark.parametrize(
    ("microampere", "torque", "percent"),
    [(4_000, "<8.0", "<20"), (10_400, "24.0", "60"), (19_900, ">40.0", ">100")],
)
def test_a_limit_is_no_value_in_either_column(microampere: int, torque: str, percent: str) -> None:
    """Below the first point or beyond the last, the per cent are a limit as much as the torque is."""
    works = lone_rake()
    works.set("D", "position", microampere)
    works.scan()

    assert (torque_text(view(works)), percent_text(view(works))) == (torque, percent)


@pytest.mark.parametrize(
    ("running", "words"), [(0, "stop confirmed"), (1, "STILL RUNNING"), (None, "stop not confirmed")]
)
def test_shutdown_says_whether_the_motor_stopped(running: int | None, words: str) -> None:
    """It stands with the state until the reset, whatever the feedback."""
    works = tripped(running)

    assert state_of(view(works))[0].startswith("SHUTDOWN latched")
    assert more_text(view(works))[0] == words


def test_state_stands_since_it_came_about() -> None:
    """An alarm that goes while the shutdown stands makes it no younger; a bad reading makes it no older."""
    works = lone_rake()
    works.operate("D", "alarm/A")
    works.operate("D", "shutdown/A")
    works.scan()
    began_ms = works.utc_ms
    works.operate("D", "alarm/A", False)
    works.scan(60_000)

    assert view(works)["directions"]["forward"]["since_utc_ms"] == began_ms
    assert since_text(view(works)) == when_text(began_ms, works.utc_ms)
    assert more_text(view(works)) == ["STILL RUNNING"] or more_text(view(works)) == ["stop awaited"]


def test_state_that_cannot_be_read_says_when_it_was_last_known() -> None:
    """Both contacts are away, the one later than the other: it was known as a whole until the first went."""
    works = lone_rake()
    works.scan()
    since_ms = works.utc_ms
    works.scan(1_000, bad=range(9))
    lost_ms = works.utc_ms
    works.scan(30_000, bad=range(9))

    assert state_of(view(works))[0] == "normal (last known)"
    assert since_text(view(works)) == when_text(since_ms, works.utc_ms)
    assert more_text(view(works)) == [f"known {when_text(lost_ms, works.utc_ms)}"]


def test_one_lost_stage_does_not_take_the_time_of_the_other() -> None:
    """The direction is known until a stage is lost, not since the other one was first read."""
    works = lone_rake()
    works.scan()
    spec = works.site.drives["D"]
    works.scan(60_000)
    side = drive_view(works.state, "D", works.now_ns, works.utc_ms)["directions"]["forward"]
    assert side["known_now"]
    protection = works.protection("D")
    alarm, shutdown = protection.stages
    lost = alarm._replace(known=False, known_utc_ms=works.utc_ms)
    drive = works.drive("D")._replace(protection=protection._replace(stages=(lost, shutdown)))
    state = works.state._replace(drives={spec.id: drive})

    side = drive_view(state, "D", works.now_ns, works.utc_ms)["directions"]["forward"]

    assert (side["known_now"], side["known_utc_ms"]) == (False, works.utc_ms)


def test_when_is_said_as_people_say_it() -> None:
    """The time of day today, else the day; never is a dash."""
    now_ms = 1_790_000_000_000

    assert len(when_text(now_ms, now_ms)) == 8
    assert when_text(now_ms, now_ms)[2::3] == "::"
    assert [c.isalpha() for c in when_text(now_ms - 3 * DAY_MS, now_ms, short=True)] == [False] * 3 + [True] * 3
    assert when_text(now_ms - 3 * DAY_MS, now_ms)[-3] == ":"
    assert when_text(now_ms - 400 * DAY_MS, now_ms, short=True)[:5] == "2025-"
    assert when_text(0, now_ms) == "-"


@pytest.mark.parametrize("running", [0, 1, None])
def test_table_reads_at_80_columns(running: int | None) -> None:
    """No cell is cut, and words of the trust are not torn to letters."""
    from rich.console import Console

    works = tripped(running)
    shown = view(works)
    shown["torque_nm"] |= {"value": 126_350.0, "kind": "beyond", "uncertainty": 1_263.5}
    shown |= {"quality": "failure", "reasons": ["no reply within 1 s (contact:forward/alarm/A, running, rack_healthy)"]}
    console = Console(width=80, color_system=None)
    with console.capture() as capture:
        console.print(drives_table([shown]))
    lines = capture.get().splitlines()

    assert max(map(len, lines)) <= 80
    assert "…" not in capture.get()
    assert {"SHUTDOWN", "latched", "stop" if running != 1 else "STILL", ">126.3", "3", "points)"} <= set(
        capture.get().replace("(3", "3").split()
    )
    assert len(lines) <= 8


def test_long_lists_of_points_are_counted() -> None:
    """The reason counts, not each of its points."""
    one = {"quality": "failure", "reasons": ["no reply within 1 s (running, position)"]}
    many = {"quality": "failure", "reasons": ["no reply within 1 s (running, position, contact:forward/alarm/A)"]}

    assert trust_text(one).endswith("(running, position)")
    assert trust_text(many) == "failure: no reply within 1 s (3 points)"


@pytest.mark.parametrize(
    ("age_ms", "words"), [(1000, "24.0 kN.m)"), (1900, "24.0 kN.m 1.9 s before)"), (None, "24.0 kN.m)")]
)
def test_event_line_says_where_its_torque_is_old(age_ms: int | None, words: str) -> None:
    """Up to a second nobody needs to know; beyond it the torque is of before the event."""
    data = {"torque_nm": 24_000.0, "torque_is": "exact", "position_mm": 10.0, "position_age_ms": age_ms}
    row = {"event": "alarm_operated", "drive": "D", "direction": "forward", "utc_ms": 0, "data": data}

    assert event_text(row).endswith(f"alarm operated ({words}")


def test_function_check_is_told_in_minutes() -> None:
    """What was asked for in minutes is answered in minutes, and refused in minutes."""
    works = lone_rake()
    works.scan()

    ok, text = works.ask("test", "D", "1800.0")
    began = works.told("test_began")[0]
    row = {"event": began.event, "drive": "D", "direction": "", "utc_ms": 0, "data": began.data}

    assert (ok, text) == (True, "D: in test for 30 minutes")
    assert "for 30 minutes" in event_text(row)
    assert works.ask("test", "D", "60")[1] == "D: in test for 1 minute"
    assert works.ask("test", "D", "45")[1] == "D: in test for 45 seconds"
    assert "up to 240 minutes" in works.ask("test", "D", "99999")[1]
