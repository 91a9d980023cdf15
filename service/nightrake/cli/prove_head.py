"""The questions at the beginning of a proving, and their answers as the head of the record."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from typing import TypeVar

from nightrake.cli.lines import END, STOP, Lines
from nightrake.commissioning.proving import About
from nightrake.commissioning.units import Dimension, QuantityError, si_value
from nightrake.domain.site import DriveSpec
from nightrake.errors import CalibrationError, NightrakeError

_T = TypeVar("_T")

METHODS = ("factory output", "rakes tied off", "force at the arm")
AGREED = "isolated"


def agree(lines: Lines) -> None:
    """Nothing goes on before somebody has said in so many words that the drive is isolated.

    Raises:
        CalibrationError: Not said.
    """
    prompt = f"Type '{AGREED}' when the drive is isolated, locked out and secured, and everybody knows"
    answer = _line(lines, prompt)
    if answer.lower() != AGREED:
        raise CalibrationError(f"'{AGREED}' was not typed; nothing was begun")


def ask_about(lines: Lines, drive: DriveSpec, direction: str, today: datetime.date) -> About:
    """Ask for the head of the record.

    Raises:
        CalibrationError: The lines ended before the last answer; nothing was begun.
    """
    serial = ask(lines, "Serial number of the overload device", drive.device_serial, _text)
    made_by = ask(lines, "Who signs for it", "", _text)
    place = ask(lines, "Where", "in place", _text)
    ambient_c = ask(lines, "Ambient temperature, degrees C", "", _number(-60.0, 100.0))
    standard = ask(lines, "Reference standard (instrument and serial)", "", _text)
    standard_pct = ask(lines, "Its expanded uncertainty (k = 2), % of reading", "", _number(0.0, 100.0))
    for number, name in enumerate(METHODS, 1):
        lines.say(f"  {number}  {name}")
    method = ask(lines, "How the torque is applied", "2", _method)
    radius_m = arm_m = ratio = efficiency = method_pct = 0.0
    if method == METHODS[1]:
        radius_m = ask(lines, "Lever of the pull, for instance 13 m ('none': torque is entered)", "none", _lever)
    elif method == METHODS[2]:
        arm_m = ask(lines, "Arm length, for instance 250 mm", "", _length)
        ratio = ask(lines, "Ratio of the main gear unit", "", _number(1.0, 1e6))
        efficiency = ask(lines, "Its efficiency, 0 to 1", "", _number(0.05, 1.0))
    if method != METHODS[0]:
        method_pct = ask(
            lines, "Expanded uncertainty (k = 2) of lever, ratio and efficiency together, %", "", _number(0.0, 100.0)
        )
    due_on = ask(lines, "Due again on", str(_in_a_year(today)), _date)
    return About(
        drive.id, direction, serial, made_by, place, ambient_c, standard, standard_pct, method, method_pct,
        radius_m, arm_m, ratio, efficiency, due_on,
    )  # fmt: skip


def ask(lines: Lines, prompt: str, default: str, parse: Callable[[str], _T]) -> _T:
    """Ask until the answer can be used; an empty one takes the default, where there is one."""
    shown = f"{prompt} [{default}]" if default else prompt
    while True:
        answer = _line(lines, shown) or default
        try:
            return parse(answer)
        except NightrakeError as error:
            lines.say(f"! {error}")


def _line(lines: Lines, prompt: str) -> str:
    while True:
        line = lines.read(60.0, prompt)
        if line in (END, STOP):
            raise CalibrationError("left before the first point; nothing was begun")
        if line is not None:
            return line.strip()


def _text(answer: str) -> str:
    if not answer or len(answer) > 200:
        raise CalibrationError("a text of 1 to 200 characters is needed")
    return answer


def _number(low: float, high: float) -> Callable[[str], float]:
    def parse(answer: str) -> float:
        try:
            value = float(answer.rstrip("% "))
        except ValueError:
            value = float("nan")
        if not low <= value <= high:
            raise CalibrationError(f"a number from {low:g} to {high:g} is needed, got '{answer[:32]}'")
        return value

    return parse


def _method(answer: str) -> str:
    found = [m for n, m in enumerate(METHODS, 1) if answer.lower() in (str(n), m)]
    if not found:
        raise CalibrationError("1, 2 or 3 is needed")
    return found[0]


def _length(answer: str) -> float:
    try:
        value = si_value(answer, Dimension.LENGTH)
    except QuantityError as error:
        raise CalibrationError(f"the length {error}") from error
    if not 0.0 < value < 200.0:
        raise CalibrationError(f"a length above 0 is needed, got '{answer[:32]}'")
    return value


def _lever(answer: str) -> float:
    return 0.0 if answer.lower() == "none" else _length(answer)


def _date(answer: str) -> str:
    try:
        return str(datetime.date.fromisoformat(answer))
    except ValueError as error:
        raise CalibrationError(f"a date such as 2027-11-25 is needed, got '{answer[:32]}'") from error


def _in_a_year(today: datetime.date) -> datetime.date:
    try:
        return today.replace(year=today.year + 1)
    except ValueError:  # 29 February
        return today.replace(year=today.year + 1, day=28)
