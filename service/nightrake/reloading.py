"""Taking changed settings in whole, or refusing them whole: one reload at a time, and the newest folder wins.

Whoever asks while a folder is being read gets the answer of the next reading, which begins after the asking.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import threading
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

from nightrake.control.server import Caller
from nightrake.domain.cleantext import clean
from nightrake.domain.rows import Entry
from nightrake.domain.site import PointSpec
from nightrake.errors import ConfigError, NightrakeError
from nightrake.loadapart import load_apart
from nightrake.loglibrary import structlog
from nightrake.settings import Secrets, Settings, reload_diff, secrets_of

log = structlog.get_logger("nightrake.app")

T = TypeVar("T")

PATH_CHARACTERS = 4096
"""Longest path on Linux. Source: limits.h, PATH_MAX."""
SHOWN = 6
"""Drives named in one sentence."""
NOTHING = "nothing changed"
SECRETS_S = 10.0
"""A disk that does not give a secret within this time hangs."""


class Taken(NamedTuple):
    """A folder without mistakes, and its secrets."""

    settings: Settings
    secrets: Secrets


class Reloader:
    """Runs reloads for one watch.

    Args:
        folder, overrides: Where settings come from. now: Gives what is in force.
        take: Goes on with new settings; gives what a person should know of it.
        note: Journals an entry.
    """

    def __init__(
        self,
        folder: Path,
        overrides: Mapping[str, Any],
        now: Callable[[], Taken],
        take: Callable[[Taken], Awaitable[list[str]]],
        note: Callable[[Entry], None],
    ) -> None:
        self._folder = folder
        self._ours = os.path.abspath(folder)
        self._overrides = dict(overrides)
        self._now = now
        self._began = now().settings
        self._take = take
        self._note = note
        self._wanted = asyncio.Event()
        self._by = ""
        self._waiting: list[asyncio.Future[dict[str, Any]]] = []
        self._stopped = False

    def hang_up(self) -> None:
        """SIGHUP: reload soon."""
        self._by = self._by or "SIGHUP"
        self._wanted.set()

    async def ask(self, caller: Caller, args: Mapping[str, Any]) -> dict[str, Any]:
        """Reload, and give the answer: ``ok`` and ``lines``.

        Args:
            args: ``folder``, the absolute path that the caller means; without it the watch's own is meant.
        """
        folder = str(args.get("folder", ""))[:PATH_CHARACTERS]
        if folder and not await self._is_ours(folder):
            return self._not_ours(caller.actor, folder)
        if self._stopped:
            return _STOPPING
        future: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        self._waiting.append(future)
        self._by = self._by or caller.actor
        self._wanted.set()
        return await future

    async def _is_ours(self, folder: str) -> bool:
        """Whether a path leads to the folder that this watch reads."""
        if folder == self._ours:
            return True
        same = lambda: os.path.realpath(folder) == os.path.realpath(self._ours)  # noqa: E731
        return await in_thread(same, SECRETS_S, "the settings folder")

    def _not_ours(self, by: str, folder: str) -> dict[str, Any]:
        ours, other = self._ours, clean(folder, PATH_CHARACTERS)
        text = (
            f"this watch reads {ours}, not {other}, and takes no other folder while it runs: bring the changes into "
            f"{ours} and reload that, or restart the watch with {other}"
        )
        self._note_refusal(by, text)
        return {"ok": False, "lines": [text]}

    async def run(self) -> None:
        """Serve until cancelled."""
        waiting: list[asyncio.Future[dict[str, Any]]] = []
        try:
            while True:
                await self._wanted.wait()
                self._wanted.clear()
                by, self._by = self._by, ""
                waiting, self._waiting = self._waiting, []
                answer = await self._reload(by)
                log.info("reload", ok=answer["ok"], actor=by, lines=answer["lines"])
                _answer(waiting, answer)
        finally:
            self._stopped = True
            _answer(waiting + self._waiting, _STOPPING)

    async def _reload(self, by: str) -> dict[str, Any]:
        old = self._now()
        try:
            new = await load_apart(Path(self._ours), self._overrides)
            if (new.store.dir, new.control) != (old.settings.store.dir, old.settings.control):
                text = "store.dir and control.socket cannot change while the watch runs; restart it for that"
                return self._refuse(by, [text])
            secrets = await in_thread(lambda: secrets_of(new), SECRETS_S, "the secrets")
        except ConfigError as error:
            return self._refuse(by, [str(m) for m in error.mistakes])
        except NightrakeError as error:
            return self._refuse(by, [str(error)])
        lines = [NOTHING]
        if new.digest != old.settings.digest or secrets.changed(old.secrets):
            # Of the store nothing is taken now; what that means is said below.
            lines = [line for line in await self._take(Taken(new, secrets)) if not line.startswith("[store]")]
        return {"ok": True, "lines": [*lines, *needs_restart(self._began, new)] or [NOTHING]}

    def _refuse(self, by: str, lines: list[str]) -> dict[str, Any]:
        self._note_refusal(by, "; ".join(lines))
        return {"ok": False, "lines": [*lines, "The folder was refused whole; the watch goes on as before."]}

    def _note_refusal(self, by: str, reason: str) -> None:
        who = {"actor": by, "known_by": "local user"}
        self._note(Entry("command", "refused", "", "", {**who, "verb": "reload", "reason": reason[:500]}))


def needs_restart(began: Settings, new: Settings) -> list[str]:
    """What the folder says of the store and the running watch does not do, a sentence each.

    Args:
        began: What the watch began with. new: What the folder says now.
    """
    runs, wanted = began.store.model_dump(), new.store.model_dump()
    return [
        f"[store]: {key} stays {runs[key]:g} until the watch is restarted, which then takes {wanted[key]:g}"
        for key in ("quota_mb", "ballast_mb", "tail_hours")
        if runs[key] != wanted[key]
    ]


def secrets_changed(what: list[str]) -> list[str]:
    """Sentences on secrets that were replaced."""
    return [f"{one} was replaced, and is used {_from_when(one)}" for one in what]


def _from_when(one: str) -> str:
    return "as soon as certificate and key go together" if one.startswith("page.") else "from now on"


def what_changed(old: Settings, new: Settings) -> list[str]:
    """What a reload changed, in words; drives that are only read more or less often, in one sentence.

    A period in ``[scan]`` is written into every point of every drive: each would be a line that says nothing.
    """
    slower = [d for d, spec in new.site.drives.items() if d in old.site.drives and spec != old.site.drives[d]]
    slower = [d for d in slower if _untimed(new.site.drives[d]) == _untimed(old.site.drives[d])]
    if not slower:
        return reload_diff(old, new)
    drives = {**new.site.drives, **{d: old.site.drives[d] for d in slower}}
    lines = reload_diff(old, replace(new, site=replace(new.site, drives=drives), digest=old.digest))
    every = len(slower) == len(new.site.drives)
    which = "all drives" if every else ", ".join(slower[:SHOWN]) + (" and others" if len(slower) > SHOWN else "")
    return [*(line for line in lines if line != NOTHING), f"how often points are read has changed, for {which}"]


def _untimed(value: Any) -> Any:
    """A drive's specification, or a part of it, without the periods of its points."""
    if isinstance(value, PointSpec):
        return value._replace(period_ns=0)
    if is_dataclass(value) and not isinstance(value, type):
        return tuple(_untimed(getattr(value, f.name)) for f in fields(value))
    if isinstance(value, Mapping):
        return {k: _untimed(v) for k, v in value.items()}
    return tuple(map(_untimed, value)) if isinstance(value, tuple) else value


_STOPPING: dict[str, Any] = {"ok": False, "lines": ["The watch is stopping; nothing was taken."]}


def _answer(waiting: list[asyncio.Future[dict[str, Any]]], answer: dict[str, Any]) -> None:
    for future in waiting:
        if not future.done():
            future.set_result(answer)


async def in_thread(what: Callable[[], T], within_s: float, words: str) -> T:
    """Run something that may wait for a disk in a thread of its own, which a stop need not wait for.

    Args:
        what: To be run. within_s: Then it is left behind. words: What it brings, for the error.

    Raises:
        NightrakeError: It took too long.
    """
    loop = asyncio.get_running_loop()
    future: asyncio.Future[T] = loop.create_future()

    def run() -> None:
        answer: T | None
        error: Exception | None
        try:
            answer, error = what(), None
        except Exception as caught:  # noqa: BLE001  # whoever asked gets it
            answer, error = None, caught
        with contextlib.suppress(RuntimeError):  # the loop is closed already
            loop.call_soon_threadsafe(_settle, future, answer, error)

    threading.Thread(target=run, name=f"read {words}", daemon=True).start()
    try:
        async with asyncio.timeout(within_s):
            return await future
    except TimeoutError:
        raise NightrakeError(f"{words} could not be read within {within_s:g} s; the disk hangs") from None


def _settle(future: asyncio.Future[Any], answer: object, error: Exception | None) -> None:
    if future.done():
        return
    if error is not None:
        future.set_exception(error)
    else:
        future.set_result(answer)
