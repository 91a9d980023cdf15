"""Quantities as people write them: exact factors, every usual spelling, and one sentence for what is none."""

from __future__ import annotations

import math

import pytest

from nightrake.commissioning.shown import number, shown, shown_range
from nightrake.commissioning.units import MAX_LENGTH, Dimension, QuantityError, si_value

D = Dimension

# Source: NIST SP 811 (2008), appendix B; exact definitions (pound 0.45359237 kg, 9.80665 m/s2, inch 25.4 mm).
EXACT = [
    ("1 lbf", D.FORCE, 4.4482216152605),
    ("1 lbf*in", D.TORQUE, 0.1129848290276167),
    ("1 lbf*ft", D.TORQUE, 1.3558179483314004),
    ("1 kip*ft", D.TORQUE, 1355.8179483314004),
    ("1 kgf*m", D.TORQUE, 9.80665),
    ("1 kN*m", D.TORQUE, 1000.0),
    ("1 ozf*in", D.TORQUE, 0.00706155181422604),
    ("1 hp", D.POWER, 745.6998715822702),
    ("1 PS", D.POWER, 735.49875),
    ("20000 lbf*ft", D.TORQUE, 27116.358966628),
    ("1 in", D.LENGTH, 0.0254),
    ("1 ft", D.LENGTH, 0.3048),
    ("1 rpm", D.SPEED, 2.0 * math.pi / 60.0),
    ("1 psi", D.MODULUS, 6894.757293168361),
    ("1 lbf/in", D.SPRING_RATE, 175.12683524647636),
    ("1 lbf/ft", D.LINE_LOAD, 14.593902937206364),
    ("1 deg", D.ANGLE, math.pi / 180.0),
    ("0 degC", D.TEMPERATURE, 273.15),
    ("212 degF", D.TEMPERATURE, 373.15),
]


@pytest.mark.parametrize(("text", "dimension", "value"), EXACT)
def test_unit_has_its_exact_factor(text: str, dimension: Dimension, value: float) -> None:
    """The factors of NIST SP 811 to 12 digits."""
    assert si_value(text, dimension) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    "text",
    [
        *("350000 lbf*in", "350,000 lbf.in", "350 000 lb-in", "350000 in-lb", "350000 lbf-in", "350000 in-lbs"),
        *("350000 inch-pounds", "350000 lb in", "350000 lbf·in", "350000 in.lbf", "350000in-lb", "3.5e5 lbf in"),
    ],
)
def test_torque_in_inch_pounds_as_people_write_it(text: str) -> None:
    """Each spelling is the same torque."""
    assert si_value(text, D.TORQUE) == pytest.approx(39544.69015966585, rel=1e-12)


@pytest.mark.parametrize(
    "text", ["20,000 ft-lb", "20000 ft-lbs", "20000 lbf.ft", "20000 foot-pounds", "20000 ft.-lbs.", "20000 ftlb"]
)
def test_torque_in_foot_pounds_as_people_write_it(text: str) -> None:
    """Each spelling is the same torque."""
    assert si_value(text, D.TORQUE) == pytest.approx(27116.358966628, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        *(("39.5 kN*m", 39500.0), ("39.5 kNm", 39500.0), ("39.5kN.m", 39500.0), ("39.5 kN m", 39500.0)),
        *(("5 Nm", 5.0), ("5 N.m", 5.0), ("5 N·m", 5.0), ("5 Nmm", 0.005), ("5 mNm", 0.005), ("5 MNm", 5e6)),
        *(("+5 N*m", 5.0), (" 5  N * m ", 5.0), ("5. N*m", 5.0), (".5 N*m", 0.5), ("-5 N*m", -5.0)),
    ],
)
def test_torque_in_newton_metres_as_people_write_it(text: str, value: float) -> None:
    """With and without mark between the units; milli is not mega."""
    assert si_value(text, D.TORQUE) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("text", ["1400 rpm", "1400 RPM", "1400 r/min", "1400 rev/min", "1400 1/min", "1400 min-1"])
def test_speed_is_turns_not_radians(text: str) -> None:
    """min-1 on a nameplate means revolutions; a units library alone takes it for radians."""
    assert si_value(text, D.SPEED) == pytest.approx(146.60765716752368, rel=1e-12)


@pytest.mark.parametrize("text", ["1/2 hp", "0.5 hp", "0.5 HP", "0.5 horsepower"])
def test_power_may_be_a_fraction(text: str) -> None:
    """Motors are sold as 1/2 hp."""
    assert si_value(text, D.POWER) == pytest.approx(372.8499357911351, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "kelvin"), [("-15 degC", 258.15), ("-15 C", 258.15), ("5 °F", 258.15), ("300 K", 300)]
)
def test_temperature_has_its_zero(text: str, kelvin: float) -> None:
    """Offset units are absolute temperatures."""
    assert si_value(text, D.TEMPERATURE) == pytest.approx(kelvin, abs=1e-9)


WRONG = [
    ("350000 lbf", D.TORQUE, "a force and not a torque; a torque is a force times a length"),
    ("3 kg*m", D.TORQUE, "a mass times a length and not a torque; kilograms are a mass; kilogram-force is written kgf"),
    ("3 J", D.TORQUE, "an energy"),
    ("3 kg", D.FORCE, "kilograms are a mass"),
    ("8 kg/m", D.LINE_LOAD, "a mass for each length"),
    ("0.37 kW", D.TORQUE, "a power and not a torque"),
    ("40", D.TORQUE, "without a unit; give a unit, such as '40 kN*m'"),
    ("39,5 kN*m", D.TORQUE, "write a decimal point"),
    ("10-20 N*m", D.TORQUE, "expected one number and a unit"),
    ("10 to 20 N*m", D.TORQUE, "expected one number and a unit"),
    ("", D.TORQUE, "expected a number and a unit"),
    ("kN*m", D.TORQUE, "expected a number and a unit"),
    ("nan N*m", D.TORQUE, "expected a number and a unit"),
    ("5 N*", D.TORQUE, "ends in the middle of its unit"),
    ("5 N**999999999", D.TORQUE, "whose unit cannot be read"),
    ("5 furlogs", D.LENGTH, "'furlogs' is no unit known here"),
    ("5 incn", D.LENGTH, "did you mean 'inch'?"),
    ("1e999 N*m", D.TORQUE, "far too large"),
    ("1/0 hp", D.POWER, "divided by zero"),
    ("50 Hz", D.SPEED, "a frequency"),
    ("5 m/s", D.SPEED, "a speed along a line and not a speed of rotation"),
    ("500 N", D.LINE_TORQUE, "not a torque for each length"),
    ("40 deg", D.TEMPERATURE, "say which degrees"),
    ("40 m", D.TEMPERATURE, "a length and not a temperature"),
    ("40 delta_degC", D.TEMPERATURE, "a difference of temperatures"),
    ("-300 degC", D.TEMPERATURE, "below absolute zero"),
    ("5 N*degC", D.TORQUE, "not a torque"),
    ("5 degC", D.LENGTH, "a temperature and not a length"),
    ("__import__('os')", D.FORCE, "expected a number and a unit"),
    ("5 __import__('os')", D.FORCE, "whose unit cannot be read"),
    ("5 m\n6 m", D.LENGTH, "whose unit cannot be read"),
    ("5 " + "m" * MAX_LENGTH, D.LENGTH, "characters long"),
]


@pytest.mark.parametrize(("text", "dimension", "words"), WRONG)
def test_what_is_no_such_quantity_is_said_in_one_sentence(text: str, dimension: Dimension, words: str) -> None:
    """What is wrong and how it is written; nothing of the library behind shows through."""
    with pytest.raises(QuantityError) as caught:
        si_value(text, dimension)

    told = str(caught.value)
    assert words in told
    assert "\n" not in told
    assert "pint" not in told.lower()
    assert len(told) < 250


@pytest.mark.parametrize(
    ("value", "dimension", "texts"),
    [
        (40_000.0, D.TORQUE, ("40 kN.m", "354 000 lbf.in")),
        (125.86, D.TORQUE, ("125.9 N.m", "1 114 lbf.in")),
        (0.0254, D.LENGTH, ("25.4 mm", "1 in")),
        (13.0, D.LENGTH, ("13 m", "42.65 ft")),
        (372.8499357911351, D.POWER, ("372.8 W", "0.5 hp")),
        (258.15, D.TEMPERATURE, ("-15 C", "5 F")),
    ],
)
def test_value_is_shown_in_both_systems(value: float, dimension: Dimension, texts: tuple[str, str]) -> None:
    """SI first, US customary second, each with its unit."""
    assert shown(value, dimension) == texts


def test_range_has_one_unit() -> None:
    """A range reads as one value."""
    assert shown_range((900.0, 1100.0), D.TORQUE, 3) == ("0.9 to 1.1 kN.m", "7 970 to 9 740 lbf.in")
    assert shown_range((5.0, 5.0), D.FORCE, 3)[0] == "5 N"


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (1234567.0, "1 235 000"), (0.000125, "0.000125"), (999.96, "1 000"), (-2.5, "-2.5"), (1e-12, "0")],
)
def test_number_has_so_many_figures_and_no_exponent(value: float, text: str) -> None:
    """Four significant figures, nine decimals at most."""
    assert number(value) == text


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        *((text, D.POWER, 1.5 * 745.6998715822702) for text in ("1 1/2 hp", "1-1/2 hp", "1\u00bd hp", "1 \u00bd hp")),
        *((text, D.POWER, 0.5 * 745.6998715822702) for text in ("\u00bd hp", "1/2 hp", "1\u20442 hp", "\u00bdhp")),
        *((text, D.LENGTH, 0.1524) for text in ('6"', '6 "', "6\u2033", "6\u201d", "6''")),
        ('1 1/2"', D.LENGTH, 0.0381),
        ("-1 1/2 deg", D.ANGLE, math.radians(-1.5)),
        *((f"350{space}000 lbf*in", D.TORQUE, 39544.69015966585) for space in "\u00a0\u202f\u2009 "),
    ],
)
def test_fractions_inches_and_spaces_as_people_paste_them(text: str, dimension: Dimension, value: float) -> None:
    """Mixed fractions, fraction signs, the mark for inches, spaces that a word processor puts between thousands."""
    assert si_value(text, dimension) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("text", ["1 500/2 N*m", "1 3/2 N*m", "3 1/2 1/2 N*m", "1 1/0 N*m", "1 1/2", '5" 6 N*m'])
def test_what_could_be_read_in_two_ways_is_refused(text: str) -> None:
    """Is it one and a fraction, or thousands over two?"""
    with pytest.raises(QuantityError):
        si_value(text, D.TORQUE)
