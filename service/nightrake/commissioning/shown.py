"""How values are written in a sheet: SI and US customary side by side, to a sensible number of figures. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

from nightrake.commissioning.units import Dimension

LBF_N = 0.45359237 * 9.80665
INCH_M = 0.0254
LBF_IN_NM = LBF_N * INCH_M
HP_W = 550.0 * LBF_N * 12.0 * INCH_M
RPM_RAD_S = 2.0 * math.pi / 60.0
PSI_PA = LBF_N / INCH_M**2
"""Exact definitions: pound 0.45359237 kg, standard gravity 9.80665 m/s2, inch 25.4 mm. Source: NIST SP 811."""

Scale = tuple[float, str]
"""One unit in SI, and its symbol."""
_SI: dict[Dimension, tuple[Scale, ...]] = {
    Dimension.TORQUE: ((1e3, "kN.m"), (1.0, "N.m")),
    Dimension.FORCE: ((1e3, "kN"), (1.0, "N")),
    Dimension.LENGTH: ((1.0, "m"), (1e-3, "mm")),
    Dimension.POWER: ((1e3, "kW"), (1.0, "W")),
    Dimension.SPEED: ((RPM_RAD_S, "rpm"),),
    Dimension.SPRING_RATE: ((1e3, "N/mm"),),
    Dimension.LINE_LOAD: ((1.0, "N/m"),),
    Dimension.LINE_TORQUE: ((1.0, "N.m/m"),),
    Dimension.MODULUS: ((1e6, "MPa"),),
    Dimension.ANGLE: ((math.pi / 180.0, "deg"),),
    Dimension.TEMPERATURE: ((1.0, "C"),),
}
_US: dict[Dimension, tuple[Scale, ...]] = {
    Dimension.TORQUE: ((LBF_IN_NM, "lbf.in"),),
    Dimension.FORCE: ((LBF_N, "lbf"),),
    Dimension.LENGTH: ((12.0 * INCH_M, "ft"), (INCH_M, "in")),
    Dimension.POWER: ((HP_W, "hp"),),
    Dimension.SPEED: ((RPM_RAD_S, "rpm"),),
    Dimension.SPRING_RATE: ((LBF_N / INCH_M, "lbf/in"),),
    Dimension.LINE_LOAD: ((LBF_N / (12.0 * INCH_M), "lbf/ft"),),
    Dimension.LINE_TORQUE: ((LBF_N, "lbf.ft/ft"),),
    Dimension.MODULUS: ((PSI_PA, "psi"),),
    Dimension.ANGLE: ((math.pi / 180.0, "deg"),),
    Dimension.TEMPERATURE: ((1.0, "F"),),
}
_LARGE_FROM = {Dimension.LENGTH: 1.0}
"""The first unit is taken from this value in SI on; elsewhere from one of the unit on."""


def number(value: float, digits: int = 4) -> str:
    """A number to so many significant figures, thousands apart by spaces, no exponent."""
    if not math.isfinite(value):
        return "unlimited" if value > 0 else "-"
    if value == 0.0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    rounded = round(value, places)
    text = f"{rounded:,.{max(0, min(places, 9))}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return text.replace(",", " ")


def shown(value: float, dimension: Dimension, digits: int = 4) -> tuple[str, str]:
    """A value with its unit: SI, then US customary."""
    return shown_range((value,), dimension, digits)


def shown_range(values: Sequence[float], dimension: Dimension, digits: int = 4) -> tuple[str, str]:
    """Several values in one unit, joined by "to": SI, then US customary."""
    if dimension is Dimension.TEMPERATURE:
        celsius = [v - 273.15 for v in values]
        return _joined(celsius, "C", digits), _joined([c * 1.8 + 32.0 for c in celsius], "F", digits)
    return _in(values, dimension, _SI[dimension], digits), _in(values, dimension, _US[dimension], digits)


def _in(values: Sequence[float], dimension: Dimension, scales: Sequence[Scale], digits: int) -> str:
    most = max((abs(v) for v in values if math.isfinite(v)), default=0.0)
    first, last = scales[0], scales[-1]
    unit, symbol = first if most >= _LARGE_FROM.get(dimension, first[0]) else last
    return _joined([v / unit for v in values], symbol, digits)


def _joined(values: Sequence[float], symbol: str, digits: int) -> str:
    texts = list(dict.fromkeys(number(v, digits) for v in values))
    return f"{' to '.join(texts)} {symbol}"
