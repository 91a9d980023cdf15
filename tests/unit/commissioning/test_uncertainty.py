"""The budget by JCGM 100: effective degrees of freedom, what is common is not averaged away, bounded parts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from nightrake.commissioning.branches import fit_points
from nightrake.commissioning.coverage import (
    INFINITE,
    NORMAL,
    RECTANGULAR,
    U_SHAPED,
    Component,
    effective_dof,
    expanded,
    t_factor,
)
from nightrake.commissioning.points import CalibrationPoint
from nightrake.commissioning.uncertainty import budget
from unit.commissioning.stands import content, points


def component(standard: float, shape: str = NORMAL, dof: float = INFINITE, estimate: str = "") -> Component:
    """A component at a single position."""
    return Component("x", np.array([standard]), shape, dof, estimate)


@pytest.mark.parametrize(("dof", "k"), [(1, 12.71), (4, 2.78), (9, 2.26), (16, 2.12), (50, 2.01), (INFINITE, 1.960)])
def test_coverage_factor_is_that_of_table_g2(dof: float, k: float) -> None:
    """JCGM 100:2008 table G.2, column 95 %."""
    assert t_factor(dof) == pytest.approx(k, abs=0.005)
    assert expanded([component(3.0, dof=dof)]).k[0] == pytest.approx(t_factor(dof), rel=1e-12)


def test_effective_degrees_of_freedom_of_the_end_gauge() -> None:
    """JCGM 100:2008 H.1.6: components 25, 9.7, 2.9, 16.6 nm with 18, 25.6, 50 and 2 give 32 nm and 16 (rounded down).

    From memory: 9.7 and its 25.6 are those of d, and the 16.6 nm of the temperature difference has 2.
    """
    parts = [component(u, dof=v) for u, v in ((25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0))]
    total = np.array([31.7])

    assert int(effective_dof(parts, total)[0]) == 16


def test_parts_of_one_estimate_share_its_degrees_of_freedom() -> None:
    """Two parts that come from the same residuals are one estimate, not two independent ones."""
    shared = [component(3.0, dof=5.0, estimate="s"), component(4.0, dof=5.0, estimate="s")]
    apart = [component(3.0, dof=5.0), component(4.0, dof=5.0)]

    assert effective_dof(shared, np.array([5.0]))[0] == pytest.approx(5.0)
    assert effective_dof(apart, np.array([5.0]))[0] > 9.0


def test_plain_two_would_hold_88_percent_with_four_degrees_of_freedom() -> None:
    """Why k is not simply 2: JCGM 100 G.3; the t distribution with 4 degrees holds 88 % within 2."""
    chance = np.random.default_rng(11)
    t = chance.standard_t(4.0, 200_000)

    assert np.mean(np.abs(t) < 2.0) == pytest.approx(0.884, abs=0.004)
    assert np.mean(np.abs(t) < t_factor(4.0)) == pytest.approx(0.95, abs=0.003)


@pytest.mark.parametrize(
    ("dof", "normal", "rectangular", "u_shaped"),
    [
        (INFINITE, 0.0, 1.0, 0.0),
        (INFINITE, 0.3, 1.0, 0.0),
        (INFINITE, 0.3, 0.0, 1.0),
        (4.0, 1.0, 1.0, 0.0),
        (4.0, 0.5, 1.0, 1.0),
        (1.0, 1.0, 1.0, 0.0),
        (17.0, 1.0, 0.5, 0.7),
        (2.5, 0.2, 0.2, 1.0),
        (80.0, 1.0, 0.0, 0.4),
    ],
)
def test_expanded_uncertainty_is_that_of_drawing(
    dof: float, normal: float, rectangular: float, u_shaped: float
) -> None:
    """JCGM 101's own way, drawing from each distribution, gives the same 95 % half width within its own noise."""
    chance, n = np.random.default_rng(5), 400_000
    errors = normal * (chance.standard_normal(n) if dof == INFINITE else chance.standard_t(dof, n))
    errors += rectangular * 3.0**0.5 * chance.uniform(-1.0, 1.0, n)
    errors += u_shaped * 2.0**0.5 * np.cos(np.pi * chance.uniform(0.0, 1.0, n))
    parts = [component(normal, dof=dof), component(rectangular, RECTANGULAR), component(u_shaped, U_SHAPED)]

    assert expanded(parts).expanded_nm[0] == pytest.approx(np.quantile(np.abs(errors), 0.95), rel=0.02)


def test_dominant_rectangle_is_not_made_wider_than_it_is() -> None:
    """JCGM 100 G.2.2 and 4.3.7: a rectangle holds 95 % within 1.65 standard uncertainties, and all of it in 1.73."""
    assert expanded([component(1.0, RECTANGULAR)]).k[0] == pytest.approx(0.95 * 3.0**0.5, abs=0.002)
    assert expanded([component(1.0, U_SHAPED)]).k[0] == pytest.approx(2.0**0.5 * np.sin(0.95 * np.pi / 2), abs=0.01)


def test_no_uncertainty_at_all_is_none() -> None:
    """Nothing stated, nothing seen: no division by nothing."""
    assert expanded([component(0.0)]).expanded_nm[0] == 0.0


def standards(runs: int, **changed: object) -> dict[str, float]:
    """The budget of a record at its upper end, by source."""
    made = content(points=points(runs), **changed)
    worth = budget(made, fit_points(made.points))
    return {c.source: float(c.standard_nm[-1]) for c in worth.components}


def test_common_errors_are_not_averaged_away() -> None:
    """Ten times the runs leave the reference and the method as they are; the curve's own part shrinks (H.3.6)."""
    few, many = (standards(runs, method_uncertainty_pct=1.0) for runs in (2, 20))

    assert many["reference standard"] == pytest.approx(few["reference standard"], rel=1e-3)
    assert many["method"] == pytest.approx(few["method"], rel=1e-3)
    assert many["fit"] < 0.5 * few["fit"]
    assert many["repeatability"] == pytest.approx(few["repeatability"], rel=0.2)


def test_each_statement_has_its_part() -> None:
    """0.3 % of 44 kN.m at k = 2; 0.05 mm and 0.6 % as rectangles; half the gap of 160 N.m, U-shaped."""
    found = standards(2)
    top_nm = 43_900.0

    assert found["reference standard"] == pytest.approx(0.0015 * top_nm, rel=0.01)
    assert found["transducer"] == pytest.approx(1600.0 * 0.05 / 3.0**0.5, rel=0.01)
    assert found["temperature"] == pytest.approx(0.006 * top_nm / 3.0**0.5, rel=0.01)
    assert found["hysteresis"] == pytest.approx(80.0 / 2.0**0.5, rel=0.1)


def test_coarse_resolution_counts_where_the_scatter_does_not_show_it() -> None:
    """All readings on one step of 0.5 mm look perfectly repeatable, and are not."""
    coarse = standards(2, resolution_mm=0.5)["resolution"]

    assert coarse == pytest.approx(1600.0 * 0.5 / 12.0**0.5, rel=0.02)
    assert standards(2, resolution_mm=0.002)["resolution"] == 0.0


def test_error_of_a_whole_run_is_seen_and_costs_degrees_of_freedom() -> None:
    """A run that lies 0.05 mm off as a whole: two runs say little about the next one, and the budget says so."""
    shifted = tuple(replace(p, position_mm=p.position_mm + 0.05 * (p.run - 1)) for p in points())
    plain, fit = fit_points(points()), fit_points(shifted)
    worth = budget(content(points=shifted), fit)

    assert plain.run_sd == 0.0
    assert fit.run_sd == pytest.approx(1600.0 * 0.05 / 2.0**0.5, rel=0.1)
    assert fit.run_dof == 1
    assert worth.result.dof[0] < 10.0
    assert worth.result.expanded_nm[0] > 3.0 * budget(content(), plain).result.expanded_nm[0]


def test_what_was_not_stated_is_named() -> None:
    """A budget without transducer or temperature says that it has none."""
    made = content(transducer_error_mm=None, temperature_range_k=None)

    assert budget(made, fit_points(made.points)).left_out == ("transducer", "temperature")


def test_weights_count() -> None:
    """A point of ten thousandth weight hardly moves the curve; with full weight it does."""
    odd = CalibrationPoint(30_000.0, 14.2, "rising", 2, 1.0)
    without, light, full = (
        fit_points((*points(), *more), "straight line") for more in ((), (replace(odd, weight=1e-4),), (odd,))
    )

    assert light.at([14.2])[0] == pytest.approx(without.at([14.2])[0], abs=1.0)
    assert abs(full.at([14.2])[0] - without.at([14.2])[0]) > 20.0
