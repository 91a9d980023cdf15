"""What the readings of one drive mean: debounce, votes, PLC memory, stop, quality, zero images, function checks."""

from __future__ import annotations

import pytest

from nightrake.domain.inputs import Command, Tick
from nightrake.domain.site import Stage
from nightrake.domain.view import drive_view
from worlds import MS, World, contact, drive, word


def tick(world: World, after_ms: int) -> None:
    """Time passes without a reading."""
    world.now_ns += after_ms * MS
    world.give(Tick(world.now_ns, world.now_ns // MS))


def command(world: World, verb: str, arg: str = "", drive_id: str = "D") -> tuple[bool, str]:
    """A command and its one answer."""
    stamp = (world.now_ns, world.now_ns // MS)
    outcome = world.give(Command(*stamp, verb, drive_id, "", "someone", "local", "local user", arg, "ref"))
    assert [ref for ref, _ in outcome.answers] == ["ref"]
    return outcome.answers[0][1]


def state(world: World) -> str:
    """State of the forward direction."""
    view = drive_view(world.state, "D", world.now_ns, world.now_ns // MS)
    return str(view["directions"]["forward"]["state"])


def test_drive_is_unknown_until_read_and_then_normal_without_an_event() -> None:
    """A start with released contacts is no news."""
    world = World(drive())
    assert state(world) == "unknown"

    world.scan()

    assert state(world) == "normal"
    assert world.told("alarm_released") == []


@pytest.mark.parametrize(("held_ms", "accepted"), [(400, False), (500, True)])
def test_contact_counts_only_after_its_hold(held_ms: int, accepted: bool) -> None:
    """A pulse shorter than the debounce never passes; one that lasts does, on fresh evidence."""
    world = World(drive(contact(Stage.ALARM, 0, operate_ns=500 * MS), contact(Stage.SHUTDOWN, 1)))
    world.scan()
    world.operate("alarm/A")
    world.scan()
    tick(world, held_ms - 100)
    assert world.told("alarm_operated") == []

    world.scan(100)

    assert bool(world.told("alarm_operated")) is accepted
    assert len(world.told("contact_edge")) == 1


def test_time_alone_settles_no_contact() -> None:
    """Ticks without a reading accept nothing, however long."""
    world = World(drive(contact(Stage.ALARM, 0, operate_ns=500 * MS), contact(Stage.SHUTDOWN, 1)))
    world.scan()
    world.operate("alarm/A")
    world.scan()

    for _ in range(20):
        tick(world, 100)

    assert world.told("alarm_operated") == []


def test_bad_reading_neither_raises_nor_clears_and_starts_the_hold_anew() -> None:
    """The last state stands, marked as the last known one."""
    world = World(drive(contact(Stage.ALARM, 0, operate_ns=500 * MS), contact(Stage.SHUTDOWN, 1)))
    world.scan()
    world.operate("alarm/A")
    world.scan()
    world.scan(300, bad=[0])
    world.scan(300)
    assert world.told("alarm_operated") == []  # 600 ms since the edge, but not every scan has shown it

    world.scan(500)
    world.operate("alarm/A", False)
    world.scan(250, bad=[0])

    view = drive_view(world.state, "D", world.now_ns, 0)["directions"]["forward"]
    assert (view["state"], view["known_now"]) == ("alarm", False)
    assert len(world.told("alarm_operated")) == 1


@pytest.mark.parametrize("memory", ["counter", "latched"])
def test_operation_between_two_scans_is_told_once(memory: str) -> None:
    """What no scan saw stands in the PLC's counter or latched bit; a shutdown latches all the same."""
    extra = word(5)
    stage = (
        contact(Stage.SHUTDOWN, 1, counter=extra) if memory == "counter" else contact(Stage.SHUTDOWN, 1, latched=extra)
    )
    world = World(drive(contact(Stage.ALARM, 0), stage))
    world.scan()
    world.scan()

    world.set(f"{memory}:forward/shutdown/A", 1)
    world.scan()
    world.scan()

    (event,) = world.told("shutdown_operated")
    assert event.data["momentary"] is True
    assert world.state.latches["D", "forward"].latched
    assert state(world) == "normal"


def test_counter_that_moves_with_an_edge_that_was_seen_is_no_further_operation() -> None:
    """Bounce and the operation itself move the counter too; only a contact at rest in both scans hides one."""
    world = World(drive(contact(Stage.ALARM, 0), contact(Stage.SHUTDOWN, 1, counter=word(5))))
    world.scan()
    world.operate("shutdown/A")
    world.set("counter:forward/shutdown/A", 3)
    world.scan()
    world.operate("shutdown/A", False)
    world.set("counter:forward/shutdown/A", 5)
    world.scan()
    world.scan()

    assert len(world.told("shutdown_operated")) == 1
    assert len(world.told("shutdown_released")) == 1


def test_counter_wraps_and_restarts() -> None:
    """65535 -> 1 is two operations; 900 -> 0 is a PLC that restarted, and no operation."""
    world = World(drive(contact(Stage.ALARM, 0, counter=word(5)), contact(Stage.SHUTDOWN, 1)))
    world.set("counter:forward/alarm/A", 65_535)
    world.scan()
    world.set("counter:forward/alarm/A", 1)
    world.scan()
    world.scan()  # the next reading says how the contact went on
    assert len(world.told("alarm_operated")) == 1

    world.set("counter:forward/alarm/A", 900)
    world.scan()
    world.scan()
    world.set("counter:forward/alarm/A", 0)
    world.scan()
    world.scan()

    assert len(world.told("counter_restarted")) == 1
    assert len(world.told("alarm_operated")) == 2


def test_two_channels_vote_one_out_of_two_and_disagreement_is_told_once() -> None:
    """One operated channel is enough; differing for longer than set is a fault; one bad channel leaves the other."""
    both = (contact(Stage.SHUTDOWN, 1, "A"), contact(Stage.SHUTDOWN, 60, "B"))
    world = World(drive(contact(Stage.ALARM, 0), *both))
    world.scan()
    world.operate("shutdown/B")
    world.scan()
    assert state(world) == "shutdown"

    for _ in range(30):
        tick(world, 100)
    assert len(world.told("channels_disagree")) == 1

    world.operate("shutdown/B", False)
    world.scan()
    far = next(i for i, b in enumerate(world.plan.blocks) if b.address == 60)
    world.scan(bad=[far])

    assert len(world.told("channels_agree")) == 1
    (stage,) = [
        s for w, s in zip(world.state.wires["D"].stages, world.protection.stages, strict=True) if w.stage == "shutdown"
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
    world = World(drive())
    world.scan()
    world.operate("shutdown/A")
    spec = world.spec.running
    if feedback == "off":
        world.set("running", 0)
    if feedback == "bad":
        assert spec is not None
        world = World(drive(contact(Stage.ALARM, 0), contact(Stage.SHUTDOWN, 1)))
        world.spec.points()
        object.__setattr__(world.spec, "running", None)
        world = World(world.spec)
        world.scan()
        world.operate("shutdown/A")
    world.scan()
    if feedback == "late":
        world.set("running", 0)
        world.scan(500)
    for _ in range(40):
        world.scan(100)

    assert world.told("shutdown_operated")[0].data["stop"] == first
    names = [e.event for e in world.entries]
    assert [n for n in names if n in ("still_running", "stop_confirmed", "stop_not_confirmed")] == later


def test_running_before_reset_is_told_once_for_each_start() -> None:
    """The latch holds while the contact comes and goes; each start of the motor before the reset is told."""
    world = World(drive())
    world.scan()
    world.operate("shutdown/A")
    world.set("running", 0)
    world.scan()
    world.operate("shutdown/A", False)
    world.scan()

    for value in (1, 1, 0, 1):
        world.set("running", value)
        world.scan()

    assert len(world.told("running_before_reset")) == 2


def test_reset_is_refused_while_operated_or_unreadable_and_answered_always() -> None:
    """Every command has one answer and one row; only a released, readable contact lets the latch go."""
    world = World(drive())
    world.scan()
    assert not command(world, "reset")[0]
    world.operate("shutdown/A")
    world.scan()
    assert "still operated" in command(world, "reset")[1]
    world.operate("shutdown/A", False)
    world.scan()
    world.scan(bad=[0])
    assert "cannot be read" in command(world, "reset")[1]
    world.scan()

    ok, _ = command(world, "reset")

    assert ok
    assert not world.state.latches["D", "forward"].latched
    assert len(world.told("refused")) == 3
    assert len(world.told("shutdown_reset")) == 1
    assert not command(world, "open", drive_id="D")[0]
    assert "it has D" in command(world, "reset", drive_id="X")[1]


def test_function_check_latches_nothing_unless_the_motor_runs_on() -> None:
    """In test a shutdown contact is told as test; a motor that truly runs on latches; the check ends by itself."""
    world = World(drive())
    world.scan()
    assert command(world, "test", "60")[0]
    world.set("running", 0)
    world.operate("shutdown/A")
    world.scan()
    assert world.told("shutdown_operated")[0].data["in_test"] is True
    assert not world.state.latches["D", "forward"].latched
    world.operate("shutdown/A", False)
    world.scan()

    world.set("running", 1)
    world.scan()
    world.operate("shutdown/A")
    world.scan()
    for _ in range(35):
        world.scan(100)
    assert world.state.latches["D", "forward"].latched

    tick(world, 60_000)
    assert len(world.told("test_ended")) == 1
    assert not command(world, "test", "nonsense")[0]
    assert not command(world, "test", "999999")[0]
