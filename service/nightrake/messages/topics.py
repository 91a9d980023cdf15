"""Names of the topics, all below ``{root}/{site}/``; see TOPICS.md beside this file."""

from __future__ import annotations

import re

ID_LENGTH = 64
"""No drive or person of ours has a longer id."""
ALARM_LENGTH = 160
"""No alarm of ours has a longer name."""
CANARY = ".canary"
_PERSON = re.compile(r"[A-Za-z0-9_-]{1,32}")
_REPLY_TAIL = re.compile(r"[A-Za-z0-9_.-]{1,64}(/[A-Za-z0-9_.-]{1,64})?")


class Topics:
    """The topics of one site.

    Args:
        root, site: First two parts of every topic; ids without ``/``, ``+``, ``#``.
    """

    def __init__(self, root: str, site: str) -> None:
        base = f"{root}/{site}/"
        self.service = base + "service"
        self.events = base + "events"
        self.drives = base + "drive/+"
        self.alarms = base + "alarm/#"
        self.people_canary = base + "person/" + CANARY
        """Beside the people's topics, so that the same access rules hold for it. No person has this id."""
        self.state_canaries = (base + "drive/" + CANARY, base + "alarm/" + CANARY)
        """Beside the retained states, likewise. No drive and no alarm has this id."""
        self.commands = base + "command/+"
        self._command = base + "command/"
        self._reply = base + "reply/"
        self._drive = base + "drive/"
        self._alarm = base + "alarm/"
        self._person = base + "person/"

    def drive(self, drive: str) -> str:
        """Where a drive's state is retained."""
        return self._drive + drive

    def person(self, person: str) -> str:
        """Where a person is told what calls them."""
        return self._person + person

    def alarm(self, alarm: str) -> str:
        """Where an alarm's state is retained, by the text form of its key."""
        return self._alarm + alarm

    def alarm_of(self, topic: str) -> str:
        """The alarm whose state is retained on a topic, or "" for any other topic."""
        alarm = topic.removeprefix(self._alarm)
        fits = alarm != topic and 0 < len(alarm) <= ALARM_LENGTH
        return alarm if fits and alarm.count("/") in (2, 3) and all(alarm.split("/")) else ""

    def drive_of(self, topic: str) -> str:
        """The drive whose state is retained on a topic, or "" for any other topic."""
        drive = topic.removeprefix(self._drive)
        fits = drive not in (topic, CANARY) and 0 < len(drive) <= ID_LENGTH and "/" not in drive
        return drive if fits else ""

    def command(self, person: str) -> str:
        """Where a person asks for something."""
        return self._command + person

    def replies(self, person: str) -> str:
        """Below this a person is answered."""
        return f"{self._reply}{person}/"

    def commander_of(self, topic: str) -> str:
        """The person whose commands come on a topic, or "" for any other topic."""
        person = topic.removeprefix(self._command)
        return person if person != topic and _PERSON.fullmatch(person) else ""

    def is_command(self, topic: str) -> bool:
        """Whether a topic is below those of commands."""
        return topic.startswith(self._command)

    def is_reply_to(self, topic: str, person: str) -> bool:
        """Whether a person may have themselves answered on a topic: one or two plain levels below their own."""
        tail = topic.removeprefix(self.replies(person))
        return tail != topic and _REPLY_TAIL.fullmatch(tail) is not None
