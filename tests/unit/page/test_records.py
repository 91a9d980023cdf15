"""What stands behind a torque: the record's facts, its curve inside its drawing, its points."""

from __future__ import annotations

import re
from datetime import UTC
from itertools import pairwise
from typing import Any

import pytest

from nightrake.page.moments import Wall
from nightrake.page.records import HEIGHT, WIDTH, between, curve_of, in_signs, notes_of, records_of, ticks
from pagescenes import NOW_MS, drive

WALL = Wall(UTC, NOW_MS)
VIEW = drive("PC1", "Primary clarifier 1", "primary", 32_000.0, 40_000.0, 17_200.0)


def record(**more: Any) -> dict[str, Any]:
    """A record as the reader tells it: 0 to 20 mm, 2 kN.m for each mm."""
    told: dict[str, Any] = {
        "ref": "PC1-forward-2026-03-14",
        "overdue": False,
        "valid_from_utc_ms": NOW_MS - 86_400_000,
        "due_utc_ms": NOW_MS + 86_400_000,
        "curve": {"position_mm": [0.0, 20.0], "torque_nm": [0.0, 40_000.0]},
        "falling": {"position_mm": [], "torque_nm": []},
        "coefficients": [],
        "reference_mm": 0.0,
        "uncertainty": {"position_mm": [0.0, 20.0], "expanded_nm": [150.0, 360.0]},
        "not_in_budget": [],
    }
    return told | more


def calibration(*records: dict[str, Any] | None) -> dict[str, Any]:
    """What is told of a drive with these records, forward first."""
    sides = ("forward", "reverse")
    return {"directions": [{"direction": s, "record": r} for s, r in zip(sides, records, strict=False)], "notes": []}


def test_record_says_who_when_and_how_sure() -> None:
    """Everything that its file states stands among the facts; what it does not state is not there."""
    full = record(
        made_by="F. Example",
        made_on="2026-03-14",
        due_on="2028-03-14",
        device_serial="FM-0101",
        reference_standard="torque transducer TT-7",
        reference_uncertainty_pct=0.3,
        place="",
        ambient_c=21.0,
    )

    (shown,) = records_of(calibration(full), VIEW, WALL)
    facts = dict(shown.facts)

    assert facts["Made by"] == "F. Example"
    assert facts["Due"] == "2028-03-14"
    assert facts["Against"] == "torque transducer TT-7, ±0.3 %"
    assert facts["Place"] == "21 °C"
    assert facts["Uncertainty (95 %)"] == "±0.15 to ±0.36 kN·m over the range"
    assert "Transducer" not in facts


def test_no_figure_of_a_record_is_in_another_unit_than_its_torque() -> None:
    """Residual, hysteresis and both ends of the uncertainty, however small or large, are in kN\u00b7m."""
    fit = {"form": "straight line", "from_mm": 0.6, "to_mm": 24.3, "residual_nm": 14.5, "hysteresis_nm": 489.0}
    wide = {"position_mm": [0.0, 20.0], "expanded_nm": [458.0, 1_060.0]}
    (shown,) = records_of(calibration(record(fit=fit, uncertainty=wide)), VIEW, WALL)
    facts = dict(shown.facts)

    assert facts["Fit"] == "straight line, 0.6 to 24.3 mm, residual 0.0145 kN·m, hysteresis 0.489 kN·m"
    assert facts["Uncertainty (95 %)"] == "±0.458 to ±1.06 kN·m over the range"


@pytest.mark.parametrize(
    ("written", "shown"),
    [
        ("+-0.2 % of span", "±0.2 % of span"),
        ("-15 to 40 C", "\u221215 to 40 °C"),
        ("5 to 104 F", "5 to 104 °F"),
        ("-1.5 deg", "\u22121.5°"),
        ("+0.88 % and -0.50 %", "+0.88 % and \u22120.50 %"),
        ("two-arm rake, T = w r^2, w = 3.2 lbf/ft", "two-arm rake, T = w r², w = 3.2 lbf/ft"),
        ("125.9 N.m", "125.9 N·m"),
        ("1.11 mm/kN.m", "1.11 mm/kN·m"),
        ("0.494 in/100 000 lbf.in", "0.494 in/100 000 lbf·in"),
        ("4-20 mA, FM-0101, 2026-03-14", "4-20 mA, FM-0101, 2026-03-14"),
        ("normally closed, channel A", "normally closed, channel A"),
    ],
)
def test_sheet_is_shown_with_signs(written: str, shown: str) -> None:
    """It is written for terminals as well; ranges, serial numbers and days keep their strokes."""
    assert in_signs(written) == shown


def test_without_its_file_the_curve_of_the_watch_is_shown() -> None:
    """Dates then come from the settings in force."""
    (shown,) = records_of(calibration(record()), VIEW, WALL)

    assert dict(shown.facts)["Due"] == "2026-11-27"
    assert shown.curve is not None
    assert shown.table == []


def test_direction_without_a_record_says_so() -> None:
    """A drive that turns both ways may have one record only; set points are then left out of the drawing."""
    forward, reverse = records_of(calibration(record(), None), VIEW, WALL)

    assert forward.curve is not None
    assert forward.curve.levels == []
    assert (reverse.direction, reverse.ref, reverse.curve) == ("reverse", "", None)


def test_nothing_told_is_nothing_shown() -> None:
    """The store cannot be read now: no record, no fault."""
    assert records_of(None, VIEW, WALL) == []


@pytest.mark.parametrize(
    "more",
    [
        {},
        {"coefficients": [10_000.0, 2_000.0, 40.0], "reference_mm": 5.0},
        {"points": [{"position_mm": 24.0, "torque_nm": -52_000.0, "branch": "rising", "run": 1}]},
        {"falling": {"position_mm": [0.0, 20.0], "torque_nm": [500.0, 40_500.0]}},
        {"uncertainty": {"position_mm": [0.0, 20.0], "expanded_nm": [5_000.0, 9_000.0]}},
        {"curve": {"position_mm": [-20.0, -0.5], "torque_nm": [40_000.0, 500.0]}},
    ],
)
def test_curve_lies_inside_its_drawing(more: dict[str, Any]) -> None:
    """Curve, points, ticks and set points do; a band wider than the torque itself ends at 0."""
    curve = curve_of(record(**more), [(45_000.0, "shutdown")])
    assert curve is not None

    line = [(float(x), float(y)) for x, y in re.findall(r"([-\d.]+) ([-\d.]+)", f"{curve.path} {curve.falling}")]
    places = [*line, *((x, y) for x, y, _ in curve.points), *((0.0, y) for y, _ in [*curve.levels, *curve.up])]

    assert all(0 <= x <= WIDTH and 0 <= y <= HEIGHT for x, y in places)
    assert all(float(y) <= 170 for y in re.findall(r" ([-\d.]+)", curve.band))


@pytest.mark.parametrize("fit", [{}, {"coefficients": [10_000.0, 1_900.0, 4.0], "reference_mm": 5.0}])
def test_other_side_of_a_centred_device_is_drawn_through_its_points(fit: dict[str, Any]) -> None:
    """Positions below zero: both branches of the curve and its band lie where its points do; its ticks say minus."""
    mirrored = record(
        curve={"position_mm": [-0.5, -20.0], "torque_nm": [1_000.0, 40_000.0]},
        falling={"position_mm": [-20.0, -0.5], "torque_nm": [40_500.0, 1_500.0]},
        uncertainty={"position_mm": [-0.5, -20.0], "expanded_nm": [150.0, 360.0]},
        points=[{"position_mm": 0.5, "torque_nm": -1_000.0, "branch": "rising", "run": 1}],
        **fit,
    )
    plain = record(
        curve={"position_mm": [0.5, 20.0], "torque_nm": [1_000.0, 40_000.0]},
        falling={"position_mm": [0.5, 20.0], "torque_nm": [1_500.0, 40_500.0]},
        uncertainty={"position_mm": [0.5, 20.0], "expanded_nm": [150.0, 360.0]},
        points=[{"position_mm": 0.5, "torque_nm": 1_000.0, "branch": "rising", "run": 1}],
        **fit,
    )
    there, here = curve_of(mirrored, []), curve_of(plain, [])
    assert there is not None
    assert here is not None

    assert there._replace(across=[]) == here._replace(across=[])
    assert [x for x, _ in there.across] == [x for x, _ in here.across]
    assert [words for _, words in there.across][:2] == ["0", "\u22125"]
    assert fit or f"{there.points[0][0]} {there.points[0][1]}" in there.path


def test_polynomial_is_drawn_curved() -> None:
    """Three coefficients about the reference position: c0 + c1 (x - r) + c2 (x - r)^2."""
    curve = curve_of(record(coefficients=[10_000.0, 2_000.0, 40.0], reference_mm=5.0), [])
    assert curve is not None

    assert curve.path.count("L") == 40


def test_height_between_two_points_of_a_line() -> None:
    """Straight between, the end's own beyond."""
    line = [(0.0, 0.0), (10.0, 100.0), (20.0, 400.0)]

    assert [between(line, x) for x in (-5, 0, 5, 10, 15, 20, 99)] == [0, 0, 50, 100, 250, 400, 400]


@pytest.mark.parametrize("end", [0.7, 4.2, 18.0, 48.6, 112.5, 2_400.0])
def test_ticks_are_few_round_and_inside(end: float) -> None:
    """From 0 on, evenly, none beyond the end."""
    found = ticks(end, 5)

    assert found[0] == 0
    assert 2 <= len(found) <= 6
    assert found[-1] <= end
    assert len({round(b - a, 6) for a, b in pairwise(found)}) == 1


def test_notes_of_both_are_kept() -> None:
    """What the record and the sheet lack is told."""
    assert notes_of({"notes": ["a"]}, None, {"notes": ["b"]}) == ["a", "b"]
