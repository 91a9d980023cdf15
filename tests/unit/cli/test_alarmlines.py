"""`nightrake alarms` and `lockout show`: what was when it came beside what is now, the site's time, nothing twice."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from nightrake.alarms.rota import Chain, Rota, Step
from nightrake.alarms.zones import UTC_ZONE, Zone
from nightrake.cli.alarmlines import Told, alarm_lines, lockout_lines, one_alarm
from nightrake.cli.response import answer_lines
from nightrake.cli.status import alarm_lines as status_lines
from nightrake.cli.text import clock_text, event_text
from nightrake.domain.alarmnow import alarms_now
from nightrake.domain.alarmview import alarms_summary, lockout_view
from nightrake.domain.inputs import LinkHealth
from unit.domain.test_respond import ALARM, MINUTE_NS, PEOPLE, RESPONSE, SHUTDOWN, at_night, run, trip
from works import Works

CENTRAL = Zone("America/Chicago", (0,), (-6 * 3600,))
TOLD = Told({"night": "Night shift"}, CENTRAL)


def listed(works: Works, told: Told = TOLD) -> str:
    """All of `nightrake alarms`, each line within 80 columns."""
    lines = list(alarm_lines(alarms_now(works.state, works.now_ns, works.utc_ms), told))
    assert all(len(line) <= 80 for line in lines)
    return "\n".join(lines)


def about(works: Works, alarm: str) -> str:
    """One alarm's lines."""
    views = {a["alarm"]: a for a in alarms_now(works.state, works.now_ns, works.utc_ms)}
    return "\n".join(one_alarm(views[alarm], TOLD))


def test_torque_of_then_stands_beside_that_of_now() -> None:
    """An alarm that came at 28 kN.m and stands at 20 does not show 28 as if it were now."""
    works = at_night()
    works.set("D", "position", 12_000)
    works.operate("D", "alarm/A")
    run(works, 3)
    came = about(works, ALARM)
    works.set("D", "position", 8_800)
    run(works, 600)
    text = about(works, ALARM)

    assert "when it came: torque 28.0 kN.m; motor runs" in came
    assert "when it came: torque 28.0 kN.m; motor runs" in text
    assert "now: torque 20.0 kN.m; motor runs" in text


def test_torque_with_which_it_came_outlives_a_reading_that_is_gone() -> None:
    """As after a restart, whose first step knows no torque yet: it is told as not known now, and not forgotten."""
    works = at_night()
    works.set("D", "position", 12_000)
    works.operate("D", "alarm/A")
    run(works, 3)
    works.operate("D", "alarm/A", False)
    run(works, 2)
    works.operate("D", "alarm/A")
    for _ in range(6):
        works.scan(500, bad=works.blocks("position", drive="D"))
    text = about(works, ALARM)

    assert "when it came: torque 28.0 kN.m" in text
    assert "now: torque not known" in text


def test_stop_is_that_of_now_and_none_where_the_motor_runs_again() -> None:
    """'Awaited' of the moment of the trip is not shown as now, and a motor that runs has no confirmed stop."""
    works = at_night()
    trip(works)
    stopped = about(works, SHUTDOWN)
    works.set("D", "running", 1)
    run(works, 2)
    runs = about(works, SHUTDOWN).partition("now: ")[2].splitlines()[0]

    assert "now: torque 18.0 kN.m; motor stands; stop confirmed" in stopped
    assert "motor RUNS" in runs
    assert "confirmed" not in runs


def test_released_contact_says_until_when_its_alarm_stays() -> None:
    """The alarm stays active for its off-delay; that is no contact which is still operated."""
    works = at_night()
    works.operate("D", "alarm/A")
    run(works, 3)
    works.operate("D", "alarm/A", False)
    run(works, 60)
    view = next(a for a in alarms_now(works.state, works.now_ns, works.utc_ms) if a["alarm"] == ALARM)
    text = about(works, ALARM)

    assert 59_000 <= works.utc_ms - view["gone_utc_ms"] <= 61_000
    at, over = clock_text(view["gone_utc_ms"], CENTRAL), clock_text(view["over_utc_ms"], CENTRAL)
    assert f"the contact released at {at}; over at {over} if it stays so" in text
    run(works, (view["over_utc_ms"] - works.utc_ms) / 1000 + 2)
    assert ALARM not in {a["alarm"] for a in alarms_now(works.state, works.now_ns, works.utc_ms) if a["gone_utc_ms"]}


def test_times_are_the_sites_and_say_so() -> None:
    """A machine on UTC shows a site in Chicago its own time, and its name."""
    works = at_night()
    works.operate("D", "alarm/A")
    run(works, 3)
    here, there = listed(works, Told({}, UTC_ZONE)), listed(works)

    assert clock_text(works.utc_ms, CENTRAL) != clock_text(works.utc_ms, UTC_ZONE)
    assert clock_text(works.utc_ms, CENTRAL)[:5] in there
    assert clock_text(works.utc_ms, CENTRAL)[:5] not in here
    assert "Times are those of America/Chicago." in there
    assert "Times are those of UTC." in here


def test_alarm_that_calls_no_more_says_so() -> None:
    """Its mark is gone, and the status does not count it among those that call."""
    chain = {p: Chain((Step(people=("night",), wait_ns=MINUTE_NS),), 1) for p in ("urgent", "high", "low")}
    works = at_night(RESPONSE._replace(rota=Rota(PEOPLE, {}, chain)))
    works.operate("D", "alarm/A")
    run(works, 3)
    calling = status_lines({"alarms": alarms_summary(works.state)})[0]
    assert about(works, ALARM).startswith("! ")
    run(works, 180)

    assert "1 of them calls" in calling or "of them call" in calling
    text = about(works, ALARM)
    assert text.startswith("  ")
    assert "nobody is called for it any more: its rounds of calls are used up" in " ".join(text.split())
    assert "nobody is being called" in status_lines({"alarms": alarms_summary(works.state)})[0]


def test_reason_of_silence_stands_once() -> None:
    """What is suppressed or shelved says so once, and of a shelving since when."""
    works = at_night()
    works.operate("D", "alarm/A")
    run(works, 3)
    assert works.ask("shelve", "D", alarm=ALARM, reason="storm, known", for_s=3600, actor="night", role="operator")[0]
    text = about(works, ALARM)

    assert text.count("shelved") == 1
    assert f"shelved by Night shift (night) at {clock_text(works.utc_ms, CENTRAL)} until " in " ".join(text.split())
    assert "nobody is called" not in text


def test_alarm_about_no_drive_says_what_it_is_about() -> None:
    """Who was not reached, which broker: not only that something is wrong."""
    facts: Mapping[str, Any] = {"people": ["night"], "unwatched": 2, "plcs": ["P"], "drives": ["D", "E"]}
    works = at_night()
    works.give(LinkHealth(works.now_ns, works.utc_ms, "broker", False, "nobody listens at 127.0.0.1:1883"))
    run(works, 120)
    view = next(a for a in alarms_now(works.state, works.now_ns, works.utc_ms) if "broker" in a["alarm"])
    text = "\n".join(one_alarm({**view, "facts": facts}, TOLD))

    assert "nobody listens at 127.0.0.1:1883" in about(works, view["alarm"])
    assert "not reached: Night shift (night); silent: P; 2 drives unwatched: D, E" in " ".join(text.split())


def test_flood_is_said_by_alarms_and_status() -> None:
    """Since when, how many, and what becomes of the calls of low alarms."""
    quiet: dict[str, Any] = {"standing": 12, "calling": 2, "locked_out": [], "standby": [], "flood_since_utc_ms": 0}
    flood = {**quiet, "flood_since_utc_ms": 1_790_000_000_000, "flood_count": 14, "held_back": 3}

    assert len(status_lines({"alarms": quiet})) == 1
    assert status_lines({"alarms": flood}, CENTRAL)[1] == (
        "ALARM FLOOD since 08:13:20, 14 alarms so far: low alarms do not call until it is over; 3 wait now"
    )


def test_summary_knows_a_flood_by_the_book() -> None:
    """Eleven alarms within ten minutes."""
    works = at_night()
    alarms = works.state.alarms
    flood = alarms.book.flood._replace(active=True, total=14, since_utc_ms=5)
    state = works.state._replace(alarms=alarms._replace(book=alarms.book._replace(flood=flood)))

    assert alarms_summary(works.state)["flood_since_utc_ms"] == 0
    assert (alarms_summary(state)["flood_since_utc_ms"], alarms_summary(state)["flood_count"]) == (5, 14)


def test_call_does_not_repeat_the_torque_of_its_alarm() -> None:
    """It is that of the moment in which the alarm came, however long ago."""
    row = {"drive": "PC1", "direction": "forward", "utc_ms": 0}
    data = {"alarm": "PC1/forward/alarm_contact", "torque_nm": 33_600.0, "people": ["night1"]}

    assert "33.6" not in event_text({**row, "kind": "call", "event": "called", "data": data})
    assert "33.6" in event_text({**row, "kind": "alarm", "event": "raised", "data": data})


def test_answer_and_its_caution_are_told_apart() -> None:
    """What was done stands in a line of its own; the words of every lockout step stand below it."""
    works = at_night()
    trip(works)
    _, text = works.ask("isolation_reported", "D", actor="fitter", role="maintenance", lock_number="7")
    lines: Sequence[str] = answer_lines(text)

    assert lines[0].startswith("D lockout 1: ")
    assert "This records" not in lines[0]
    assert lines[1].startswith("This records what people report; it isolates nothing")
    assert " ".join(lines) == " ".join(text.split())


def test_lockout_is_shown_at_the_sites_time() -> None:
    """With the zone's name, and the caution last."""
    works = at_night()
    trip(works)
    lines = list(lockout_lines(lockout_view(works.state, "D", works.now_ns), TOLD))
    text = "\n".join(lines)

    assert all(len(line) <= 80 for line in lines)
    assert clock_text(works.utc_ms, CENTRAL)[:5] in text
    assert "Times are those of America/Chicago." in text
    assert lines[-1].endswith("come first.")
