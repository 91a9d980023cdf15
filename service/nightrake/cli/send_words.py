"""What can be asked for with `nightrake send`, in words. It loads nothing that is slow, so that --help may show it."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping
from typing import NamedTuple

WIDTH = 76


class Taken(NamedTuple):
    """What a command is about (``alarm``, ``drive`` or nothing), and which keys it takes besides."""

    about: str = ""
    keys: str = ""


VERBS: Mapping[str, Taken] = {
    "acknowledge": Taken("alarm", "occurrence"),
    "answer": Taken(),
    "shelve": Taken("alarm", "for_s reason"),
    "unshelve": Taken("alarm"),
    "out_of_service": Taken("alarm", "for_s reason"),
    "return_to_service": Taken("alarm"),
    "standby": Taken("drive", "for_s reason"),
    "standby_end": Taken("drive"),
    "test": Taken("drive", "for_s"),
    "test_end": Taken("drive"),
    "reset": Taken("drive", "direction"),
    "lockout_open": Taken("drive", "remark"),
    "lockout_cancel": Taken("drive", "reason"),
    "isolation_reported": Taken("drive", "lock_number remark"),
    "zero_energy_reported": Taken("drive", "remark"),
    "cause": Taken("drive", "cause remark"),
    "cleared": Taken("drive", "remark"),
    "contacts_proved": Taken("drive", "remark"),
    "area_clear": Taken("drive", "remark"),
    "lock_removed": Taken("drive", "lock_number remark"),
    "lock_exception": Taken("drive", "whom lock_number facts facts facts"),
    "shift_transfer": Taken("drive", "whom remark"),
    "test_run": Taken("drive", "name limit_s"),
    "test_run_end": Taken("drive", "remark"),
    "release": Taken("drive", "reason"),
}
"""Command -> what it takes, in the order in which the work goes."""
NOTES = (
    "for_s and limit_s are whole seconds. occurrence is the one that is shown with the alarm. facts is given three "
    "times, for lock_exception only: absence verified, how the person was sought, how they will be told.",
    "A text with blanks stands in quotes: reason='storm, known'.",
)
_OPTIONS = (
    (re.compile(r"mqtt\.username, its password and"), "--user, --password-file and"),
    (re.compile(r"mqtt\.username and its password"), "--user and --password-file"),
    (re.compile(r"mqtt\.username"), "--user"),
    (re.compile(r"mqtt\.cert_file"), "--cert-file"),
    (re.compile(r"mqtt\.key_file"), "--cert-key-file"),
)
_ANOTHER = re.compile(r"another client certificate than mqtt\.cert_file")


def send_help() -> str:
    """The commands and their keys, in lines that fit below --help; ``\\b`` keeps them as they are."""
    lines = ["\b", "Commands, each with the keys that it takes:"]
    for verb, taken in VERBS.items():
        keys = " ".join(f"{key}=" for key in (taken.about, *taken.keys.split()) if key)
        lines += textwrap.wrap(f"{verb} {keys}".strip(), WIDTH, initial_indent="  ", subsequent_indent=" " * 6)
    for note in NOTES:
        lines += textwrap.wrap(note, WIDTH)
    return "\n".join(lines)


def lacks(verb: str, alarm: str, drive: str) -> str:
    """What a command lacks to be about anything, "" = nothing."""
    about = VERBS[verb].about if verb in VERBS else ""
    if about == "alarm" and not alarm:
        also = "; drive= is not enough" if drive else ""
        return (
            f"{verb} is about one alarm: give it as 'nightrake alarms' shows it, for instance "
            f"alarm=PC1/forward/alarm_contact{also}"
        )
    if about == "drive" and not drive:
        return f"{verb} is about a drive: give it, for instance drive=PC1"
    return ""


def in_options(text: str, *, shows_certificate: bool) -> str:
    """A sentence about the broker in the words of `send`, where a person gives what for the watch is a setting."""
    own = "another client certificate than that of --cert-file" if shows_certificate else "a certificate (--cert-file)"
    text = _ANOTHER.sub(own, text)
    for pattern, option in _OPTIONS:
        text = pattern.sub(option, text)
    return text
