"""The simulated plant: statics, contacts, the hard-wired stop, what its PLCs serve."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.plant.commands import DEMO, CommandError, Commands
from nightrake.plant.device import Arm, Contact, primary_torque_nm, rake_torque_nm
from nightrake.plant.fennmark import Plant
from nightrake.plant.server import answer


# Statics of a floating gearmotor, worked out independently: F0 1200 N, k 40 N/mm, L 0.25 m, ratio 590, efficiency 0.8.
@pytest.mark.parametrize(
    ("theta_deg", "primary_nm", "output_nm"),
    [(0, 300.0, 141_600.0), (4, 473.2356, 223_367.2), (8, 641.6271, 302_848.0), (10, 722.9675, 341_240.7)],
)
def test_arm_angle_gives_the_torque_of_the_statics(theta_deg: float, primary_nm: float, output_nm: float) -> None:
    """T1 = (F0 + k L sin) L cos; T = T1 i eta."""
    torque = primary_torque_nm(1200.0, 40.0, 0.25, theta_deg)

    assert torque == pytest.approx(primary_nm, rel=1e-6)
    assert torque * 590 * 0.8 == pytest.approx(output_nm, rel=1e-6)


def test_two_arm_rake_torque_is_w_r_squared() -> None:
    """8 lbf/ft on a 100 ft tank: 20 000 lbf.ft (W.H. Boyle, 2012)."""
    assert rake_torque_nm(8.0, 50.0) == 20_000.0


@given(torques=st.lists(st.floats(0.0, 60_000.0), min_size=1, max_size=30))
def test_arm_follows_within_its_friction(torques: list[float]) -> None:
    """Position says the torque to within the friction, above the preload and below the end of travel."""
    arm = Arm(8_000.0, 1_600.0, 80.0)
    for torque in torques:
        position = arm.follow(torque)
        assert 0.0 <= position <= 25.0
        if 0.0 < position < 25.0:
            assert abs(8_000.0 + 1_600.0 * position - torque) <= 80.0 + 1e-6


@given(positions=st.lists(st.floats(0.0, 25.0), min_size=1, max_size=40))
def test_contact_operates_at_its_point_and_releases_below_it(positions: list[float]) -> None:
    """Between release and operating point it stays what it was."""
    contact = Contact("alarm", 1, 15.0, normally_closed=True)
    for position in positions:
        before = contact.operated
        contact.follow(position, 0.0)
        assert contact.operated == (position >= 15.0 or (before and position >= 14.6))
        assert contact.closed != contact.operated


def walk(plant: Plant, seconds: float) -> None:
    """Let the plant live for a while."""
    for _ in range(int(seconds / 0.02)):
        plant.step(0.02)


def test_jam_ends_at_the_hard_wired_stop_and_the_train_stays_wound() -> None:
    """The starter drops; torque and contact stay until people unwind it; only then does it start."""
    plant = Plant()
    commands = Commands(plant, lambda name, seconds: None)
    commands.run("jam SC2")
    walk(plant, 15.0)
    drive = plant.machines["SC2"]
    assert not drive.running
    assert drive.contacts[1].operated
    held = drive.torque_nm
    walk(plant, 5.0)
    assert drive.torque_nm == held
    with pytest.raises(CommandError, match="holds the starter open"):
        commands.run("start SC2")

    commands.run("unwind SC2")
    walk(plant, 0.1)

    assert commands.run("start SC2") == "ok"
    assert drive.running


def test_jumpered_starter_and_bound_arm_do_harm() -> None:
    """A jumpered starter runs on past the shutdown contact; a bound arm never reaches it."""
    plant = Plant()
    commands = Commands(plant, lambda name, seconds: None)
    commands.run("starter SC1 jumpered")
    commands.run("bind SC2")
    for drive in ("SC1", "SC2"):
        commands.run(f"jam {drive}")
    walk(plant, 20.0)

    assert plant.machines["SC1"].running
    assert plant.machines["SC1"].contacts[1].operated
    assert plant.machines["SC2"].torque_nm > plant.machines["SC2"].shutdown_nm
    assert not plant.machines["SC2"].contacts[0].operated


def test_broken_wire_of_a_normally_closed_contact_stops_the_drive() -> None:
    """The fail-safe wiring: a cut wire reads as operated, and trips."""
    plant = Plant()
    Commands(plant, lambda name, seconds: None).run("wire PC1 1 cut")
    walk(plant, 0.1)

    assert not plant.machines["PC1"].running
    assert plant.bits("PLCA", 1, "discrete")[1] == 0


@pytest.mark.parametrize("function", [5, 6, 15, 16, 22, 23, 43])
def test_everything_but_reads_is_refused(function: int) -> None:
    """Exception 1, illegal function."""
    plant = Plant()

    assert answer(plant, plant.plcs["PLCA"], 1, bytes((function, 0, 0, 0, 1))) == bytes((function | 0x80, 1))


@pytest.mark.parametrize(
    ("plc", "unit", "function", "address", "count", "code"),
    [("PLCB", 1, 3, 100, 17, 3), ("PLCB", 1, 3, 107, 1, 2), ("GWC", 9, 1, 0, 1, 11), ("PLCA", 1, 2, 0, 0, 3)],
)
def test_limits_of_the_register_list_are_kept(
    plc: str, unit: int, function: int, address: int, count: int, code: int
) -> None:
    """Too many registers, holes, unknown units and empty requests are refused as the list says."""
    plant = Plant()

    reply = answer(plant, plant.plcs[plc], unit, struct.pack(">BHH", function, address, count))

    assert reply == bytes((function | 0x80, code))


def test_demo_script_is_made_of_commands_that_exist() -> None:
    """Every line of the demo runs; the last comes before a minute is over."""
    plant = Plant()
    commands = Commands(plant, lambda name, seconds: None)

    assert all(commands.run(line) == "ok" for _, line in DEMO)
    assert max(at for at, _ in DEMO) < 60.0


@pytest.mark.parametrize(
    "line", ["dance PC1", "jam XX", "push PC1", "push PC1 much 2", "wire PC1 9 cut", "plc X gone 1"]
)
def test_wrong_command_is_a_sentence(line: str) -> None:
    """What cannot be done is said, and nothing happens."""
    with pytest.raises(CommandError):
        Commands(Plant(), lambda name, seconds: None).run(line)
