"""What one listener has been told of drives and alarms, and so what is news to it. Pure.

It gives texts (JSON), slice by slice: between two slices the scans have their turn, so that a large site holds nothing
up. A drive's view is built anew only where somebody said that it changed (`mark`), where its own state looks otherwise
than before, and every ten seconds, for what only time changes. Whoever applies the texts in order, `values` into the
views, has what the whole would be.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import islice
from typing import Any, NamedTuple

from nightrake.alarms.book import shown
from nightrake.domain.alarmscene import RENEW_NS, Listed, listed
from nightrake.domain.drive import DriveState
from nightrake.domain.sceneview import look_of, read_utc_ms, scene_view, values_of
from nightrake.domain.state import SiteState

SLICE = 8
"""Drives or alarms that are looked at at once."""
VALUES_NS = 5_000_000_000
"""Values that stay the same are told again so often, with the time of their reading."""
MANY, MANY_NS = 100, 2_000_000_000
"""More alarms than this are told at most so often."""


class Now(NamedTuple):
    """The core's state, and when that is."""

    state: SiteState
    mono_ns: int
    utc_ms: int


class _Told(NamedTuple):
    """What was told of a drive.

    Attributes:
        drive: Its state then. look: `look_of` that. same: Its view without what changes all the time.
        values: As told last. viewed_ns, valued_ns: When its view was made, and when its values were told last.
    """

    drive: DriveState
    look: tuple[Any, ...]
    same: Mapping[str, Any]
    values: list[Any]
    viewed_ns: int
    valued_ns: int


class Feed:
    """One listener's; see the module."""

    def __init__(self) -> None:
        self._told: dict[str, _Told] = {}
        self._dirty: set[str] = set()
        self._listed: dict[str, Listed] = {}
        self._alarms: str | None = None
        self._made_of: tuple[Any, ...] = ()
        self._alarms_ns = 0

    def mark(self, drives: Iterable[str]) -> None:
        """Something of these drives has changed, a measured value apart."""
        self._dirty.update(drives)

    def drives(self, now: Callable[[], Now]) -> Iterator[str]:
        """Look at every drive once.

        Args:
            now: Gives the present; asked for each slice, for between two of them time goes on.

        Returns:
            Texts, one or none ("") for each slice, and at the end one of all values that are news.
        """
        names = iter(list(now().state.drives))
        values: dict[str, list[Any]] = {}
        while some := list(islice(names, SLICE)):
            at = now()
            views = {n: v for n in some if n in at.state.drives and (v := self._look(n, at, values)) is not None}
            yield _text({"at": at.utc_ms, "drives": views}) if views else ""
        at = now()
        for gone in [n for n in self._told if n not in at.state.drives]:
            del self._told[gone]
        self._dirty.intersection_update(at.state.drives)
        if values:
            yield _text({"at": at.utc_ms, "values": values})

    def _look(self, name: str, at: Now, values: dict[str, list[Any]]) -> dict[str, Any] | None:
        """A drive's view, if it is to be told; else its values are put to the others, if those are news."""
        drive, told = at.state.drives[name], self._told.get(name)
        if told is None:
            return self._view(name, at, look_of(drive), None)
        is_due = at.mono_ns - told.viewed_ns >= RENEW_NS
        look = told.look if drive is told.drive else _look_after(told, drive)
        if name in self._dirty or is_due or look is not told.look:
            view = self._view(name, at, look_of(drive), told)
            if view is not None:
                return view
            told = self._told[name]
        self._values(name, at, told, values)
        return None

    def _view(self, name: str, at: Now, look: tuple[Any, ...], told: _Told | None) -> dict[str, Any] | None:
        """Make its view anew; None where it shows nothing else than before."""
        self._dirty.discard(name)
        drive = at.state.drives[name]
        view = scene_view(at.state, name, at.mono_ns, at.utc_ms)
        same = _unmeasured(view)
        if told is not None and same == told.same:
            self._told[name] = told._replace(look=look, viewed_ns=at.mono_ns)
            return None
        self._told[name] = _Told(drive, look, same, values_of(drive, view["read_utc_ms"]), at.mono_ns, at.mono_ns)
        return view

    def _values(self, name: str, at: Now, told: _Told, values: dict[str, list[Any]]) -> None:
        drive = at.state.drives[name]
        is_due = at.mono_ns - told.valued_ns >= VALUES_NS
        if drive is told.drive and not is_due:
            return
        fresh = values_of(drive, 0)
        if not is_due and fresh[:4] == told.values[:4]:
            self._told[name] = told._replace(drive=drive)
            return
        fresh[4] = read_utc_ms(at.state, name, at.mono_ns, at.utc_ms)
        if fresh != told.values:
            values[name] = fresh
        self._told[name] = told._replace(drive=drive, values=fresh, valued_ns=at.mono_ns)

    def alarms(self, now: Now) -> Iterator[str]:
        """Look at every alarm once, all of one moment.

        Returns:
            "" for each slice, and at the end the whole list as text, if it is not what was told last.
        """
        alarms, since_ns = now.state.alarms, now.mono_ns - self._alarms_ns
        made_of = (alarms.book, alarms.calls, now.state.plan)
        is_same = bool(self._made_of) and all(a is b for a, b in zip(made_of, self._made_of, strict=True))
        if (is_same and since_ns < RENEW_NS) or (len(self._listed) > MANY and since_ns < MANY_NS):
            return
        self._made_of, self._alarms_ns = made_of, now.mono_ns
        before, self._listed = self._listed, {}
        for number, alarm in enumerate(shown(alarms.book)):
            if number % SLICE == SLICE - 1:
                yield ""
            name = str(alarm.key)
            one = listed(now.state, alarm, before.get(name), now.mono_ns, now.utc_ms)
            if one is not None:
                self._listed[name] = one
        text = ",".join(one.text for one in sorted(self._listed.values(), key=lambda one: one.order))
        if text != self._alarms:
            self._alarms = text
            yield f'{{"alarms":[{text}]}}'


def _look_after(told: _Told, drive: DriveState) -> tuple[Any, ...]:
    """`look_of` a drive; the very one of before where it is equal."""
    was = told.drive
    if drive.protection is was.protection and drive.side is was.side and _reads_alike(drive, was):
        return told.look
    look = look_of(drive)
    return told.look if look == told.look else look


def _reads_alike(drive: DriveState, was: DriveState) -> bool:
    return all(
        a is b or (a.kind is b.kind and a.reason == b.reason)
        for a, b in ((drive.torque, was.torque), (drive.position, was.position))
    )


def _unmeasured(view: Mapping[str, Any]) -> dict[str, Any]:
    same = {k: v for k, v in view.items() if k not in ("utc_ms", "read_utc_ms")}
    same["torque_nm"] = {k: v for k, v in view["torque_nm"].items() if k not in ("value", "uncertainty")}
    same["position_mm"] = {k: v for k, v in view["position_mm"].items() if k != "value"}
    return same


def _text(message: Mapping[str, Any]) -> str:
    return json.dumps(message, separators=(",", ":"))
