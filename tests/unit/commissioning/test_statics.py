"""Springs, arm, worm and rake against worked values."""

from __future__ import annotations

import math

import pytest

from nightrake.commissioning.gears import (
    HANDBOOK,
    Range,
    Stage,
    efficiency_of,
    is_self_locking,
    ratio_of,
    speed_below_which,
    stage_efficiency,
    worm_efficiency,
)
from nightrake.commissioning.statics import (
    Arm,
    Device,
    Springs,
    rake_torque_nm,
    spring_rate_n_per_m,
    support_share,
)
from nightrake.commissioning.units import Dimension, si_value

INCH, LBF = 0.0254, 4.4482216152605


def test_spring_rate_of_a_handbook_example() -> None:
    """Shigley, Mechanical Engineering Design, 9th ed., example 10-1 (from memory): 4.13 lbf/in, 1.56 in at 6.46 lbf."""
    modulus = si_value("11.85e6 psi", Dimension.MODULUS)
    rate = spring_rate_n_per_m(0.037 * INCH, 0.4 * INCH, 10.5, modulus)

    assert rate * INCH / LBF == pytest.approx(4.13, abs=0.005)
    assert 6.46 * LBF / rate / INCH == pytest.approx(1.56, abs=0.005)


def test_spring_rate_metric() -> None:
    """Derived, not published: wire 10 mm, coil 60 mm, 8 coils, 78500 MPa."""
    assert spring_rate_n_per_m(0.010, 0.060, 8.0, 78.5e9) == pytest.approx(56785.300925925924, rel=1e-12)


DEVICE = Device(Arm(0.25, 0.0, None), Springs(40_000.0, 1200.0, "one side", 0.0), gain=590 * 0.8)
# Derived from plain statics apart from this code: theta, spring travel in mm, torque on the support.
TABLE = [
    (0, 0.0, 300.0),
    (2, 8.7249, 387.0128),
    (4, 17.4391, 473.2356),
    (6, 26.1321, 558.2462),
    (8, 34.7933, 641.6271),
    (10, 43.412, 722.9675),
]


@pytest.mark.parametrize(("theta_deg", "travel_mm", "support_nm"), TABLE)
def test_arm_table(theta_deg: float, travel_mm: float, support_nm: float) -> None:
    """F L cos(theta) with the spring guided along a line."""
    travel = travel_mm / 1000.0

    assert math.degrees(DEVICE.arm.angle_rad(travel)) == pytest.approx(theta_deg, abs=2e-5)
    assert DEVICE.support_nm(travel) == pytest.approx(support_nm, rel=1e-6)
    assert DEVICE.torque_nm(travel) == pytest.approx(support_nm * 472.0, rel=1e-6)


@pytest.mark.parametrize(("theta_deg", "torque_nm"), [(0, 141600.0), (4, 223367.2), (8, 302848.0), (10, 341240.7)])
def test_position_of_a_torque_is_the_way_back(theta_deg: float, torque_nm: float) -> None:
    """The travel found for a torque is L sin(theta)."""
    travel = DEVICE.travel_m(torque_nm)

    assert travel is not None
    assert travel == pytest.approx(0.25 * math.sin(math.radians(theta_deg)), abs=1e-6)


def test_torque_below_preload_has_no_position() -> None:
    """The arm lies on its stop up to F0 L i eta."""
    assert DEVICE.dead_zone_nm == pytest.approx(141600.0)
    assert DEVICE.travel_m(141599.0) is None


def test_torque_beyond_the_formula_has_no_position() -> None:
    """An arm turned by more than 60 degrees is none."""
    assert DEVICE.travel_m(1e7) is None


def test_mirrored_arm_starts_from_the_other_side() -> None:
    """A rest angle that helps in one direction harms in the other; without one both are alike."""
    springs = Springs(20_000.0, 500.0, "one each way", 0.0)
    tilted = Arm(0.25, math.radians(-5.0), 0.03)
    forward, reverse = Device(tilted, springs, 100.0), Device(tilted, springs, 100.0, mirrored=True)

    assert forward.torque_nm(0.0) == pytest.approx(reverse.torque_nm(0.0))
    assert forward.torque_nm(0.02) > reverse.torque_nm(0.02)


def test_soft_springs_far_round_do_not_rise() -> None:
    """Where the lever shrinks faster than the force grows, a position tells no torque."""
    arm = Arm(0.1, math.radians(40.0), 0.02)

    assert not Device(arm, Springs(100.0, 1000.0, "one side", 0.0), 100.0).rises_to(0.02)
    assert Device(arm, Springs(1e5, 1000.0, "one side", 0.0), 100.0).rises_to(0.02)


def test_centred_pair_acts_with_both_until_one_comes_free() -> None:
    """Twice the rate while both are loaded, once after; no force at rest."""
    pair = Springs(10_000.0, 100.0, "centred pair", 0.0)

    assert pair.force_n(0.0) == 0.0
    assert pair.free_at_m == pytest.approx(0.010)
    assert pair.force_n(0.010) == pytest.approx(200.0)
    assert pair.force_n(0.015) == pytest.approx(250.0)
    assert pair.loaded_spring_n(0.015) == pytest.approx(250.0)


def test_chain_from_motor_to_output() -> None:
    """Derived: 0.37 kW at 1400 rpm through 60 (0.94) and 590 (0.8): 67.2 kN.m at 0.0395 rpm, 278 W, 569 N at 0.25 m."""
    motor_nm = 370.0 / si_value("1400 rpm", Dimension.SPEED)
    t1 = motor_nm * 60 * 0.94
    out_nm = t1 * 590 * 0.8

    assert motor_nm == pytest.approx(2.523742669, rel=1e-9)
    assert t1 == pytest.approx(142.3390865, rel=1e-9)
    assert out_nm == pytest.approx(67184.0488437, rel=1e-9)
    assert DEVICE.gain * t1 == pytest.approx(out_nm, rel=1e-12)
    assert t1 / 0.25 == pytest.approx(569.356346, rel=1e-9)
    assert speed_below_which(370.0, out_nm, 0.94 * 0.8) == pytest.approx(
        si_value("0.039548022599 rpm", Dimension.SPEED), rel=1e-9
    )


@pytest.mark.parametrize(
    ("floating", "share"),
    [
        ("gearmotor", 1.0),
        ("gear unit, input the same way", 1.0 / (1.0 - 1.0 / 47.0)),
        ("gear unit, input the opposite way", 1.0 / (1.0 + 1.0 / 47.0)),
    ],
)
def test_a_floating_gear_unit_alone_carries_less_or_more(floating: str, share: float) -> None:
    """Input torque T1 / (i eta) is taken off or added. Plain statics."""
    assert support_share(floating, 50.0, 0.94) == pytest.approx(share, rel=1e-12)


# Derived with the formula in the docstring of `worm_efficiency`, apart from this code.
@pytest.mark.parametrize(
    ("lead_deg", "friction", "efficiency", "locks"),
    [
        (3, 0.08, 0.379331, True),
        (4, 0.1, 0.393584, True),
        (5, 0.05, 0.618926, False),
        (10, 0.05, 0.760982, False),
        (20, 0.03, 0.908676, False),
    ],
)
def test_worm_table(lead_deg: float, friction: float, efficiency: float, locks: bool) -> None:
    """Efficiency with the worm driving, and whether the wheel can drive it back."""
    lead = math.radians(lead_deg)

    assert worm_efficiency(lead, friction) == pytest.approx(efficiency, abs=1e-6)
    assert is_self_locking(lead, friction) is locks


@pytest.mark.parametrize(
    ("load", "radius", "lbf_ft", "knm"),
    [
        ("8 lbf/ft", "50 ft", 20_000, 27.116),
        ("10 lbf/ft", "40 ft", 16_000, 21.693),
        ("30 lbf/ft", "30 ft", 27_000, 36.607),
    ],
)
def test_rake_torque(load: str, radius: str, lbf_ft: float, knm: float) -> None:
    """T = w r^2 (W.H. Boyle, Clarifier Drive Torque: Selection and Clarity, 25 May 2012); values computed from it."""
    torque = rake_torque_nm(si_value(load, Dimension.LINE_LOAD), si_value(radius, Dimension.LENGTH))

    assert torque == pytest.approx(si_value(f"{lbf_ft} lbf*ft", Dimension.TORQUE), rel=1e-12)
    assert torque / 1000.0 == pytest.approx(knm, abs=0.0005)


def test_half_a_horsepower_forces_350000_inch_pounds_below_0_09_rpm() -> None:
    """Common practice, no source: half a horsepower can force more than that; 63025.36 lbf.in rpm/hp by NIST SP 811."""
    speed = speed_below_which(si_value("0.5 hp", Dimension.POWER), si_value("350000 lbf*in", Dimension.TORQUE))
    rpm = speed / si_value("1 rpm", Dimension.SPEED)

    assert rpm == pytest.approx(63025.35746439055 * 0.5 / 350000.0, rel=1e-9)
    assert f"{rpm:.4f}" == "0.0900"


def test_efficiency_given_stands_over_the_handbook() -> None:
    """A range of its own replaces the handbook's; an estimate outside widens it."""
    assert stage_efficiency("planetary", None, None) == pytest.approx((0.95, 0.965, 0.98))
    assert stage_efficiency("planetary", 0.97, None) == (0.95, 0.97, 0.98)
    assert stage_efficiency("planetary", 0.97, (0.96, 0.975)) == (0.96, 0.97, 0.975)
    assert stage_efficiency("worm", 0.38, None) == (0.38, 0.38, 0.90)


def test_train_multiplies_ratios_and_efficiencies() -> None:
    """Low with low, high with high."""
    stages = [Stage("spur", "main", 4.0, Range(0.9, 0.95, 1.0)), Stage("spur", "main", 5.0, Range(0.8, 0.9, 0.95))]

    assert ratio_of(stages) == 20.0
    assert efficiency_of(stages) == pytest.approx((0.72, 0.855, 0.95))


@pytest.mark.parametrize("kind", sorted(HANDBOOK))
def test_handbook_ranges_are_ranges_with_their_source(kind: str) -> None:
    """Each kind: 0 < low < high < 1, and where it is from."""
    book = HANDBOOK[kind]

    assert 0.0 < book.low < book.high < 1.0
    assert 1.0 <= book.least < book.most
    assert "memory" in book.source or "table" in book.source
