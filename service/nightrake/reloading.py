"""Taking changed settings in whole, or refusing them whole: one reload at a time, and the newest folder wins.

Whoever asks while a folder is being read gets the answer of the next reading, which begins after the asking.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

import structlog

from nightrake.control.server import Caller
from nightrake.domain.rows import Entry
from nightrake.errors import ConfigError, NightrakeError
from nightrake.loadapart import load_apart
from nightrake.settings import Secrets, Settings, secrets_of

log = structlog.get_logger("nightrake.app")

T = TypeVar("T")

SECRETS_S = 10.0
"""A disk that does not give a secret within this time hangs."""


class Taken(NamedTuple):
    """A folder without mistakes, and its secrets."""

    settings: Settings
    secrets: Secrets


class Reloader:
    """Runs reloads for one watch.

    Args:
        folder, overrides: Where settings come from. now: Gives the settings in force.
        take: Goes on with new settings; gives what a person should know of it.
        note: Journals an entry.
    """

    def __init__(
        self,
        folder: Path,
        overrides: Mapping[str, Any],
        now: Callable[[], Settings],
        take: Callable[[Taken], Awaitable[list[str]]],
        note: Callable[[Entry], None],
    ) -> None:
        self._folder = folder
        self._overrides = dict(overrides)
        self._now = now
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

    async def ask(self, caller: Caller, args: Mapping[str, Any]) -> dict[str, Any]:  # noqa: ARG002  # a verb's signature
        """Reload, and give the answer: ``ok`` and ``lines``."""
        if self._stopped:
            return _STOPPING
        future: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        self._waiting.append(future)
        self._by = self._by or caller.actor
        self._wanted.set()
        return await future

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
            new = await load_apart(self._folder, self._overrides)
            if (new.store.dir, new.control) != (old.store.dir, old.control):
                text = "store.dir and control.socket cannot change while the watch runs; restart it for that"
                return self._refuse(by, [text])
            secrets = await in_thread(lambda: secrets_of(new), SECRETS_S, "the secrets")
        except ConfigError as error:
            return self._refuse(by, [str(m) for m in error.mistakes])
        except NightrakeError as error:
            return self._refuse(by, [str(error)])
        if new.digest == old.digest:
            return {"ok": True, "lines": ["nothing changed"]}
        return {"ok": True, "lines": await self._take(Taken(new, secrets))}

    def _refuse(self, by: str, lines: list[str]) -> dict[str, Any]:
        who = {"actor": by, "known_by": "local user"}
        self._note(Entry("command", "refused", "", "", {**who, "verb": "reload", "reason": "; ".join(lines)[:500]}))
        return {"ok": False, "lines": [*lines, "The folder was refused whole; the watch goes on as before."]}


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
