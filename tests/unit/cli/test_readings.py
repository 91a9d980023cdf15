"""What `check --live` makes of one point: polarity either way, and a contact against where the arm stands."""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from nightrake.cli.live import drive_findings
from nightrake.cli.readings import ALL_ZERO, Finding, arm_torque, judge_point
from nightrake.domain.site import DriveSpec, Order, PointSpec
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


@pytest.mark.parametrize(
    ("level_ua", "words"),
    [
        (3_000, "3.6 mA or less (NE 43); a fault of the transducer or its loop, or the wrong address or scale?"),
        (20_800, "undefined band of NE 43; a fault of the transducer"),
        (65_000, "21 mA or more (NE 43); no loop carries that: wrong scale, address or word order?"),
    ],
)
def test_current_that_is_no_measurement_says_what_to_look_for(pc1: DriveSpec, level_ua: int, words: str) -> None:
    """A wrong scale is not told as a transducer that failed, and nothing more."""
    finding = found(pc1, "position", struct.pack(">H", level_ua), None)

    assert finding.wrong
    assert words in finding.text


@pytest.mark.parametrize(("heartbeat", "doubted"), [(0, True), (7, False)])
def test_drive_that_reads_only_zeros_is_doubted_as_a_whole(pc1: DriveSpec, heartbeat: int, doubted: bool) -> None:
    """Each zero alone may be a true one; all of them are the wrong place, or a PLC that does not run."""
    heart = pc1.points()["heartbeat"]
    results: dict[PointSpec, dict[str, Any]] = {}
    for point in pc1.points().values():
        level = heartbeat if point == heart else 0
        data = bytes((level,)) if point.table.holds_bits else level.to_bytes(2 * point.words, "big")
        results[point] = {"got": "GOOD", "data": data.hex(), "round_trip_ms": 1.0, "detail": "", "transaction": 1}

    findings = list(drive_findings(pc1, results))

    assert [f.role for f in findings] == list(pc1.points())
    assert (ALL_ZERO in findings[0].more) == doubted


def test_unhealthy_rack_needs_a_look(pc1: DriveSpec) -> None:
    """It blocks every value of its PLC, so a wrong address of it is worth a mark."""
    assert found(pc1, "rack_healthy", b"\0", None).wrong
    assert not found(pc1, "rack_healthy", b"\1", None).wrong
