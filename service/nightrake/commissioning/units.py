"""Quantities as people write them (``"350000 lbf*in"``, ``"0.5 hp"``) -> SI floats. The one module that knows pint.

The text is taken apart here by a small grammar (number, then unit words with powers); pint knows each word's factor and
dimension. So nothing that people type is ever evaluated, and what they meant can be said in their own words.
"""

from __future__ import annotations

import difflib
import math
import re
import unicodedata
from dataclasses import dataclass
from enum import Enum
from functools import cache
from typing import TYPE_CHECKING, Any

from nightrake.commissioning.unitwords import COMMON, ENERGY, JOINED, NAMES, NOT_UNITS, WORDS
from nightrake.errors import NightrakeError

if TYPE_CHECKING:
    import pint

MOST_PARTS = 64
"""Of an inch, as rules are divided; what stands over more behind a whole number is no mixed fraction."""
MAX_LENGTH = 60
"""Characters; the longest sensible quantity has about 25."""


class QuantityError(NightrakeError):
    """A text is no quantity of the kind that is wanted; its own text is the end of a sentence ("is ...")."""


@dataclass(frozen=True, slots=True)
class _Kind:
    words: str
    unit: str
    example: str


class Dimension(Enum):
    """What a quantity measures: words for it, the SI unit it comes out in, an example."""

    TORQUE = _Kind("a torque", "N*m", "'40 kN*m' or '350000 lbf*in'")
    FORCE = _Kind("a force", "N", "'1200 N' or '270 lbf'")
    LENGTH = _Kind("a length", "m", "'1.2 m' or '0.5 in'")
    POWER = _Kind("a power", "W", "'0.37 kW' or '0.5 hp'")
    SPEED = _Kind("a speed of rotation", "rad/s", "'1400 rpm' or '0.05 rpm'")
    SPRING_RATE = _Kind("a spring rate", "N/m", "'22 N/mm' or '125 lbf/in'")
    LINE_LOAD = _Kind("a load for each length", "N/m", "'120 N/m' or '8 lbf/ft'")
    LINE_TORQUE = _Kind("a torque for each length", "N", "'500 N*m/m' or '110 lbf*ft/ft'")
    MODULUS = _Kind("a shear modulus", "Pa", "'78500 MPa' or '11.4e6 psi'")
    ANGLE = _Kind("an angle", "rad", "'5 deg'")
    TEMPERATURE = _Kind("a temperature", "K", "'40 degC' or '104 degF'")


_NUMBER = re.compile(
    r"(?P<sign>[-+]?)(?:(?:(?P<whole>\d{1,6})[ -])?(?P<top>\d{1,6})/(?P<bottom>\d{1,6})"
    r"|(?P<plain>(?:\d{1,3}(?:[, ]\d{3})+(?!\d)|\d+)(?:\.\d*)?(?:[eE][-+]?\d{1,3})?|\.\d+(?:[eE][-+]?\d{1,3})?))"
)
_WORD = re.compile("(?P<word>[A-Za-zµμ°][A-Za-zµμ°_]*)(?P<power>(?:\\^|\\*\\*)?-?[1-4]|[²³⁻]¹?|)")
_BETWEEN = re.compile("\\s*(?P<per>/|\\bper\\b)\\s*|\\s*[*·⋅\u00d7.-]{1,2}\\s*|\\s+")

_ONE_PER = re.compile(r"1?\s*/")

_CLOSE = 0.6


def si_value(text: str, dimension: Dimension) -> float:
    """A quantity's value in SI units (kelvin for temperatures, radians for angles).

    Args:
        text: Number and unit, for instance ``350,000 lb-in``, ``39.5 kNm``, ``1/2 hp``.
        dimension: What it has to be.

    Raises:
        QuantityError: With what is wrong and how to write it.

    Source of the factors: pint, whose definitions are exact (NIST SP 811, appendix B); a test holds them to 12 digits.
    """
    if len(text) > MAX_LENGTH:
        raise QuantityError(f"is {len(text)} characters long; write a number and a unit, {dimension.value.example}")
    number, unit_text = _split(text, dimension)
    pairs = _pairs(unit_text, text, dimension)
    if dimension is Dimension.TEMPERATURE:
        return _kelvin(number, pairs, text)
    value = number * _factor(pairs, text, dimension)
    if not math.isfinite(value):
        raise QuantityError(f"is '{short(text)}', far too large a number; correct it")
    return value


def _split(text: str, dimension: Dimension) -> tuple[float, str]:
    """The number, and what stands behind it."""
    plain = _plain(text)
    found = _NUMBER.match(plain)
    like = f"such as {dimension.value.example}"
    if found is None:
        raise QuantityError(f"is '{short(text)}'; expected a number and a unit, {like}")
    rest = plain[found.end() :].strip()
    if re.match(r"[,']\d", plain[found.end() :]):
        raise QuantityError(f"is '{short(text)}'; write a decimal point, and commas only between thousands")
    if not rest:
        raise QuantityError(f"is '{short(text)}' without a unit; give a unit, {like}")
    if re.match(r"(-|\.\.|to\b|±|\+)\s*[\d.]", rest) or (rest[0].isdigit() and not _ONE_PER.match(rest)):
        raise QuantityError(f"is '{short(text)}'; expected one number and a unit, {like}")
    if found["plain"]:
        value = float(found["plain"].replace(",", "").replace(" ", ""))
    elif found["whole"] and not 0 < int(found["top"]) < int(found["bottom"]) <= MOST_PARTS:
        raise QuantityError(f"is '{short(text)}'; write one number, such as 1.5 or 1 1/2")
    elif int(found["bottom"]):
        value = int(found["whole"] or 0) + int(found["top"]) / int(found["bottom"])
    else:
        raise QuantityError(f"is '{short(text)}', divided by zero; correct it")
    return (-value if found["sign"] == "-" else value), rest


_SIGNS = str.maketrans(
    {
        "\u2212": "-",
        "\u2044": "/",
        **dict.fromkeys("\u00a0\u202f\u2009\u2007", " "),  # spaces that a word processor puts between thousands
        **{sign: f" {unicodedata.normalize('NFKC', sign)}".replace("\u2044", "/") for sign in "¼½¾⅛⅜⅝⅞⅓⅔"},
    }
)
_INCH = re.compile(r"(?<=[\d. ])(?:\"|\u2033|\u201d|'')$")


def _plain(text: str) -> str:
    """Signs that people paste, as those of the keyboard: fractions, spaces, a minus, and the mark for inches."""
    spaced = re.sub(r"(?<=^[-+]) |(?<= ) +", "", text.translate(_SIGNS).strip())
    return _INCH.sub(" in", spaced)


def _pairs(unit: str, text: str, dimension: Dimension) -> list[tuple[str, int]]:
    """Unit words with their powers: ``lbf/in`` -> lbf 1, in -1. Everything after a stroke divides, up to the next one.

    Brackets are only decoration here: ``N*m/(m)`` is N*m/m.
    """
    pairs: list[tuple[str, int]] = []
    rest = unit.replace("(", "").replace(")", "").rstrip(".").strip()
    sign = 1
    if _ONE_PER.match(rest):
        sign, rest = -1, rest.partition("/")[2].strip()
    while rest:
        found = _WORD.match(rest)
        if found is None:
            example = dimension.value.example
            raise QuantityError(f"is '{short(text)}', whose unit cannot be read; write it such as {example}")
        power = sign * _power(found["power"])
        words = JOINED.get(_lower(found["word"]), found["word"]).split()
        pairs += [(word, power) for word in words]
        rest = rest[found.end() :]
        between = _BETWEEN.match(rest)
        if rest and between is None:
            raise QuantityError(
                f"is '{short(text)}', whose unit cannot be read; write it such as {dimension.value.example}"
            )
        if between is not None:
            sign = -1 if between["per"] else 1
            rest = rest[between.end() :]
            if not rest:
                raise QuantityError(f"is '{short(text)}', which ends in the middle of its unit; complete it")
    return pairs


def _lower(word: str) -> str:
    """Small letters, except where a capital tells mega from milli."""
    return word if word.startswith("M") else word.lower()


def _power(text: str) -> int:
    if not text:
        return 1
    signs = {"²": 2, "³": 3, "⁻¹": -1, "⁻": -1}
    return signs.get(text) or int(text.lstrip("^*"))


def _factor(pairs: list[tuple[str, int]], text: str, dimension: Dimension) -> float:
    registry, kind = _registry(), dimension.value
    pairs = _as_meant(pairs, dimension, text)
    try:
        unit: Any = registry.Unit("")
        for word, power in pairs:
            unit = unit * registry.Unit(_known(word, text)) ** power
        given: Any = registry.Quantity(1.0, unit)
        if not given.check(registry.Unit(kind.unit).dimensionality) or _is_bare(pairs, dimension):
            raise QuantityError(_misfit(text, given, dimension))
        return float(given.to(kind.unit).magnitude)
    except _pint_errors() as error:
        raise QuantityError(f"is '{short(text)}', which is not {kind.words} such as {kind.example}") from error


def _as_meant(pairs: list[tuple[str, int]], dimension: Dimension, text: str) -> list[tuple[str, int]]:
    """Nameplates write min-1 for revolutions a minute; an energy is no torque though its dimension is the same."""
    if dimension is Dimension.TORQUE and any(word in ENERGY for word, _ in pairs):
        raise QuantityError(f"is '{short(text)}', an energy; write a torque such as {dimension.value.example}")
    if dimension is Dimension.SPEED:
        if any(word.lower() == "hz" for word, _ in pairs):
            raise QuantityError(f"is '{short(text)}', a frequency; write the speed such as {dimension.value.example}")
        if len(pairs) == 1 and pairs[0][1] == -1:
            return [("revolution", 1), *pairs]
    return pairs


def _is_bare(pairs: list[tuple[str, int]], dimension: Dimension) -> bool:
    """A torque for each length has the dimension of a force; only one with a length above and below is meant."""
    return dimension is Dimension.LINE_TORQUE and len(pairs) < 3


def _known(word: str, text: str) -> str:
    """pint's word for one that people write.

    Raises:
        QuantityError: Nobody knows it.
    """
    own = WORDS.get(word) or (word if _is_unit(word) else WORDS.get(word.lower()))
    if own is None:
        names = sorted({*COMMON, *WORDS})
        near = difflib.get_close_matches(word, names, 1, _CLOSE)
        hint = f"; did you mean '{near[0]}'?" if near else f"; write units such as {', '.join(COMMON[:9])}"
        raise QuantityError(f"is '{short(text)}', and '{short(word)}' is no unit known here{hint}")
    return own


def _is_unit(word: str) -> bool:
    """Whether pint knows it, and people mean that by it; "nan" and "inf" are numbers to it."""
    return word not in NOT_UNITS and word.lower() not in ("nan", "inf", "infinity") and word in _registry()


def _kelvin(number: float, pairs: list[tuple[str, int]], text: str) -> float:
    """A temperature, whose zero point counts."""
    example = Dimension.TEMPERATURE.value.example
    if len(pairs) != 1 or pairs[0][1] != 1:
        raise QuantityError(f"is '{short(text)}', which is no temperature; write it such as {example}")
    word = _known(pairs[0][0], text)
    if word == "deg":
        raise QuantityError(f"is '{short(text)}'; say which degrees, such as {example}")
    registry = _registry()
    given: Any = registry.Quantity(number, _TEMPERATURE_WORDS.get(word, word))
    if "delta" in word:
        raise QuantityError(f"is '{short(text)}', a difference of temperatures; write it such as {example}")
    if not given.check("[temperature]"):
        raise QuantityError(_misfit(text, given, Dimension.TEMPERATURE))
    kelvin = float(given.to("kelvin").magnitude)
    if kelvin < 0.0:
        raise QuantityError(f"is '{short(text)}', below absolute zero; correct it")
    return kelvin


_TEMPERATURE_WORDS = {"K": "kelvin"}


def _misfit(text: str, given: Any, dimension: Dimension) -> str:
    """A quantity of another kind: what it is, and how the wanted one is written."""
    kind = dimension.value
    is_what = next((name for what, name in NAMES if given.check(what)), "something else")
    hint = f"write it such as {kind.example}"
    if is_what == "a force" and dimension is Dimension.TORQUE:
        hint = f"a torque is a force times a length, such as {kind.example}"
    elif "mass" in is_what and "[mass]" in str(given.dimensionality):
        hint = "kilograms are a mass; kilogram-force is written kgf"
    return f"is '{short(text)}', {is_what} and not {kind.words}; {hint}"


def short(text: str) -> str:
    """A text fit for a sentence: printable, on one line, not long."""
    plain = "".join(c if c.isprintable() else "?" for c in text)
    return plain if len(plain) <= MAX_LENGTH else f"{plain[:MAX_LENGTH]}..."


@cache
def _registry() -> pint.UnitRegistry[float]:
    import pint

    return pint.UnitRegistry(cache_folder=None)


@cache
def _pint_errors() -> tuple[type[Exception], ...]:
    import pint

    return (pint.errors.PintError, pint.errors.OffsetUnitCalculusError, ArithmeticError, AttributeError, ValueError)
