"""The questions at the beginning of a proving, and their answers as the head of the record."""

from __future__ import annotations

import datetime
import textwrap
from dataclasses import replace

from nightrake.cli.lines import END, STOP, Lines
from nightrake.cli.prove_keys import LEVERS, Head
from nightrake.cli.prove_words import HEAD_NOTES, METHODS
from nightrake.commissioning.proving import About
from nightrake.errors import CalibrationError, NightrakeError

AGREED = "isolated"
YES = "yes"
QUESTIONS = {
    "device_serial": "Serial number of the overload device",
    "made_by": "Who signs for it",
    "place": "Where",
    "ambient_c": "Ambient temperature, degrees C",
    "reference_standard": "Reference standard (instrument and serial)",
    "reference_uncertainty_pct": "Its expanded uncertainty (k = 2), % of reading",
    "method": "How the torque is applied: " + ", ".join(f"{number} {name}" for number, name in enumerate(METHODS, 1)),
    "radius_m": "Lever of the pull, for instance 13 m ('none': torque is entered)",
    "arm_m": "Arm length, for instance 250 mm",
    "ratio": "Ratio of the main gear unit",
    "efficiency": "Its efficiency, 0 to 1",
    "method_uncertainty_pct": "Expanded uncertainty (k = 2) of lever, ratio and efficiency together, %",
    "due_on": "Due again on",
}
"""In the order in which they are asked."""


def agree(lines: Lines) -> None:
    """Nothing goes on before somebody has said in so many words that the drive is isolated.

    Raises:
        CalibrationError: Not said.
    """
    answer = _line(lines, f"Type '{AGREED}' when the drive is isolated, locked out and secured, and everybody knows")
    if answer.lower() != AGREED:
        raise CalibrationError(f"'{AGREED}' was not typed; nothing was begun")


def ask_about(lines: Lines, head: Head) -> About:
    """Ask for the head of the record, show it, and let it be corrected until it is said to be right.

    Raises:
        CalibrationError: The lines ended before the last answer; nothing was begun.
    """
    defaults = {
        "device_serial": head.drive.device_serial,
        "place": "in place",
        "method": "2",
        "radius_m": "none",
        "due_on": str(_in_a_year(head.today)),
    }
    about = About(head.drive.id, head.direction, head.drive.device_serial, "", method="")
    for sentence in head.wrongs(about):
        if sentence.startswith("made_on"):  # no answer can put that right
            raise CalibrationError(sentence)
    for key, question in QUESTIONS.items():
        if wanted(key, about.method):
            about = _ask(lines, head, about, key, question, defaults.get(key, ""))
    return _confirmed(lines, head, about)


def wanted(key: str, method: str) -> bool:
    """Whether a method needs a key."""
    if key == "method_uncertainty_pct":
        return method != METHODS[0]
    return all(key not in levers or method == name for name, levers in LEVERS.items())


def _ask(lines: Lines, head: Head, about: About, key: str, question: str, default: str) -> About:
    """Ask until the answer can be used; an empty one takes the default, where there is one."""
    while True:
        answer = _line(lines, f"{question} [{default}]" if default else question) or default
        try:
            return replace(about, **head.changes(about, key, answer))
        except NightrakeError as error:
            say(lines, f"! {error}")


def _confirmed(lines: Lines, head: Head, about: About) -> About:
    while True:
        for line in summary(about):
            say(lines, line)
        wrong = head.wrongs(about)
        for sentence in wrong:
            say(lines, f"! {sentence}")
        answer = _line(lines, f"Type '{YES}' if this is right, or a key and its new value: due_on 2030-01-31")
        if answer.lower() == YES and not wrong:
            return about
        if answer.lower() in (YES, ""):
            continue
        key, _, text = answer.partition(" ")
        try:
            about = replace(about, **head.changes(about, key.rstrip(":="), text.strip()))
        except NightrakeError as error:
            say(lines, f"! {error}")


def summary(about: About) -> list[str]:
    """The head as it stands, a key in a line; what its method does not need is left out."""
    shown = []
    for key in HEAD_NOTES:
        value = getattr(about, key)
        if not wanted(key, about.method) or (value in ("", 0.0, None) and key not in QUESTIONS):
            continue
        if key == "radius_m" and not value:
            value = "none (torque is entered)"
        shown.append(f"  {key}: {'not given' if value in ('', None) else value}")
    return shown


def say(lines: Lines, text: str) -> None:
    """Print a text in lines that fit."""
    for paragraph in text.split("\n"):
        indent = "  " if paragraph[:1] in ("!", " ") else ""
        lines.say("\n".join(textwrap.wrap(paragraph, lines.width - 1, subsequent_indent=indent)) or "")


def _line(lines: Lines, question: str) -> str:
    """The answer to a question, which stays on the screen beside it."""
    say(lines, question)
    while True:
        line = lines.read(60.0, "")
        if line in (END, STOP):
            raise CalibrationError("left before the first point; nothing was begun")
        if line is not None:
            return line.strip()


def _in_a_year(today: datetime.date) -> datetime.date:
    try:
        return today.replace(year=today.year + 1)
    except ValueError:  # 29 February
        return today.replace(year=today.year + 1, day=28)
