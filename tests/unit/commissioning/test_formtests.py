"""Is the form that was taken that of the points? Told where it is not, seldom where it is, offered a way out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from nightrake.commissioning.branches import fit_points
from nightrake.commissioning.formtests import AGAINST_BRANCHES, LACK_OF_FIT
from nightrake.commissioning.points import QUADRATIC, STRAIGHT_LINE, CalibrationPoint
from nightrake.commissioning.record import make_record
from nightrake.commissioning.recordremarks import remarks
from unit.commissioning.stands import content, points

BRANCHES = (("rising", -80.0), ("falling", 80.0))
LEVELS = (9_000.0, 14_000.0, 19_000.0, 24_000.0, 29_000.0, 34_000.0, 39_000.0, 44_000.0)


def drawn(rng: np.random.Generator, runs: int, kink: float = 0.0) -> list[CalibrationPoint]:
    """1600 N.m a mm with a gap of 160 N.m, positions off by 0.01 mm; from 12 mm on stiffer by `kink`."""
    made = []
    for run in range(1, runs + 1):
        for branch, half in BRANCHES:
            for t in LEVELS:
                x = (t + half - 8_000.0) / 1_600.0
                x = min(x, 12.0) + max(x - 12.0, 0.0) / (1.0 + kink) + float(rng.normal(0.0, 0.01))
                made.append(CalibrationPoint(t, x, branch, run))
    return made


@pytest.mark.parametrize(("runs", "name"), [(2, LACK_OF_FIT), (1, AGAINST_BRANCHES)])
@pytest.mark.blocks("fits three hundred records")
def test_form_that_is_right_is_doubted_as_seldom_as_the_test_says(runs: int, name: str) -> None:
    """Five in a hundred of 300 records, within three standard deviations; with repeats, and with one run."""
    rng = np.random.default_rng(7)
    lacks = [fit_points(drawn(rng, runs), STRAIGHT_LINE).lack for _ in range(300)]

    assert all(lack is not None and lack.name == name for lack in lacks)
    share = sum(lack is not None and lack.shown for lack in lacks) / 300
    assert abs(share - 0.05) < 3.0 * (0.05 * 0.95 / 300) ** 0.5


@pytest.mark.parametrize(("runs", "name"), [(2, LACK_OF_FIT), (1, AGAINST_BRANCHES)])
def test_kinked_spring_is_told_whatever_its_runs(runs: int, name: str) -> None:
    """A spring that doubles its rate half way is no line and no parabola; one run without repeats shows it too."""
    fit = fit_points(drawn(np.random.default_rng(3), runs, kink=1.0))

    assert fit.form == QUADRATIC
    assert fit.lack is not None
    assert (fit.lack.name, fit.lack.shown) == (name, True)
    assert fit.lack.size_nm > 300.0


def test_three_torques_tell_nothing_of_a_quadratic() -> None:
    """No degree of freedom is left to tell by, so nothing is said."""
    three = tuple(p for p in points(runs=1) if p.torque_nm in (9_000.0, 23_000.0, 44_000.0))

    assert fit_points(three, STRAIGHT_LINE).lack is not None
    four = (*three, replace(three[0], position_mm=three[0].position_mm + 0.5, torque_nm=10_000.0))
    assert fit_points(four, QUADRATIC).lack is None


def test_good_record_has_no_remark() -> None:
    """Nothing left out, and a line that fits."""
    assert list(remarks(make_record(content()))) == []


def test_record_of_one_run_says_what_it_cannot_know() -> None:
    """How far runs differ."""
    record = make_record(content(points=points(runs=1)))

    assert record.table["fit"]["not_in_budget"] == ["between runs"]
    assert list(remarks(record)) == ["* nothing is known of between runs (one run only): it is not in the uncertainty"]


def test_exact_points_on_a_line_lack_nothing_and_on_a_kink_do() -> None:
    """Points without any scatter, as people make them up: the figure stays finite."""
    line = [CalibrationPoint(t, (t - 8_000.0 + h) / 1_600.0, b, 1) for b, h in BRANCHES for t in LEVELS]
    kink = [replace(p, position_mm=min(p.position_mm, 12.0) + max(p.position_mm - 12.0, 0.0) / 2.0) for p in line]
    straight, bent = (fit_points(rows, STRAIGHT_LINE).lack for rows in (line, kink))

    assert straight is not None
    assert not straight.shown
    assert bent is not None
    assert bent.shown
    assert np.isfinite(bent.f)


def test_branches_at_somewhat_different_torques_tell_as_well() -> None:
    """In the field nobody meets the same pull twice: falling torques 4 % of the range beside the rising ones."""
    rows = drawn(np.random.default_rng(3), 1, kink=1.0)
    moved = [
        replace(p, torque_nm=p.torque_nm - 1_400.0, position_mm=p.position_mm - 1_400.0 / slope(p))
        if p.branch == "falling"
        else p
        for p in rows
    ]
    lack = fit_points(moved).lack

    assert lack is not None
    assert (lack.name, lack.shown) == (AGAINST_BRANCHES, True)


def slope(p: CalibrationPoint) -> float:
    """N.m a mm of the kinked spring, about."""
    return 3_200.0 if p.position_mm > 12.0 else 1_600.0


@pytest.mark.parametrize("preload_nm", [7_250.0, 7_500.0])
def test_no_figure_of_a_test_is_negative(preload_nm: float) -> None:
    """Points without scatter: rounding leaves the quadratic more than the line, and F is 0, not -1.1."""
    rows = [CalibrationPoint(t, (t - preload_nm + h) / 1_600.0, b, run) for run in (1, 2) for b, h in BRANCHES
            for t in LEVELS]  # fmt: skip
    test = fit_points(rows).test

    assert test is not None
    assert (test.f, test.p) == (0.0, 1.0)
