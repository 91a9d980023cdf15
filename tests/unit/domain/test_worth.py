"""What readings are worth: zero images, frozen heartbeats, dead racks, quality that is told, edges that are counted."""

from __future__ import annotations

from nightrake.domain.inputs import LinkHealth, Tick
from nightrake.domain.readplan import make_plan
from nightrake.domain.site import Form, Stage
from worlds import MS, SECOND, World, contact, drive


def tick(world: World, after_ms: int) -> None:
    """Time passes without a reading."""
    world.now_ns += after_ms * MS
    world.give(Tick(world.now_ns, world.now_ns // MS))


def test_zero_image_is_judged_before_any_contact() -> None:
    """Normally closed contacts read as operated in an image of zeros: two seconds of patience, then told, no latch."""
    world = World(drive())
    world.scan()
    for role in world.spec.points():
        world.set(role, 0)

    for _ in range(8):
        world.scan(240)
    assert world.told("shutdown_suspect") == []
    for _ in range(3):
        world.scan(240)

    assert len(world.told("image_suspect")) == 1
    assert len(world.told("shutdown_suspect")) == 1
    assert world.told("shutdown_operated") == []
    assert not world.state.latches["D", "forward"].latched

    world.set("position", 10_400)
    world.scan()  # the image is sound again, and the contacts really are operated

    assert len(world.told("shutdown_operated")) == 1


def test_site_whose_healthy_image_is_zero_is_not_suspected() -> None:
    """Without a witness zeros say nothing, and a contact that operates is believed."""
    spec = drive(
        contact(Stage.ALARM, 0, form=Form.NORMALLY_OPEN),
        contact(Stage.SHUTDOWN, 1, form=Form.NORMALLY_OPEN),
        position=False,
    )
    world = World(spec)
    world.set("running", 0)
    for _ in range(20):
        world.scan()
    assert world.entries == []

    world.operate("shutdown/A")
    world.scan()

    assert len(world.told("shutdown_operated")) == 1


def test_frozen_heartbeat_takes_the_trust_and_a_moving_contact_gives_it_back() -> None:
    """Five seconds without a beat: readings fail. A contact that changes proves the image alive."""
    world = World(drive(heartbeat=True))
    world.scan()
    for _ in range(30):
        world.scan()
    assert any("heartbeat" in r.text for r in world.protection.reasons)

    world.operate("shutdown/A")
    world.scan()

    assert len(world.told("shutdown_operated")) == 1


def test_rack_fault_raises_nothing() -> None:
    """Contacts that open because the rack lost its supply are not believed."""
    world = World(drive(rack=True))
    world.scan()
    world.set("rack_healthy", 0)
    world.operate("shutdown/A")
    world.scan()

    assert world.told("shutdown_operated") == []
    assert any("rack" in r.text for r in world.protection.reasons)


def test_quality_is_told_at_once_and_its_healing_after_a_while() -> None:
    """A flapping link is no flood: worse is told at once, better only after it has lasted."""
    world = World(drive())
    world.scan()
    for _ in range(10):
        world.scan(bad=[0, 1])
        world.scan()
    assert len(world.told("quality_changed")) == 1

    for _ in range(60):
        world.scan(100)

    assert len(world.told("quality_changed")) == 2
    assert world.told("quality_changed")[-1].data == {"quality": "good", "reasons": []}


def test_reading_that_nobody_renews_is_stale() -> None:
    """A poller that is stuck is no silence of the PLC, and is noticed by time alone."""
    world = World(drive())
    world.scan()

    for _ in range(60):
        tick(world, 100)

    assert any("stale" in r.text for r in world.protection.reasons)
    assert world.state.drives["D"].torque.value is None


def test_edges_of_a_chattering_contact_are_counted_beyond_a_few() -> None:
    """Twenty a minute are told singly; the rest as a number."""
    world = World(drive(contact(Stage.ALARM, 0, operate_ns=SECOND, release_ns=SECOND), contact(Stage.SHUTDOWN, 1)))
    world.scan()
    for n in range(300):
        world.operate("alarm/A", n % 2 == 0)
        world.scan()

    assert len(world.told("contact_edge")) <= 42
    assert sum(e.data["edges"] for e in world.told("contact_edges_counted")) > 200
    assert world.told("alarm_operated") == []


def test_link_health_is_told_on_change_only() -> None:
    """The same news twice is one row."""
    world = World(drive())
    for up in (False, False, True, True):
        world.give(LinkHealth(world.now_ns, 0, "broker", up, ""))

    assert [e.event for e in world.entries] == ["link_down", "link_up"]


def test_plan_of_a_drive_is_the_same_whatever_the_order() -> None:
    """The layout names the plan, so it must not depend on how points are listed."""
    spec = drive(heartbeat=True, rack=True)
    endpoint = World(spec).site.endpoints["P"]
    points = list(spec.points().values())

    assert make_plan(endpoint, points).layout == make_plan(endpoint, points[::-1]).layout
