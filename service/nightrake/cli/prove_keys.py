"""The head of a proving, key by key: how a text becomes a value, and what is wrong with it, before any point is taken.

The dialogue and the file of points take the same keys, the same values and the same sentences.
"""

from __future__ import annotations

import datetime
import difflib
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from nightrake.cli.prove_result import contacts_of, must_be_of_drive
from nightrake.cli.prove_words import HEAD_NOTES, METHODS
from nightrake.commissioning.points import SHORT_FORMS, RecordContent
from nightrake.commissioning.proving import About, Session
from nightrake.commissioning.refusals import LONGEST, Known, RecordRefused, day_of, head_refusals
from nightrake.commissioning.units import Dimension, QuantityError, si_value
from nightrake.domain.site import DriveSpec
from nightrake.errors import CalibrationError

LEVERS = {METHODS[1]: ("radius_m",), METHODS[2]: ("arm_m", "ratio", "efficiency")}
"""What the methods multiply by."""
LONGEST_LEVER_M = 200.0
LEAST_LETTERS = 3


class Head:
    """What may be said of one proving.

    Args:
        drive, direction: What is proved. today: Date of the record. others: The site's drives, for their serials.
    """

    def __init__(
        self, drive: DriveSpec, direction: str, today: datetime.date, others: Sequence[DriveSpec] = ()
    ) -> None:
        self.drive = drive
        self.direction = direction
        self.today = today
        self._serials = {d.device_serial: d.id for d in others if d.device_serial and d.id != drive.id}

    def value(self, key: str, text: str) -> Any:
        """The value of a key.

        Raises:
            CalibrationError: There is no such key, or the text is no value of it.
        """
        if key not in HEAD_NOTES:
            raise CalibrationError(unknown_key(key))
        mine = {"drive": self.drive.id, "direction": self.direction}.get(key)
        if mine is not None:
            if text != mine:
                raise CalibrationError(f"is for {key} {text[:64]}, but {mine} is to be proved")
            return mine
        return PARSERS[key](text)

    def changes(self, about: About, key: str, text: str) -> dict[str, Any]:
        """What one answer changes: the key, and with another method also what belonged to the one before.

        Raises:
            CalibrationError: It cannot be taken; the sentence that the record would be refused with.
        """
        key = key.lower()
        changes = {key: self.value(key, text)}
        if key == "method" and changes[key] != about.method:
            for method, levers in LEVERS.items():
                changes |= dict.fromkeys(levers, 0.0) if method != changes[key] else {}
            if changes[key] == METHODS[0]:
                changes["method_uncertainty_pct"] = None
        wrong = [s for s in self.wrongs(replace(about, **changes)) if s.split()[0] == key]
        if wrong:
            raise CalibrationError("; ".join(wrong))
        return changes

    def wrongs(self, about: About) -> list[str]:
        """Everything for which a record with this head would be refused, each sentence beginning with its key."""
        drive = self.drive
        since = day_of(drive.device_since) if about.device_serial == drive.device_serial else None
        found = list(
            head_refusals(_content(about, self.today), Known(self.today, drive_since=since, serials=self._serials))
        )
        if not about.method:
            found = [sentence for sentence in found if not sentence.startswith("method")]
        if about.device_serial:
            try:
                must_be_of_drive(Session(about=about), drive, contacts_of(drive, about.direction))
            except RecordRefused as refused:
                found += refused.sentences
        return [*found, *_levers_wrong(about)]


def _content(about: About, today: datetime.date) -> RecordContent:
    """A record of this head, without points."""
    return RecordContent(
        about.drive, about.device_serial, about.made_by, str(today), about.method, (), about.direction, about.place,
        about.ambient_c, about.reference_standard, about.reference_uncertainty_pct, "", about.method_uncertainty_pct,
        due_on=about.due_on, remarks=about.remarks,
    )  # fmt: skip


def _levers_wrong(about: About) -> list[str]:
    if not about.method:
        return [f"method is missing; it is one of {', '.join(METHODS)}"]
    found = []
    for method, levers in LEVERS.items():
        given = [name for name in levers if getattr(about, name)]
        if method != about.method:
            found += [
                f"{name} belongs to the method '{method}', but the method is '{about.method}'; leave it out, or "
                "correct the method"
                for name in given
            ]
        elif method == METHODS[2]:
            found += [f"{name} is missing; '{method}' multiplies by it" for name in levers if name not in given]
    return found


def unknown_key(key: str) -> str:
    """The sentence for a key that the head does not have."""
    if key == "made_on":
        return "'made_on' is not taken: a record bears the day on which it is made; leave it out, or say it in remarks"
    near = difflib.get_close_matches(key.lower(), HEAD_NOTES, 1, 0.6)
    more = f"did you mean '{near[0]}'?" if near else f"it has {', '.join(HEAD_NOTES)}"
    return f"'{key[:64]}' is no key of the head; {more}"


# --- texts to values --------------------------------------------------------------------------------------------------


def _text(longest: int) -> Callable[[str], str]:
    def parse(text: str) -> str:
        if not text or len(text) > longest:
            raise CalibrationError(f"a text of 1 to {longest} characters is needed, got {len(text)}")
        if not text.isprintable():
            raise CalibrationError("holds a character that cannot be printed; leave it out")
        return text

    return parse


def _words(longest: int) -> Callable[[str], str]:
    parse = _text(longest)

    def parse_words(text: str) -> str:
        if sum(c.isalpha() for c in parse(text)) < LEAST_LETTERS:
            raise CalibrationError(f"says too little with '{text}'; say in words what was altered, or leave it out")
        return text

    return parse_words


def _number(low: float, high: float) -> Callable[[str], float]:
    def parse(text: str) -> float:
        try:
            value = float(text.rstrip("% "))
        except ValueError:
            value = float("nan")
        if not low <= value <= high:
            raise CalibrationError(f"a number from {low:g} to {high:g} is needed, got '{text[:32]}'")
        return value

    return parse


def _method(text: str) -> str:
    for number, name in enumerate(METHODS, 1):
        if text.lower() in (str(number), name):
            return name
    raise CalibrationError(f"1, 2 or 3 is needed, or one of {', '.join(METHODS)}; got '{text[:32]}'")


def _metres(text: str) -> float:
    """A length with its unit, or a bare number in m as the key's name says."""
    try:
        value = float(text)
    except ValueError:
        try:
            value = si_value(text, Dimension.LENGTH)
        except QuantityError as error:
            raise CalibrationError(f"the length {error}") from error
    if not 0.0 < value < LONGEST_LEVER_M:
        raise CalibrationError(f"a length above 0 and below {LONGEST_LEVER_M:g} m is needed, got '{text[:32]}'")
    return value


def _or_none(parse: Callable[[str], Any], nothing: Any) -> Callable[[str], Any]:
    """A value that may be left out: ``none`` takes it away again."""
    return lambda text: nothing if text.lower() == "none" else parse(text)


def _date(text: str) -> str:
    try:
        return str(datetime.date.fromisoformat(text))
    except ValueError as error:
        raise CalibrationError(f"a date such as 2027-11-25 is needed, got '{text[:32]}'") from error


def _form(text: str) -> str:
    long = {name: short for short, name in SHORT_FORMS.items()}
    asked = long.get(text.lower(), text.lower())
    if asked not in SHORT_FORMS:
        raise CalibrationError(f"{', '.join(SHORT_FORMS)} are the forms, got '{text[:32]}'")
    return asked


PARSERS: dict[str, Callable[[str], Any]] = {
    "device_serial": _text(LONGEST["device_serial"]),
    "made_by": _text(LONGEST["made_by"]),
    "place": _text(LONGEST["place"]),
    "ambient_c": _or_none(_number(-60.0, 100.0), None),
    "reference_standard": _text(LONGEST["reference_standard"]),
    "reference_uncertainty_pct": _number(0.0, 100.0),
    "method": _method,
    "method_uncertainty_pct": _number(0.0, 100.0),
    "radius_m": _or_none(_metres, 0.0),
    "arm_m": _metres,
    "ratio": _number(1.0, 1e6),
    "efficiency": _number(0.05, 1.0),
    "due_on": _or_none(_date, ""),
    "remarks": _or_none(_text(LONGEST["remarks"]), ""),
    "altered": _or_none(_words(200), ""),
    "form": _or_none(_form, ""),
}
"""How the text of each key becomes its value."""
