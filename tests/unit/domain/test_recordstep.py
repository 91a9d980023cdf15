"""Two records of one device: where they differ by more than both of their uncertainties."""

from __future__ import annotations

from dataclasses import replace

import pytest

from nightrake.domain.recordstep import ALTERED, is_altered, step_between
from nightrake.domain.site import CalibrationCurve, Direction

BEFORE = CalibrationCurve(
    "PC1-forward-2026-03-14",
    "c" * 64,
    Direction.FORWARD,
    (0.5, 20.5),
    (8_800.0, 40_800.0),
    coefficients=(24_800.0, 1_600.0),
    reference_mm=10.5,
    uncertainty_nm=(200.0, 300.0, 400.0),
)


def scaled(by: float) -> CalibrationCurve:
    """All torques by a wrong lever."""
    return replace(
        BEFORE,
        ref="new",
        torque_nm=tuple(by * t for t in BEFORE.torque_nm),
        coefficients=tuple(by * c for c in BEFORE.coefficients),
    )


@pytest.mark.parametrize(("by", "told"), [(1.0, False), (1.019, False), (0.981, False), (1.03, True), (0.87, True)])
def test_difference_beyond_both_uncertainties_is_told(by: float, told: bool) -> None:
    """At the upper end both have 400 N.m: 800 N.m, or 1.96 % of 40.8 kN.m."""
    assert (step_between(BEFORE, scaled(by)) is not None) is told


def test_largest_difference_is_told_with_all_its_figures() -> None:
    """13 % lower, and most beyond the uncertainties at the upper end."""
    step = step_between(BEFORE, scaled(0.87))

    assert step is not None
    assert step.position_mm == 20.5
    assert "at 20.50 mm this record says 35.50 kN.m (+-0.40), and PC1-forward-2026-03-14 before it 40.80" in step.text
    assert "13 % lower" in step.text


def test_difference_in_the_middle_of_the_common_range_is_found() -> None:
    """Equal at both ends of the older one, and 2 kN.m more between them; where only one of them reaches counts not."""
    bent = replace(scaled(1.0), coefficients=(26_800.0, 1_600.0, -20.0))
    step = step_between(BEFORE, bent)

    assert step is not None
    assert 9.0 < step.position_mm < 12.0
    assert step_between(BEFORE, replace(scaled(1.3), position_mm=(21.0, 41.0))) is None


def test_reverse_records_are_compared_by_magnitude() -> None:
    """Their positions are negative."""
    old, new = (
        replace(c, direction=Direction.REVERSE, position_mm=tuple(-x for x in c.position_mm))
        for c in (BEFORE, scaled(0.87))
    )

    assert step_between(old, old) is None
    assert step_between(old, new) is not None


def test_record_that_states_no_uncertainty_is_taken_for_five_percent() -> None:
    """Written by hand, its segments being those of the rising branch."""
    plain = replace(BEFORE, coefficients=(), uncertainty_nm=())

    assert step_between(plain, scaled(1.05)) is None
    assert step_between(plain, scaled(1.08)) is not None


@pytest.mark.parametrize(("remarks", "altered"), [(f"ice; {ALTERED}springs", True), ("nothing was altered", False)])
def test_altered_device_is_known_by_the_remarks(remarks: str, altered: bool) -> None:
    """As `prove` writes them."""
    assert is_altered(remarks) is altered
