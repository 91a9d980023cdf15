"""What a point is held against before it is taken, and the status beside the prompt."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from nightrake.cli.lines import status_rows
from nightrake.cli.prove_checks import Plausible, plausible
from nightrake.cli.prove_text import edge_text, status_text
from nightrake.commissioning.proving import AS_FOUND, About, ContactEdge, Point, Session, begun, point_taken, session_of
from nightrake.errors import CalibrationError
from nightrake.settings import load

CONFIG = Path(__file__).parents[3] / "config"


def taken(*points: tuple[float, float]) -> Session:
    """A session with points of torque N.m and position mm."""
    events = [point_taken(Point(n, t, x, "rising", 1)) for n, (t, x) in enumerate(points, 1)]
    return session_of([begun(About("PC1", "forward", "S", "F"), 0), *events])


def of(drive: str, *, record: bool = True) -> Plausible:
    """What the example's folder knows of a drive."""
    settings = load(CONFIG)
    spec = settings.site.drives[drive]
    spec = spec if record else replace(spec, calibrations={})
    stated = settings.specifications.get(drive)
    return plausible(spec, "forward", None if stated is None else stated.model_dump())


@pytest.mark.parametrize(("torque_nm", "told"), [(74_000.0, False), (76_000.0, True), (156_000.0, True)])
def test_torque_far_above_rating_is_told(torque_nm: float, told: bool) -> None:
    """PC1: shutdown at 40 kN.m, gear unit rated 50 kN.m; from 75 kN.m on it is more than 1.5 times the higher."""
    assert bool(of("PC1").too_much(torque_nm)) is told
    assert Plausible("forward").too_much(torque_nm) == "", "where nothing is known nothing is said"


@pytest.mark.parametrize("record", [True, False])
@pytest.mark.parametrize(
    ("before", "torque_nm", "position_mm", "told"),
    [
        ((), 12_000.0, 0.01, True),  # 12 kN.m: 2.5 mm are expected
        ((), 12_000.0, 2.5, False),
        ((), 7_000.0, 0.0, False),  # below the preload the arm rests
        (((4_000.0, 0.0),), 7_500.0, 0.0, False),
        (((12_000.0, 2.5),), 22_000.0, 2.51, True),
        (((12_000.0, 2.5),), 22_000.0, 8.7, False),
        (((12_000.0, 2.5),), 12_000.0, 2.5, False),
        (((30_000.0, 13.7),), 22_000.0, 13.7, True),  # and on the way back
        (((30_000.0, 13.7),), 29_900.0, 13.7, False),  # too little to see
    ],
)
def test_arm_that_did_not_move_is_told(
    record: bool, before: tuple[tuple[float, float], ...], torque_nm: float, position_mm: float, told: bool
) -> None:
    """PC1: 8 kN.m preload and about 1.6 kN.m a millimetre, by its record, or by the specification where it has none."""
    said = of("PC1", record=record).unmoved(taken(*before), torque_nm, position_mm, 0.05)

    assert bool(said) is told
    assert not told or "is the arm free?" in said


def test_arm_of_an_unknown_device_is_held_against_the_last_point() -> None:
    """Only the shutdown torque is known: a tenth of it with the arm where it was."""
    known = Plausible("forward", 40_000.0, 40_000.0)

    assert known.unmoved(taken((12_000.0, 2.5)), 17_000.0, 2.52, 0.05)
    assert not known.unmoved(taken((12_000.0, 2.5)), 15_000.0, 2.52, 0.05)
    assert not known.unmoved(taken(), 17_000.0, 0.0, 0.05)


@pytest.mark.parametrize(
    ("direction", "torque_nm", "position_mm"), [("forward", -1.0, 0.0), ("forward", 1.0, -0.1), ("reverse", 1.0, 0.1)]
)
def test_sign_of_the_other_direction_is_refused(direction: str, torque_nm: float, position_mm: float) -> None:
    """No record would take it."""
    with pytest.raises(CalibrationError, match="not taken"):
        Plausible(direction).must_have_sign(torque_nm, position_mm)


def view(**changes: Any) -> dict[str, Any]:
    """PC1 as the watch gives it."""
    contacts = [("alarm", "A", 1), ("shutdown", "A", 0), ("shutdown", "B", None)]
    return {
        "running": False,
        "in_test_s": 3540.0,
        "position_mm": {"value": 15.123, "reason": ""},
        "torque_nm": {"value": 32_100.0, "kind": "measured"},
        "contacts": [{"stage": s, "channel": c, "direction": "forward", "reads": r} for s, c, r in contacts],
        **changes,
    }


@pytest.mark.parametrize("width", [80, 60, 40])
@pytest.mark.parametrize("typed", ["", "1692 N", "x" * 300])
def test_status_is_never_cut(width: int, typed: str) -> None:
    """Motor and test stand first; each part is whole; only what is typed is shown by its end."""
    rows = status_rows(status_text(view(running=True, in_test_s=0.0), "forward"), typed, width)

    text = " ".join(rows)
    assert rows[0].startswith("MOTOR RUNS, NOT IN TEST, 15.12 mm")
    assert all(len(row) < width for row in rows)
    for part in ("32.1 kN.m", "alarm A ON", "shutdown A off", "shutdown B ?", "> " + typed[-20:]):
        assert part in text
    assert len(rows) <= (3 if width >= 60 else 4)


def test_status_of_sixty_columns_fits_two_rows() -> None:
    """With a short command beside it or below it nothing else moves."""
    rows = status_rows(status_text(view(), "forward"), "", 80)

    assert rows == ["motor off, in test 59 min, 15.12 mm, 32.1 kN.m, alarm A ON, shutdown A off,", "shutdown B ? > "]


def test_bad_position_and_unknown_motor_are_said() -> None:
    """What is not known is not shown as good."""
    text = status_text(view(running=None, position_mm={"value": None, "reason": "no reply"}), "forward")

    assert text.replace("\u00a0", " ").startswith("motor ?, in test 59 min, no position, BAD: no reply")


def test_edge_of_a_running_motor_says_so_and_does_not_count() -> None:
    """The edges of a trip are no proof of known torque."""
    edge = ContactEdge("alarm", "A", True, 15.0, 0.02, True, AS_FOUND, running=True)

    assert edge_text(edge) == "! alarm A operated at 15.000 mm while the motor ran: it does not count"


@pytest.mark.parametrize(
    ("torque_nm", "position_mm", "told"),
    [
        (10_000.0, 4.95, True),  # the record says 15.9
        (10_000.0, 1.30, False),
        (13_200.0, 4.95, True),  # 2.7 kN.m off: just beyond the tolerance, 2.0, and three times 0.19
        (13_500.0, 4.95, False),
        (20_000.0, 0.0, True),  # below the first point, and far more than it
        (7_000.0, 0.0, False),
        (30_000.0, 24.99, True),
    ],
)
def test_point_off_the_record_is_told(torque_nm: float, position_mm: float, told: bool) -> None:
    """PC1: tolerance 2 kN.m, and three times the record's uncertainty; not where the device was altered."""
    settings = load(CONFIG)
    known = plausible(settings.site.drives["PC1"], "forward", None, 5.0)
    about = About("PC1", "forward", "FM-0101", "F")

    assert bool(known.off_record(about, torque_nm, position_mm)) is told
    assert not known.off_record(replace(about, altered="springs"), torque_nm, position_mm)
    assert not Plausible("forward").off_record(about, torque_nm, position_mm)
