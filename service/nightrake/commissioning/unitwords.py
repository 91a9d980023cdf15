"""Unit words as people write them in this trade, and words for what a quantity turns out to be."""

from __future__ import annotations

WORDS = {
    "lb": "lbf",
    "lbs": "lbf",
    "lbsf": "lbf",
    "oz": "ozf",
    "pound": "lbf",
    "pounds": "lbf",
    "r": "revolution",
    "rev": "revolution",
    "revs": "revolution",
    "u": "revolution",
    "rpm": "rpm",
    "hp": "horsepower",
    "PS": "metric_horsepower",
    "ps": "metric_horsepower",
    "kw": "kW",
    "ins": "in",
    "inch": "in",
    "inches": "in",
    "feet": "ft",
    "c": "degC",
    "°c": "degC",
    "f": "degF",
    "°f": "degF",
    "°": "deg",
    "degs": "deg",
    "degrees": "deg",
    "kp": "kgf",
    "ksi": "ksi",
    "mpa": "MPa",
    "gpa": "GPa",
}
"""What people write, in small letters -> pint's word. In this trade lb is a force: nobody's torque is a mass."""
JOINED = {
    "nm": "N m",
    "knm": "kN m",
    "mnm": "mN m",
    "MNm": "MN m",
    "nmm": "N mm",
    "ncm": "N cm",
    "lbin": "lbf in",
    "inlb": "lbf in",
    "inlbs": "lbf in",
    "lbsin": "lbf in",
    "lbfin": "lbf in",
    "inlbf": "lbf in",
    "lbft": "lbf ft",
    "ftlb": "lbf ft",
    "ftlbs": "lbf ft",
    "lbsft": "lbf ft",
    "lbfft": "lbf ft",
    "ftlbf": "lbf ft",
    "kgfm": "kgf m",
    "kgfcm": "kgf cm",
    "kpm": "kgf m",
    "kipft": "kip ft",
    "ozin": "ozf in",
    "inoz": "ozf in",
}
"""Torque units written as one word, in small letters -> their words."""
ENERGY = {"J", "kJ", "MJ", "Wh", "kWh", "cal", "kcal", "BTU", "joule"}
COMMON = ("N", "kN", "m", "mm", "kW", "hp", "rpm", "lbf", "in", "ft", "kgf", "MPa", "psi", "deg", "degC", "degF")
NOT_UNITS = {"c", "C", "F", "f", "r", "u", "lb", "oz", "pi", "e", "g0", "k"}
"""Words that pint takes for something nobody means here (the speed of light, coulomb, farad)."""
NAMES = (
    ("[force]", "a force"),
    ("[length]", "a length"),
    ("[mass]", "a mass"),
    ("[power]", "a power"),
    ("[pressure]", "a pressure"),
    ("[energy]", "a torque"),
    ("[temperature]", "a temperature"),
    ("[force] / [length]", "a force for each length"),
    ("[mass] * [length]", "a mass times a length"),
    ("[mass] / [length]", "a mass for each length"),
    ("[frequency]", "a speed"),
    ("[time]", "a time"),
    ("[length] / [time]", "a speed along a line"),
    ("[]", "an angle or a plain number"),
)
