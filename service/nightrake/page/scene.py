"""The scene: all that the watch tells of the site as it stands now, put together from its messages. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from nightrake.page.hours import Hours

ROWS = 200
"""Journal rows that one set of changes keeps; of more the oldest are left out, for the journal has them all."""


class Away(NamedTuple):
    """The watch is not heard, or was not asked for values: nothing on the scene is live.

    Attributes:
        since_utc_ms: What is shown is of this time. why: One sentence.
    """

    since_utc_ms: int
    why: str


@dataclass
class Changes:
    """What is different since somebody was last told.

    Attributes:
        drives: Whose view changed in more than measured values. values: Whose measured values changed.
        alarms, service, site: Whether these changed. alarmed: Of which drives alarms read differently.
        presence: The watch went away or came back.
        rows: Journal rows told since; missed: there were more than these. all: The whole picture is meant.
    """

    drives: set[str] = field(default_factory=set)
    values: set[str] = field(default_factory=set)
    alarms: bool = False
    alarmed: set[str] = field(default_factory=set)
    service: bool = False
    site: bool = False
    presence: bool = False
    rows: list[dict[str, Any]] = field(default_factory=list)
    missed: bool = False
    all: bool = False

    def __bool__(self) -> bool:
        flags = self.alarms or self.service or self.site or self.presence or self.all
        return bool(flags or self.drives or self.values or self.rows)

    def add(self, other: Changes) -> None:
        """Both together."""
        self.drives |= other.drives
        self.values |= other.values
        self.alarms |= other.alarms
        self.alarmed |= other.alarmed
        self.service |= other.service
        self.site |= other.site
        self.presence |= other.presence
        self.all |= other.all
        self.missed |= other.missed or len(self.rows) + len(other.rows) > ROWS
        self.rows = (self.rows + other.rows)[-ROWS:]


class Scene:
    """The site as it stands.

    Attributes:
        site: The last ``site`` message; {} before the first. drives: Id -> drive view, measured values merged in, in
            the site's order. hours: The torque of their last hour. alarms: As `domain.alarmnow.alarms_now` lists them.
            service: Links, PLCs, scans.
        away: None while everything here is live. at_utc_ms: When the watch last spoke.
    """

    def __init__(self) -> None:
        self.site: dict[str, Any] = {}
        self.drives: dict[str, dict[str, Any]] = {}
        self.hours = Hours()
        self.alarms: list[dict[str, Any]] = []
        self.service: dict[str, Any] = {}
        self.away: Away | None = Away(0, "the watch has not been heard yet")
        self.at_utc_ms = 0

    @property
    def ids(self) -> list[str]:
        """Every drive of the site, seen or not yet."""
        return [str(d["id"]) for d in self.site.get("drives", ())]

    def everything(self) -> Changes:
        """The whole picture."""
        ids = set(self.drives)
        return Changes(ids, set(ids), alarms=True, alarmed=set(ids), service=True, site=True, presence=True, all=True)

    def apply(self, message: Mapping[str, Any]) -> Changes:
        """Take one message of the watch; what is in it that nobody here knows is left alone.

        Returns:
            What is different now.
        """
        changes = Changes()
        self.at_utc_ms = max(self.at_utc_ms, int(message.get("at") or message.get("alive") or 0))
        if "site" in message:
            self._take_site(message["site"], changes)
        for drive, view in message.get("drives", {}).items():
            old, new = self.drives.get(drive), {"read_utc_ms": int(message.get("at") or 0), **view}
            self.drives[drive] = new
            # Views come again from time to time; what moved in them alone goes to browsers as a value.
            (changes.values if old is not None and still(old) == still(new) else changes.drives).add(drive)
            self._note(drive)
        for drive, told in message.get("values", {}).items():
            if drive in self.drives:
                self.drives[drive] = merged(self.drives[drive], told)
                changes.values.add(drive)
                self._note(drive)
        if "alarms" in message:
            changes.alarmed = different(self.alarms, message["alarms"])
            self.alarms, changes.alarms = list(message["alarms"]), True
        if "service" in message:
            self.service, changes.service = dict(message["service"]), True
        changes.rows = list(message.get("rows", ()))[-ROWS:]
        changes.missed = bool(message.get("missed"))
        return changes

    def _note(self, drive: str) -> None:
        view = self.drives[drive]
        self.hours.note(drive, view["read_utc_ms"], view["torque_nm"]["value"])

    def _take_site(self, site: Mapping[str, Any], changes: Changes) -> None:
        changes.site = True
        changes.all = (site.get("digest"), site.get("epoch")) != (self.site.get("digest"), self.site.get("epoch"))
        people = {k: {n: v for n, v in p.items() if n != "password"} for k, p in site.get("people", {}).items()}
        self.site = {**site, "people": people}  # the scene is shown to everybody; hashes are for the directory alone
        self.drives = {d: self.drives[d] for d in self.ids if d in self.drives}
        self.hours.only(set(self.ids))

    def leave(self, why: str) -> Changes:
        """From now on nothing here is live."""
        if self.away is not None and self.away.why == why:
            return Changes()
        self.away = Away(self.at_utc_ms if self.away is None else self.away.since_utc_ms, why)
        return Changes(presence=True)

    def back(self) -> Changes:
        """Everything here is live again; whoever looks gets the whole picture."""
        if self.away is None:
            return Changes()
        self.away = None
        return self.everything()


def different(old: Sequence[Mapping[str, Any]], new: Sequence[Mapping[str, Any]]) -> set[str]:
    """Drives of which the alarms are not the same in two lists; "" stands for what is about no drive."""
    by: tuple[dict[str, list[Any]], dict[str, list[Any]]] = ({}, {})
    for alarms, found in zip((old, new), by, strict=True):
        for alarm in alarms:
            found.setdefault(str(alarm.get("drive") or ""), []).append(alarm)
    return {drive for drive in by[0].keys() | by[1].keys() if by[0].get(drive) != by[1].get(drive)}


def merged(view: Mapping[str, Any], told: Any) -> dict[str, Any]:
    """A drive's view with newer measured values.

    Args:
        view: A drive view. told: ``[torque_nm, uncertainty_nm, kind, position_mm, read_utc_ms]``.
    """
    torque_nm, uncertainty_nm, kind, position_mm, read_utc_ms = told
    torque = {**view["torque_nm"], "value": torque_nm, "uncertainty": uncertainty_nm, "kind": kind}
    position = {**view["position_mm"], "value": position_mm}
    return {**view, "torque_nm": torque, "position_mm": position, "read_utc_ms": read_utc_ms}


def still(view: Mapping[str, Any]) -> dict[str, Any]:
    """A drive's view without its measured values."""
    return merged(view, (None, None, "", None, 0))


def measured(view: Mapping[str, Any]) -> list[Any]:
    """The measured values of a view, as a ``values`` message has them."""
    torque = view["torque_nm"]
    return [
        torque["value"],
        torque.get("uncertainty"),
        torque["kind"],
        view["position_mm"]["value"],
        view["read_utc_ms"],
    ]
