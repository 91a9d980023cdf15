"""What `check --live` makes of one point: polarity either way, and a contact against where the arm stands."""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path

import pytest

from nightrake.cli.readings import Finding, arm_torque, judge_point
from nightrake.domain.site import DriveSpec, Order
from nightrake.settings import load

CONFIG = Path(__file__).parents[3] / "config"


@pytest.fixture(scope="module")
def pc1() -> DriveSpec:
    """A drive with normally closed contacts, bit 1 = closed, alarm 32 kN.m, shutdown 40 kN.m."""
    return load(CONFIG).site.drives["PC1"]


def found(drive: DriveSpec, role: str, data: bytes, position_ua: int | None) -> Finding:
    """One contact, judged with the arm at a loop current (None = not read)."""
    result = {"got": "GOOD", "data": data.hex(), "round_trip_ms": 1.0, "detail": "", "transaction": 1}
    arm = None if position_ua is None else arm_torque(drive, struct.pack(">H", position_ua))
    return judge_point(drive, role, drive.points()[role], result, arm)


def test_contact_says_what_the_other_polarity_would_mean(pc1: DriveSpec) -> None:
    """So that whoever stands at the closed contact sees a wrong form or bit meaning."""
    closed = found(pc1, "contact:forward/alarm/A", b"\1", None)

    assert closed.text.startswith("released (reads 1, normally closed, 1 = closed; other polarity")
    assert "other polarity: OPERATED" in closed.text
    assert not closed.wrong


@pytest.mark.parametrize(
    ("role", "data", "position_ua", "words"),
    [
        ("contact:forward/shutdown/A", b"\0", 6_000, "operated, but the arm shows 13.0 kN.m forward"),
        ("contact:forward/alarm/A", b"\0", 4_000, "operated, but"),  # arm on its stop: less than the preload
        ("contact:forward/alarm/A", b"\1", 19_500, "released, but the arm shows"),
    ],
)
def test_contact_that_the_arm_belies_needs_a_look(
    pc1: DriveSpec, role: str, data: bytes, position_ua: int, words: str
) -> None:
    """A polarity the wrong way round shows as a contact that does not go with the arm's position."""
    finding = found(pc1, role, data, position_ua)

    assert finding.wrong
    assert words in finding.more[0]


@pytest.mark.parametrize(("data", "position_ua"), [(b"\0", 16_000), (b"\1", 6_000), (b"\1", 13_600)])
def test_contact_that_goes_with_the_arm_is_not_doubted(pc1: DriveSpec, data: bytes, position_ua: int) -> None:
    """Operated near or above the set point, released below it; between, either is possible."""
    finding = found(pc1, "contact:forward/alarm/A", data, position_ua)

    assert not any("but the arm" in more for more in finding.more)


@pytest.mark.parametrize("order", ["CDAB", "DCBA"])
def test_word_order_that_makes_no_sense_is_marked(order: str) -> None:
    """3.25 mm in one order is a number of no meaning, near 0, in another: 0.00 mm would look like an arm at rest."""
    drive = load(CONFIG).site.drives["SC1"]
    assert drive.position is not None
    right = struct.pack(">f", 3.25)
    point = drive.position.point._replace(order=Order(order))
    drive = replace(drive, position=replace(drive.position, point=point))
    result = {"got": "GOOD", "data": right.hex(), "round_trip_ms": 1.0, "detail": "", "transaction": 1}

    finding = judge_point(drive, "position", point, result)

    assert finding.wrong
    assert "in another order it does: ABCD (3.25)" in finding.more[0]


def test_unhealthy_rack_needs_a_look(pc1: DriveSpec) -> None:
    """It blocks every value of its PLC, so a wrong address of it is worth a mark."""
    assert found(pc1, "rack_healthy", b"\0", None).wrong
    assert not found(pc1, "rack_healthy", b"\1", None).wrong
