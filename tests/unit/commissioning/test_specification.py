"""Reading a specification: every mistake by its key, agreement of what is given twice."""

from __future__ import annotations

import math
from typing import Any

import pytest

from nightrake.commissioning.reader import Slip
from unit.commissioning.examples import DRIVES, read, table_of

NO_SPRINGS = {"rate": None, "wire_diameter": None, "coil_diameter": None, "active_coils": None, "shear_modulus": None}


def told(slips: list[Slip]) -> dict[str, str]:
    """Slips by dotted key."""
    return {".".join(str(p) for p in s.path): s.text for s in slips}


@pytest.mark.parametrize("drive", DRIVES)
def test_example_has_no_slip(drive: str) -> None:
    """Each of the six drives."""
    assert read(drive)[1] == []


def test_set_points_keep_their_base() -> None:
    """Percent of what, and the torque that it comes to."""
    spec = read("PC1")[0]

    assert spec.alarm is not None
    assert spec.shutdown is not None
    assert (spec.shutdown.torque_nm, spec.shutdown.percent, spec.shutdown.base) == (40_000.0, 80.0, "gear rating")
    assert (spec.alarm.torque_nm, spec.alarm.percent, spec.alarm.base) == (32_000.0, 80.0, "shutdown")


def test_set_point_of_the_process_torque() -> None:
    """Boyle's scheme: alarm at 120 %, shutdown at 140 % of running torque."""
    changes = {
        "alarm": {"percent": 120.0, "of": "process torque", "torque": None},
        "shutdown": {"percent": 140.0, "of": "process torque", "torque": None},
    }
    spec, slips = read("PC1", changes, alarm_nm=0.0, shutdown_nm=0.0)

    assert slips == []
    assert spec.alarm is not None
    assert spec.shutdown is not None
    assert spec.alarm.torque_nm == pytest.approx(1.2 * 16_055.0)
    assert spec.shutdown.torque_nm == pytest.approx(1.4 * 16_055.0)


def test_set_points_of_the_drive_alone_have_no_base() -> None:
    """Without the specification's own, alarm_nm and shutdown_nm are taken, of no known base."""
    spec, slips = read("PC1", {"alarm": None, "shutdown": None})

    assert slips == []
    assert spec.alarm is not None
    assert (spec.alarm.torque_nm, spec.alarm.base) == (32_000.0, "")


def test_output_speed_comes_from_the_turn() -> None:
    """One turn in 1800 s."""
    assert read("PC1")[0].output_rad_s == pytest.approx(2.0 * math.pi / 1800.0)


def test_reverse_springs_may_be_others() -> None:
    """Each direction has its own slope then."""
    other = {**table_of("GT1")["springs"], "rate": "30 N/mm"}
    springs = read("GT1", {"springs_reverse": other})[0].springs

    assert [s.rate_n_per_m for s in springs.values()] == pytest.approx([25_170.0, 30_000.0])


SLIPS: list[tuple[str, dict[str, Any], str, str]] = [
    ("PC1", {"gear_rating": "50 kN"}, "gear_rating", "a force and not a torque"),
    ("PC1", {"gear_rating": "50 N*mm"}, "gear_rating", "which no drive of this kind has (1 N.m to 100 000 kN.m)"),
    ("PC1", {"arm.length": "400 m"}, "arm.length", "was a unit mixed up?"),
    ("PC1", {"motor.speed": "1400"}, "motor.speed", "without a unit"),
    ("PC1", {"output_speed": "0.5 rpm"}, "output_speed", "the drive's turn_s says 1800"),
    ("PC1", {"shutdown.torque": "41 kN*m"}, "shutdown.torque", "80 % of gear rating comes to 40000 N.m"),
    ("PC1", {"shutdown.percent": 85.0, "shutdown.torque": None}, "shutdown.percent", "shutdown_nm says 40000"),
    ("PC1", {"alarm": {"percent": None, "of": None, "torque": "33 kN*m"}}, "alarm.torque", "alarm_nm says 32000"),
    ("PC1", {"alarm.of": None}, "alarm.of", "percent and of go together"),
    ("PC1", {"alarm.percent": None}, "alarm.percent", "percent and of go together"),
    ("PC1", {"alarm": {"percent": None, "of": None, "torque": None}}, "alarm", "says neither"),
    ("PC1", {"shutdown.of": "shutdown"}, "shutdown.of", "which the shutdown itself is"),
    ("PC1", {"gear_rating": None, "shutdown.torque": None}, "shutdown.of", "add gear_rating"),
    ("PC1", {"process.radius": None}, "process.radius", "needs load and radius"),
    ("PC1", {"process.torque": "5 kN*m"}, "process.torque", "has no meaning for kind = 'two-arm rake'"),
    ("SCR1", {"process.load": "560 N/m"}, "process.load", "not a torque for each length"),
    ("PC1", {"motor.limit_ratio": 1.5}, "motor.limit_ratio", "'variable frequency' only"),
    ("PC1", {"gear.0.friction": 0.05}, "gear.0.friction", "kind = 'worm' only"),
    ("PC1", {"gear.1.friction": None}, "gear.1.friction", "needs lead_angle and friction"),
    ("PC1", {"gear.1.efficiency": 0.6}, "gear.1.efficiency", "leave out one or the others"),
    ("PC1", {"gear.3.efficiency_range": [0.98, 0.96]}, "gear.3.efficiency_range", "write [low, high]"),
    ("PC1", {"gear.3.efficiency_range": [0.98, 0.99]}, "gear.3.efficiency_range", "does not hold the efficiency 0.97"),
    ("PC1", {"springs.wire_diameter": "6 mm"}, "springs.wire_diameter", "a rate stands alone"),
    ("SC1", {"springs.active_coils": None}, "springs.active_coils", "without rate the spring needs"),
    ("SC1", {"springs.coil_diameter": "10 mm"}, "springs.coil_diameter", "at least twice that of the wire"),
    ("PC1", {"springs.arrangement": "centred pair"}, "springs.arrangement", "the drive senses one direction"),
    ("GT1", {"springs.arrangement": "one side"}, "springs.arrangement", "the drive senses two directions"),
    ("PC1", {"springs_reverse": table_of("PC1")["springs"]}, "springs_reverse", "senses no reverse direction"),
    ("GT1", {"springs_reverse": table_of("GT1")["springs"], "springs": None}, "springs", "give both"),
    ("PC1", {"arm.travel": "390 mm"}, "arm.travel", "by more than 60 degrees"),
    ("PC1", {"temperature.highest": "-20 degC"}, "temperature.highest", "not above the lowest"),
    ("PC1", {"temperature.lowest": "-15 deg"}, "temperature.lowest", "say which degrees"),
]


@pytest.mark.parametrize(("drive", "changes", "key", "words"), SLIPS)
def test_slip_is_named_by_its_key(drive: str, changes: dict[str, Any], key: str, words: str) -> None:
    """One sentence, at the key that has to be corrected, and nothing else is said."""
    found = told(read(drive, changes)[1])

    assert list(found) == [key]
    assert words in found[key]


def test_every_slip_is_told_at_once() -> None:
    """Nobody corrects one mistake to be shown the next."""
    changes = {"gear_rating": "50 kN", "motor.power": "0.37", "arm.length": "4 kg", "springs.preload": "112 m"}

    assert set(told(read("SCR1", changes)[1])) == set(changes)


def test_mistaken_base_is_not_told_twice() -> None:
    """A percentage of a rating that is itself mistaken says nothing more."""
    found = told(read("PC1", {"gear_rating": "50 kN", "shutdown.torque": None})[1])

    assert list(found) == ["gear_rating"]


@pytest.mark.parametrize("drive", DRIVES)
def test_empty_specification_is_none_mistaken(drive: str) -> None:
    """Every part may be left out; then nothing is known but what the drive itself says."""
    bare: dict[str, Any] = {
        key: [] if isinstance(value, list) else None
        for key, value in table_of(drive).items()
        if isinstance(value, (dict, list)) or key in ("gear_rating", "orientation", "output_speed", "forward_is")
    }
    spec, slips = read(drive, bare)

    assert slips == []
    assert (spec.process, spec.arm, dict(spec.springs), spec.motor.power_w) == (None, None, {}, None)
