"""What `check --live` makes of one point: polarity either way, and a contact against where the arm stands."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from nightrake.cli.readings import Finding, arm_torque, judge_point
from nightrake.domain.site import DriveSpec
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

    assert closed.text.startswith("released (bit 1, normally closed, bit 1 = closed; with the other form")
    assert "it would be OPERATED" in closed.text
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
