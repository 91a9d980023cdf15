"""Data sheets: the example's positions are the plant's, and what is computed hangs together."""

from __future__ import annotations

import math

import pytest

from nightrake.commissioning.sheet import Sheet, StagePoint, make_sheet
from nightrake.commissioning.sheetrows import sections
from nightrake.domain.site import Direction
from unit.commissioning.examples import DRIVES, read, sheet_of

FORWARD, REVERSE = Direction.FORWARD, Direction.REVERSE
# The plant's devices: preload N.m, N.m per mm, alarm mm, shutdown mm.
PLANT = {
    "PC1": (8000, 1600, 15, 20),
    "PC2": (8000, 1600, 15, 20),
    "SC1": (4500, 900, 15, 20),
    "SC2": (4500, 900, 15, 20),
    "GT1": (0, 5625, 16, 20),
    "SCR1": (1600, 320, 15, 20),
}
RPM = 2.0 * math.pi / 60.0


def stage(sheet: Sheet, name: str, direction: Direction = FORWARD) -> StagePoint:
    """The alarm or shutdown of one side."""
    point = getattr(sheet.sides[direction], name)
    assert isinstance(point, StagePoint)
    return point


@pytest.mark.parametrize("drive", DRIVES)
def test_example_agrees_with_the_plant(drive: str) -> None:
    """Alarm and shutdown come within a twentieth of a millimetre of where the plant's contacts stand."""
    preload_nm, nm_per_mm, alarm_mm, shutdown_mm = PLANT[drive]
    sheet = sheet_of(drive)
    for direction, side in sheet.sides.items():
        assert side.dead_zone_nm == pytest.approx(preload_nm, rel=2e-3)
        for name, at_mm in (("alarm", alarm_mm), ("shutdown", shutdown_mm)):
            point = stage(sheet, name, direction)
            assert point.position_m is not None
            assert point.mm_per_knm is not None
            assert point.position_m * 1000.0 == pytest.approx(at_mm, abs=0.05)
            assert 1000.0 / point.mm_per_knm == pytest.approx(nm_per_mm, rel=5e-3)
    assert list(sheet.sides) == ([FORWARD, REVERSE] if drive == "GT1" else [FORWARD])


def test_power_check() -> None:
    """Common practice, no source: half a horsepower forces 350,000 lbf.in below 0.0900 rpm without loss.

    With loss less, at breakdown torque more: in proportion to the efficiency and to the motor's torque.
    """
    changes = {
        "motor.power": "0.5 hp",
        "gear_rating": "350000 lbf*in",
        "shutdown": {"percent": None, "of": None, "torque": "350000 lbf*in"},
    }
    sheet = sheet_of("PC1", changes, alarm_nm=0.0, shutdown_nm=0.0)
    at_shutdown, at_rating = sheet.speeds_below
    train = sheet.train

    assert train is not None
    assert at_shutdown.stall is not None
    assert f"{at_shutdown.rated_no_loss / RPM:.4f}" == "0.0900"
    assert at_shutdown.rated_no_loss == at_rating.rated_no_loss
    assert at_shutdown.rated == pytest.approx([at_shutdown.rated_no_loss * eta for eta in train])
    assert at_shutdown.stall == pytest.approx([2.6 * v for v in at_shutdown.rated])


def test_force_times_speed_is_power_through_the_train() -> None:
    """At rated speed, power out is power in times efficiency."""
    sheet = sheet_of("PC1")

    assert sheet.force is not None
    assert sheet.train is not None
    assert sheet.train_rad_s is not None
    assert sheet.force.rated_nm.best * sheet.train_rad_s == pytest.approx(370.0 * sheet.train.best, rel=1e-12)


def test_normal_load_needs_its_power_and_the_losses() -> None:
    """T w at the output, divided by the efficiency at the motor; the lowest efficiency needs most."""
    sheet = sheet_of("PC1")

    assert sheet.process_w == pytest.approx(16_055.0 * 2.0 * math.pi / 1800.0)
    assert sheet.motor_w is not None
    assert sheet.train is not None
    assert sheet.motor_w.high == pytest.approx(16_055.0 * 2.0 * math.pi / 1800.0 / sheet.train.low)


def test_variable_frequency_drive_limits_the_stall_torque() -> None:
    """Its limit counts where it is below the motor's breakdown torque."""
    limited, free = sheet_of("SCR1").force, sheet_of("SCR1", {"motor.limit_ratio": 5.0}).force

    assert limited is not None
    assert limited.stall_nm is not None
    assert limited.stall_nm.best == pytest.approx(1.6 * limited.rated_nm.best)
    assert free is not None
    assert free.stall_nm is not None
    assert free.stall_nm.best == pytest.approx(2.8 * free.rated_nm.best)


def test_torque_at_a_contact_spreads_with_the_efficiency() -> None:
    """The same position means less torque if the gear loses more."""
    sheet = sheet_of("PC1")
    point = stage(sheet, "shutdown")

    assert sheet.main is not None
    assert point.actual_nm.best == pytest.approx(40_000.0)
    assert point.actual_nm.low / point.actual_nm.high == pytest.approx(sheet.main.low / sheet.main.high)


@pytest.mark.parametrize(
    ("drive", "step_m"), [("PC1", 25e-3 / 16000), ("GT1", 50e-3 / 3276), ("SCR1", 1e-6), ("SC1", 1e-5)]
)
def test_transducer_step_comes_from_the_position_settings(drive: str, step_m: float) -> None:
    """Counts and scale tell it, except for a float, where the specification does."""
    assert sheet_of(drive).step_m == pytest.approx(step_m)


def test_float_register_does_not_tell_the_step() -> None:
    """A float32 in mm steps finer than any transducer."""
    assert sheet_of("SC1", {"transducer_resolution": None}).step_m is None


def test_cold_springs_are_stiffer() -> None:
    """-0.025 % a kelvin from 20 C: +0.875 % at -15 C, -0.5 % at 40 C."""
    assert stage(sheet_of("PC1"), "shutdown").drift == pytest.approx((0.00875, -0.005))


def test_forces_balance_the_support() -> None:
    """Spring force times lever is the torque on the support."""
    sheet = sheet_of("PC1")
    point, device = stage(sheet, "shutdown"), sheet.sides[FORWARD].device

    assert point.position_m is not None
    assert point.spring_n is not None
    lever = device.arm.length_m * math.cos(device.arm.angle_rad(point.position_m))
    assert point.spring_n * lever == pytest.approx(point.support_nm, rel=1e-9)


@pytest.mark.parametrize(
    "left_out", ["process", "motor", "arm", "springs", "contacts", "temperature", "alarm", "shutdown"]
)
@pytest.mark.parametrize("drive", ["PC1", "GT1"])
def test_sheet_without_a_part_is_still_a_sheet(drive: str, left_out: str) -> None:
    """What is not stated says so; nothing else is lost."""
    specification, slips = read(drive, {left_out: None}, alarm_nm=0.0, shutdown_nm=0.0)
    rows = [row for section in sections(make_sheet(specification)) for row in section.rows]

    assert [s for s in slips if s.path[0] not in ("alarm", "shutdown")] == []
    assert len(rows) > 40
    assert any("not stated" in r.si or "cannot be computed" in r.si for r in rows)
    assert all(r.label and r.si and "None" not in r.si + r.us and "nan" not in r.si + r.us for r in rows)


def rows_of(drive: str, title: str) -> dict[str, tuple[str, str]]:
    """Rows of one section, by their label."""
    return {r.label.strip(): (r.si, r.us) for s in sections(sheet_of(drive)) if s.title == title for r in s.rows}


def test_rate_of_a_centred_pair_is_that_of_one_and_of_both() -> None:
    """By hand: torque on the support at shutdown = 2 x 25.17 N/mm x 20.02 mm x 0.5 m, over cos of the arm's angle."""
    rows = rows_of("GT1", "Device")

    assert rows["rate, one spring"][0] == "25.17 N/mm"
    assert rows["rate, both sides together"][0] == "50.34 N/mm"
    point = stage(sheet_of("GT1"), "shutdown")
    assert point.position_m is not None
    assert point.support_nm == pytest.approx(2 * 25_170.0 * point.position_m * 0.5, rel=2e-3)


def test_springs_side_by_side_are_shown_one_and_together() -> None:
    """PC1 has two of 11.19 N/mm."""
    rows = rows_of("PC1", "Device")

    assert (rows["rate, one spring"][0], rows["rate, 2 together"][0]) == ("11.19 N/mm", "22.38 N/mm")


def test_wire_behind_a_computed_rate_is_shown() -> None:
    """By hand: k = G d^4 / (8 D^3 n) = 78500 x 6^4 / (8 x 48^3 x 14.6) N/mm."""
    rows = rows_of("SC1", "Device")

    assert rows["wire; mean coil diameter"] == ("6 mm; 48 mm", "0.2362 in; 1.89 in")
    assert (rows["active coils"][0], rows["shear modulus"]) == ("14.6", ("78 500 MPa", "11 390 000 psi"))
    assert rows["rate, one spring"][0] == f"{78_500 * 6**4 / (8 * 48**3 * 14.6):.3f} N/mm"


def test_load_is_shown_in_both_systems() -> None:
    """Stated in lbf/ft."""
    assert rows_of("SC1", "Load and set points")["load for each length"] == ("46.7 N/m", "3.2 lbf/ft")
