"""What readings are worth: zero images, frozen heartbeats, dead racks, quality that is told, edges that are counted."""

from __future__ import annotations

from nightrake.domain.inputs import LinkHealth
from nightrake.domain.readplan import make_plan
from nightrake.domain.site import Form, Stage
from works import bit, contact, lone_rake, rake, site_of


def test_zero_image_is_judged_before_any_contact() -> None:
    """Normally closed contacts read as operated in an image of zeros: two seconds of patience, then told, no latch."""
    works = lone_rake()
    works.scan()
    for role in works.site.drives["D"].points():
        works.set("D", role, 0)

    for _ in range(8):
        works.scan(240)
    assert works.told("shutdown_suspect") == []
    for _ in range(3):
        works.scan(240)

    assert len(works.told("image_suspect")) == 1
    assert len(works.told("shutdown_suspect")) == 1
    assert works.told("shutdown_operated") == []
    assert not works.latched("D")

    works.set("D", "position", 10_400)
    works.scan()  # the image is sound again, and the contacts really are operated

    assert len(works.told("shutdown_operated")) == 1


def test_site_whose_healthy_image_is_zero_is_not_suspected() -> None:
    """Without a witness zeros say nothing, and a contact that operates is believed."""
    works = lone_rake(
        contact("D", Stage.ALARM, bit(0), form=Form.NORMALLY_OPEN),
        contact("D", Stage.SHUTDOWN, bit(1), form=Form.NORMALLY_OPEN),
        position=False,
    )
    works.set("D", "running", 0)
    for _ in range(20):
        works.scan()
    assert works.entries == []

    works.operate("D", "shutdown/A")
    works.scan()

    assert len(works.told("shutdown_operated")) == 1


def test_frozen_heartbeat_takes_the_trust_and_a_moving_contact_gives_it_back() -> None:
    """Five seconds without a beat: readings fail. A contact that changes proves the image alive."""
    works = lone_rake(heartbeat=True)
    works.scan()
    for _ in range(30):
        works.scan()
    assert "heartbeat" in works.reasons("D")

    works.operate("D", "shutdown/A")
    works.scan()

    assert len(works.told("shutdown_operated")) == 1


def test_rack_fault_raises_nothing() -> None:
    """Contacts that open because the rack lost its supply are not believed."""
    works = lone_rake(rack=True)
    works.scan()
    works.set("D", "rack_healthy", 0)
    works.operate("D", "shutdown/A")
    works.scan()

    assert works.told("shutdown_operated") == []
    assert "rack" in works.reasons("D")


def test_quality_is_told_at_once_and_its_healing_after_a_while() -> None:
    """A flapping link is no flood: worse is told at once, better only after it has lasted."""
    works = lone_rake()
    works.scan()
    for _ in range(10):
        works.scan(bad=[0, 1])
        works.scan()
    assert len(works.told("quality_changed")) == 1

    for _ in range(60):
        works.scan(100)

    assert len(works.told("quality_changed")) == 2
    assert works.told("quality_changed")[-1].data == {"quality": "good", "reasons": []}


def test_reading_that_nobody_renews_is_stale() -> None:
    """A poller that is stuck is no silence of the PLC, and is noticed by time alone."""
    works = lone_rake()
    works.scan()

    for _ in range(60):
        works.tick(100)

    assert "stale" in works.reasons("D")
    assert works.state.drives["D"].torque.value is None


def test_edges_of_a_chattering_contact_are_counted_beyond_a_few() -> None:
    """Twenty a minute are told singly; the rest as a number."""
    works = lone_rake(contact("D", Stage.ALARM, bit(0), hold_ms=1000), contact("D", Stage.SHUTDOWN, bit(1)))
    works.scan()
    for n in range(300):
        works.operate("D", "alarm/A", n % 2 == 0)
        works.scan()

    works.tick(60_000)

    assert len(works.told("contact_edge")) <= 42
    assert works.told("contact_edges_counted")[-1].data["events"] == 300
    assert works.told("alarm_operated") == []


def test_link_health_is_told_on_change_only() -> None:
    """The same news twice is one row."""
    works = lone_rake()
    for up in (False, False, True, True):
        works.give(LinkHealth(works.now_ns, 0, "broker", up, ""))

    assert [e.event for e in works.entries] == ["link_down", "link_up"]


def test_plan_of_a_drive_is_the_same_whatever_the_order() -> None:
    """The layout names the plan, so it must not depend on how points are listed."""
    site = site_of(rake(heartbeat=True, rack=True))
    endpoint, points = site.endpoints["P"], list(site.drives["D"].points().values())

    assert make_plan(endpoint, points).layout == make_plan(endpoint, points[::-1]).layout
