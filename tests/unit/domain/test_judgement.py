"""What the readings of one drive mean: debounce, votes, PLC memory, stop, quality, zero images, function checks."""

from __future__ import annotations

import pytest

from nightrake.domain.site import Stage
from nightrake.domain.view import drive_view
from works import Works, bit, contact, lone_rake, word

ALARM = contact("D", Stage.ALARM, bit(0))
SHUTDOWN = contact("D", Stage.SHUTDOWN, bit(1))


def state(works: Works) -> str:
    """State of the forward direction."""
    view = drive_view(works.state, "D", works.now_ns, works.utc_ms)
    return str(view["directions"]["forward"]["state"])


def test_drive_is_unknown_until_read_and_then_normal_without_an_event() -> None:
    """A start with released contacts is no news."""
    works = lone_rake()
    assert state(works) == "unknown"

    works.scan()

    assert state(works) == "normal"
    assert works.told("alarm_released") == []


@pytest.mark.parametrize(("held_ms", "accepted"), [(400, False), (500, True)])
def test_contact_counts_only_after_its_hold(held_ms: int, accepted: bool) -> None:
    """A pulse shorter than the debounce never passes; one that lasts does, on fresh evidence."""
    works = lone_rake(contact("D", Stage.ALARM, bit(0), hold_ms=500, release_ms=0), SHUTDOWN)
    works.scan()
    works.operate("D", "alarm/A")
    works.scan()
    works.tick(held_ms - 100)
    assert works.told("alarm_operated") == []

    works.scan(100)

    assert bool(works.told("alarm_operated")) is accepted
    assert len(works.told("contact_edge")) == 1


def test_time_alone_settles_no_contact() -> None:
    """Ticks without a reading accept nothing, however long."""
    works = lone_rake(contact("D", Stage.ALARM, bit(0), hold_ms=500, release_ms=0), SHUTDOWN)
    works.scan()
    works.operate("D", "alarm/A")
    works.scan()

    for _ in range(20):
        works.tick(100)

    assert works.told("alarm_operated") == []


def test_bad_reading_neither_raises_nor_clears_and_starts_the_hold_anew() -> None:
    """The last state stands, marked as the last known one."""
    works = lone_rake(contact("D", Stage.ALARM, bit(0), hold_ms=500, release_ms=0), SHUTDOWN)
    works.scan()
    works.operate("D", "alarm/A")
    works.scan()
    works.scan(300, bad=[0])
    works.scan(300)
    assert works.told("alarm_operated") == []  # 600 ms since the edge, but not every scan has shown it

    works.scan(500)
    works.operate("D", "alarm/A", False)
    works.scan(250, bad=[0])

    view = drive_view(works.state, "D", works.now_ns, 0)["directions"]["forward"]
    assert (view["state"], view["known_now"]) == ("alarm", False)
    assert len(works.told("alarm_operated")) == 1


@pytest.mark.parametrize("memory", ["counter", "latched"])
def test_operation_between_two_scans_is_told_once(memory: str) -> None:
    """What no scan saw stands in the PLC's counter or latched bit; a shutdown latches all the same."""
    stage = contact("D", Stage.SHUTDOWN, bit(1), **{memory: word(5)})  # type: ignore[arg-type]
    works = lone_rake(ALARM, stage)
    works.scan()
    works.scan()

    works.set("D", f"{memory}:forward/shutdown/A", 1)
    works.scan()
    works.scan()

    (event,) = works.told("shutdown_operated")
    assert event.data["momentary"] is True
    assert works.latched("D")
    assert state(works) == "normal"


def test_counter_that_moves_with_an_edge_that_was_seen_is_no_further_operation() -> None:
    """Bounce and the operation itself move the counter too; only a contact at rest in both scans hides one."""
    works = lone_rake(ALARM, contact("D", Stage.SHUTDOWN, bit(1), counter=word(5)))
    works.scan()
    works.operate("D", "shutdown/A")
    works.set("D", "counter:forward/shutdown/A", 3)
    works.scan()
    works.operate("D", "shutdown/A", False)
    works.set("D", "counter:forward/shutdown/A", 5)
    works.scan()
    works.scan()

    assert len(works.told("shutdown_operated")) == 1
    assert len(works.told("shutdown_released")) == 1


def test_counter_wraps_and_restarts() -> None:
    """65535 -> 1 is two operations; 900 -> 0 is a PLC that restarted, and no operation."""
    works = lone_rake(contact("D", Stage.ALARM, bit(0), counter=word(5)), SHUTDOWN)
    works.set("D", "counter:forward/alarm/A", 65_535)
    works.scan()
    works.set("D", "counter:forward/alarm/A", 1)
    works.scan()
    works.scan()  # the next reading says how the contact went on
    assert len(works.told("alarm_operated")) == 1

    works.set("D", "counter:forward/alarm/A", 900)
    works.scan()
    works.scan()
    works.set("D", "counter:forward/alarm/A", 0)
    works.scan()
    works.scan()

    assert len(works.told("counter_restarted")) == 1
    assert len(works.told("alarm_operated")) == 2


def test_two_channels_vote_one_out_of_two_and_disagreement_is_told_once() -> None:
    """One operated channel is enough; differing for longer than set is a fault; one bad channel leaves the other."""
    both = (contact("D", Stage.SHUTDOWN, bit(1), channel="A"), contact("D", Stage.SHUTDOWN, bit(60), channel="B"))
    works = lone_rake(ALARM, *both)
    works.scan()
    works.operate("D", "shutdown/B")
    works.scan()
    assert state(works) == "shutdown"

    for _ in range(30):
        works.tick(100)
    assert len(works.told("channels_disagree")) == 1

    works.operate("D", "shutdown/B", False)
    works.scan()
    far = next(i for i, b in enumerate(works.plans["P"].blocks) if b.address == 60)
    works.scan(bad=[far])

    assert len(works.told("channels_agree")) == 1
    (stage,) = [
        s
        for w, s in zip(works.state.wires["D"].stages, works.protection("D").stages, strict=True)
        if w.stage == "shutdown"
    ]
    assert (stage.known, stage.degraded) == (True, True)


@pytest.mark.parametrize(
    ("feedback", "first", "later"),
    [
        ("off", "confirmed", []),
        ("bad", "not confirmed", []),
        ("on", "awaited", ["still_running"]),
        ("late", "awaited", ["stop_confirmed"]),
    ],
)
def test_stop_is_never_assumed(feedback: str, first: str, later: list[str]) -> None:
    """Run feedback off confirms the stop, none says nothing, on for three seconds means it runs on."""
    works = lone_rake()
    works.scan()
    works.operate("D", "shutdown/A")
    if feedback == "off":
        works.set("D", "running", 0)
    if feedback == "bad":
        works = lone_rake(running=False)
        works.scan()
        works.operate("D", "shutdown/A")
    works.scan()
    if feedback == "late":
        works.set("D", "running", 0)
        works.scan(500)
    for _ in range(40):
        works.scan(100)

    assert works.told("shutdown_operated")[0].data["stop"] == first
    names = [e.event for e in works.entries]
    assert [n for n in names if n in ("still_running", "stop_confirmed", "stop_not_confirmed")] == later


def test_running_before_reset_is_told_for_each_start() -> None:
    """The latch holds while the contact comes and goes; a motor that is started before the reset raises an alarm."""
    works = lone_rake()
    works.scan()
    works.operate("D", "shutdown/A")
    works.set("D", "running", 0)
    works.scan()
    works.operate("D", "shutdown/A", False)
    works.scan()

    for value in (1, 1, 0, 0, 1):
        works.set("D", "running", value)
        works.scans(4, 1_000)

    running = [e.event for e in works.entries if e.data.get("alarm") == "D/-/running_while_locked_out"]
    assert running == ["raised", "cleared", "raised_again"]


def test_reset_is_refused_while_operated_or_unreadable_and_answered_always() -> None:
    """Every command has one answer and one row; only a released, readable contact lets the latch go."""
    works = lone_rake()
    works.scan()
    assert not works.ask("reset", "D")[0]
    works.operate("D", "shutdown/A")
    works.scan()
    assert "still operated" in works.ask("reset", "D")[1]
    works.operate("D", "shutdown/A", False)
    works.scan()
    works.scan(bad=[0])
    assert "cannot be read" in works.ask("reset", "D")[1]
    works.scan()
    assert "acknowledge it first" in works.ask("reset", "D")[1]
    assert works.acknowledge("D")
    assert "only just released: it must stay so for another 60 s" in works.ask("reset", "D")[1]

    ok, _ = works.reset("D")

    assert ok
    assert not works.latched("D")
    assert len(works.told("refused")) == 5
    assert len(works.told("reset")) == 1
    assert not works.ask("open", "D")[0]
    assert "it has D" in works.ask("reset", "X")[1]


def test_function_check_latches_nothing_unless_the_motor_runs_on() -> None:
    """In test a shutdown contact is told as test; a motor that truly runs on latches; the check ends by itself."""
    works = lone_rake()
    works.scan()
    assert works.ask("test", "D", "60")[0]
    works.set("D", "running", 0)
    works.operate("D", "shutdown/A")
    works.scan()
    assert works.told("shutdown_operated")[0].data["in_test"] is True
    assert not works.latched("D")
    works.operate("D", "shutdown/A", False)
    works.scan()

    works.set("D", "running", 1)
    works.scan()
    works.operate("D", "shutdown/A")
    works.scan()
    for _ in range(35):
        works.scan(100)
    assert works.latched("D")

    works.tick(60_000)
    assert len(works.told("test_ended")) == 1
    assert not works.ask("test", "D", "nonsense")[0]
    assert not works.ask("test", "D", "999999")[0]
