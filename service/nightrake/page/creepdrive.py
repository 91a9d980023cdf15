"""Creep of one drive as its page shows it: the verdict, its forecasts, steps of the level, remarks. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from nightrake.page.creep import Row, Told, chance_words, days_words, dotless, row_of
from nightrake.page.moments import Wall
from nightrake.page.torquebar import UNIT, in_units, kilo


class SideView(NamedTuple):
    """One side on its drive's page.

    Attributes:
        row: As in the ranking. direction: Which, also of a drive with only one. facts: Label and value.
        shifts: Day and words, the newest first. remarks: Sentences, the method last. drawn: There are days to draw.
    """

    row: Row
    direction: str
    facts: list[tuple[str, str]]
    shifts: list[tuple[str, str]]
    remarks: list[str]
    drawn: bool


def sides_of(told: Told, names: Mapping[str, str], wall: Wall) -> list[SideView]:
    """Each side of a drive.

    Args:
        told: As `Reader.creep_of` gives it. names: Of drives, by id.
    """
    return [_side(side, int(told["of"]), names, wall) for side in told["sides"]]


def _side(side: Told, of: int, names: Mapping[str, str], wall: Wall) -> SideView:
    row = row_of(side, int(side["place"]), names)
    since = f", since {day(wall, side['since_utc_ms'])}" if side["since_utc_ms"] and row.creep else ""
    creep = f"{row.creep} % of shutdown a month, 95 % interval {row.between}{since}" if row.creep else "cannot be said"
    facts = [
        ("Level", _level(row)),
        ("Creep", creep),
        ("Alarm", stage_words(side["alarm"], side["alarm_nm"])),
        ("Shutdown", stage_words(side["shutdown"], side["shutdown_nm"])),
        ("Rank", f"{row.place} of {of} at this site"),
    ]
    shifts = [(day(wall, shift["utc_ms"]), shift_words(shift, wall)) for shift in reversed(side["shifts"])]
    method = [f"How it was found: {in_units(side['method'])}"] if side["method"] else []
    p_value = side["p_value"]
    test = [f"Mann-Kendall: p {'< 0.001' if p_value < 0.001 else f'= {p_value:.3f}'}"] if p_value is not None else []
    remarks = [*(in_units(text) for text in side["remarks"]), *method, *test]
    return SideView(row, str(side["direction"]), facts, shifts, remarks, side.get("days") is not None)


def _level(row: Row) -> str:
    number = row.torque.number
    if not number.value:
        return "not known"
    sign = f"{number.sign} " if number.sign else ""
    share = f", {sign}{number.percent} % of shutdown" if number.percent is not None else ""
    return f"{sign}{number.value} {UNIT}{share}"


def stage_words(forecast: Told, point_nm: float | None) -> str:
    """When the level reaches a set point, and the chances."""
    if not point_nm:
        return "no set point is stated"
    if forecast["days"] is None:
        return f"cannot be said: {dotless(forecast['why_not'])}" if forecast["why_not"] else "cannot be said"
    chances = [f"{chance_words(chance)} within {days}" for days, chance in forecast["within"].items()]
    text = f"{kilo(point_nm)} {days_words(forecast)}, 90 % interval"
    return f"{text}; chance {', '.join(chances)} days" if chances else text


def shift_words(shift: Told, wall: Wall) -> str:
    """A step of the level: its size, and what is known of it."""
    size = shift["size_nm"]
    text = "a step of a size that cannot be said"
    if size is not None and size["mid"] is not None:
        text = f"{_kilos(size['mid'])} {UNIT}"
        if size["low"] is not None and size["high"] is not None:
            text += f" ({_kilos(size['low'])} to {_kilos(size['high'])})"
    if shift["why"] and shift["why"] != "found":
        return f"{text}; {in_units(shift['why'])}"
    first, last = day(wall, shift["low_utc_ms"]), day(wall, shift["high_utc_ms"])
    return f"{text}; found in the readings" + (f", between {first} and {last}" if first != last else "")


def _kilos(nm: float) -> str:
    """A step with as many figures as tell something."""
    return f"{float(f'{nm / 1000:.2g}'):+g}".replace("-", "\u2212")


def day(wall: Wall, utc_ms: int) -> str:
    """A day on the site's wall."""
    return wall.full(utc_ms).partition(" ")[0] if utc_ms else ""
