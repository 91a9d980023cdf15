"""The fit against published results: NIST StRD and e-Handbook, JCGM 100 H.3, Eurachem/CITAC A5."""

from __future__ import annotations

import numpy as np
import pytest

from nightrake.commissioning.branches import fit_points
from nightrake.commissioning.fit import BranchFit, basis_for, least_squares, read_back
from nightrake.commissioning.formtests import LACK_OF_FIT, choose_form
from nightrake.commissioning.points import FALLING, QUADRATIC, RISING, STRAIGHT_LINE
from unit.commissioning.published import NORRIS_X, NORRIS_Y, PONTIUS_X, PONTIUS_Y, imported

NINE_DIGITS = 1e-9


def fitted(x: list[float], y: list[float], form: str) -> BranchFit:
    """One branch through the product's own import and fit."""
    own = [p.pair for p in imported(x, y) if p.branch == RISING]
    positions, torques = np.array(own).T
    return least_squares(basis_for(form, positions), positions, torques)


def test_norris_agrees_to_nine_digits() -> None:
    """Certified values of NIST StRD Norris (Norris.dat), the straight line."""
    fit = fitted(NORRIS_X, NORRIS_Y, STRAIGHT_LINE)
    coefficients, covariance = fit.about(0.0)

    assert coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=NINE_DIGITS)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=NINE_DIGITS)
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=NINE_DIGITS)
    assert fit.r_squared == pytest.approx(0.999993745883712, abs=1e-12)
    assert fit.rss == pytest.approx(26.6173985294224, rel=NINE_DIGITS)


def test_pontius_agrees_to_nine_digits() -> None:
    """Certified values of NIST StRD Pontius (Pontius.dat), the quadratic; loads are in thousands here."""
    fit = fitted(PONTIUS_X, PONTIUS_Y, QUADRATIC)
    coefficients, covariance = fit.about(0.0)
    scale = np.array([1.0, 1e3, 1e6])
    certified = [0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14]
    deviations = [0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16]

    assert coefficients / scale == pytest.approx(certified, rel=NINE_DIGITS)
    assert np.sqrt(np.diag(covariance)) / scale == pytest.approx(deviations, rel=NINE_DIGITS)
    assert fit.residual_sd == pytest.approx(0.205177424076185e-03, rel=NINE_DIGITS)
    assert fit.r_squared == pytest.approx(0.999999900178537, abs=1e-12)


def test_mean_of_both_branches_has_the_certified_coefficients() -> None:
    """The curve that goes into a record, of a device whose branches both give the Pontius data."""
    fit = fit_points(imported(PONTIUS_X, PONTIUS_Y, runs=2), QUADRATIC)
    c0, c1, c2 = fit.coefficients
    m = fit.rising.basis.reference_mm

    assert c0 - c1 * m + c2 * m * m == pytest.approx(0.673565789473684e-03, rel=NINE_DIGITS)
    assert (c1 - 2 * c2 * m) / 1e3 == pytest.approx(0.732059160401003e-06, rel=NINE_DIGITS)
    assert c2 / 1e6 == pytest.approx(-0.316081871345029e-14, rel=NINE_DIGITS)
    assert np.max(np.abs(fit.half_gap([200.0, 1500.0, 2900.0]))) < 1e-12


def test_quadratic_is_chosen_for_the_load_cell() -> None:
    """NIST/SEMATECH e-Handbook 4.6.1: lack of fit of the line F = 214.7466 on 18 and 20, of the quadratic 0.8107."""
    points = [p for p in imported(PONTIUS_X, PONTIUS_Y, runs=2) if p.branch == RISING]
    form, test = choose_form(points)

    assert form == QUADRATIC
    assert test is not None
    assert (test.name, test.dof) == (LACK_OF_FIT, (18, 20))
    assert test.f == pytest.approx(214.7466, rel=1e-4)
    assert test.f_quadratic == pytest.approx(0.8107, rel=1e-3)
    assert test.p_quadratic == pytest.approx(0.66, abs=0.02)  # computed here: F(17, 20) beyond 0.8107


def test_load_is_read_back_with_its_interval() -> None:
    """NIST/SEMATECH e-Handbook 4.6.1.8: 1.239722 is 1 705 106 with the interval 1 704 513 to 1 705 698."""
    back = read_back(fitted(PONTIUS_X, PONTIUS_Y, QUADRATIC), [1.239722])

    assert 1e3 * back.position_mm == pytest.approx(1_705_106, abs=1.0)
    assert 1e3 * (back.position_mm - back.half_width_mm) == pytest.approx(1_704_513, abs=2.0)
    assert 1e3 * (back.position_mm + back.half_width_mm) == pytest.approx(1_705_698, abs=2.0)


def test_cadmium_is_read_back_from_two_readings() -> None:
    """Eurachem/CITAC CG 4 (2012), example A5: c0 = 0.26 mg/l with u = 0.018; 15 points, 2 readings."""
    x = [level for level in (0.1, 0.3, 0.5, 0.7, 0.9) for _ in range(3)]
    y = [0.028, 0.029, 0.029, 0.084, 0.083, 0.081, 0.135, 0.131, 0.133, 0.18, 0.181, 0.183, 0.215, 0.23, 0.216]
    fit = fitted(x, y, STRAIGHT_LINE)
    back = read_back(fit, [0.0712, 0.0716])

    assert fit.about(0.0)[0] == pytest.approx([0.0087, 0.241], rel=NINE_DIGITS)
    assert fit.residual_sd == pytest.approx(0.0054856456039656465, rel=NINE_DIGITS)
    assert back.position_mm == pytest.approx(0.2601659751037345, rel=NINE_DIGITS)
    assert back.standard_mm == pytest.approx(0.01784461112558307, rel=NINE_DIGITS)
    assert (round(back.position_mm, 2), round(back.standard_mm, 3)) == (0.26, 0.018)


GUM_T = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.01, 26.511]
GUM_B = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.16]


def test_gum_h3_is_recomputed() -> None:
    """JCGM 100:2008 H.3, table H.6: y1 -0.1712 (0.0029), y2 0.00218 (0.00067), r -0.93, s 0.0035."""
    x = np.array(GUM_T)
    fit = least_squares(basis_for(STRAIGHT_LINE, x), x, GUM_B)
    (y1, y2), covariance = fit.about(20.0)
    u1, u2 = np.sqrt(np.diag(covariance))
    r = covariance[0, 1] / (u1 * u2)

    assert (round(y1, 4), round(u1, 4), round(y2, 5), round(u2, 5)) == (-0.1712, 0.0029, 0.00218, 0.00067)
    assert (round(r, 2), round(fit.residual_sd, 4), fit.dof) == (-0.93, 0.0035, 9)
    assert [y1, y2, r] == pytest.approx([-0.171203790131, 0.00218269773989, -0.930429603093], rel=1e-9)


def test_gum_h3_extrapolates_with_the_correlation() -> None:
    """H.3.4: b(30) = -0.1494 with u = 0.0041; without the covariance it would come out as 0.0073."""
    x = np.array(GUM_T)
    fit = least_squares(basis_for(STRAIGHT_LINE, x), x, GUM_B)
    u = fit.residual_sd * float(np.sqrt(fit.leverage([30.0])[0]))
    _, covariance = fit.about(20.0)

    assert (round(float(fit.at([30.0])[0]), 4), round(u, 4)) == (-0.1494, 0.0041)
    assert u == pytest.approx(0.0041385958, rel=1e-7)
    assert round(float(np.sqrt(covariance[0, 0] + 100.0 * covariance[1, 1])), 4) == 0.0073


def test_gum_h3_has_no_correlation_about_the_mean() -> None:
    """H.3.5: with t0 at the mean reading r = 0, y1 = -0.1625 and u(y1) = 0.0011."""
    x = np.array(GUM_T)
    fit = least_squares(basis_for(STRAIGHT_LINE, x), x, GUM_B)
    (y1, _), covariance = fit.about(float(x.mean()))

    assert covariance[0, 1] == pytest.approx(0.0, abs=1e-18)
    assert (round(y1, 4), round(float(np.sqrt(covariance[0, 0])), 4)) == (-0.1625, 0.0011)


def test_both_branches_are_fitted_apart() -> None:
    """A gap between the branches is reported, and shifts the mean by nothing."""
    points = list(imported(PONTIUS_X, PONTIUS_Y, runs=2))
    apart = [
        type(p)(p.torque_nm + (0.003 if p.branch == RISING else -0.003), p.position_mm, p.branch, p.run) for p in points
    ]
    fit = fit_points(apart, QUADRATIC)
    plain = fit_points(points, QUADRATIC)
    x = [200.0, 1500.0, 2900.0]

    assert fit.half_gap(x) == pytest.approx([0.003] * 3, rel=1e-6)
    assert fit.at(x) == pytest.approx(plain.at(x), rel=1e-9)
    assert {p.branch for p in apart} == {RISING, FALLING}
