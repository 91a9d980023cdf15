"""Identity of an alarm: what it is about, which direction, which kind, which channel. Pure."""

from __future__ import annotations

from typing import NamedTuple

SITE = "site"
"""Subject of what is about the site as a whole."""
NO_DIRECTION = "-"
"""Stands in the text form where an alarm has no direction, so that no part is ever empty."""
_PLC = "plc:"


class AlarmKey(NamedTuple):
    """Identity of one alarm; text form ``PC1/forward/shutdown_contact``, with ``/A`` behind where a channel matters.

    Attributes:
        subject: Id of a drive, ``plc:ID``, or ``site``.
        direction: Sensed direction, or "".
        kind: Key into `alarms.table.ALARM_TYPES`.
        channel: "A", "B" or "".
    """

    subject: str
    direction: str
    kind: str
    channel: str = ""

    def __str__(self) -> str:
        text = f"{self.subject}/{self.direction or NO_DIRECTION}/{self.kind}"
        return f"{text}/{self.channel}" if self.channel else text

    @property
    def drive(self) -> str:
        """The drive that it is about, "" where it is about no drive."""
        return "" if self.subject == SITE or self.subject.startswith(_PLC) else self.subject


def plc_subject(plc: str) -> str:
    """Subject of an alarm about one PLC."""
    return f"{_PLC}{plc}"


def parse_key(text: str) -> AlarmKey:
    """The key with this text form.

    Raises:
        ValueError: The text is no alarm's name; the message says how one looks.
    """
    parts = text.split("/")
    if len(parts) not in (3, 4) or not all(parts):
        raise ValueError(
            f"'{text[:80]}' is no alarm's name: expected DRIVE/DIRECTION/KIND, for instance PC1/forward/alarm_contact, "
            f"with {NO_DIRECTION} where there is no direction"
        )
    subject, direction, kind = parts[:3]
    return AlarmKey(subject, "" if direction == NO_DIRECTION else direction, kind, parts[3] if len(parts) == 4 else "")
