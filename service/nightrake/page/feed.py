"""Keeps the scene up to date, and asks the watch for all of it only while somebody looks."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping
from typing import Any

from nightrake.page.directory import Directory
from nightrake.page.hub import Hub
from nightrake.page.scene import Changes
from nightrake.page.sessions import Sessions

UNWANTED_S = 60.0
"""Nobody has looked for this long: the watch is asked for its heartbeat only."""
SILENT_S = 6.0
"""The watch says something each 2 s; after this long without a word it is away."""
WHOLE_S = 2.0
"""A page waits this long for the whole picture; then it shows that it has none."""
LOOK_S = 0.5
SWEEP_S = 5.0
SILENT = "the watch is not heard; what is shown is old"
ASLEEP = "the watch is being asked for the values of now"


class SceneFeed:
    """See the module.

    Args:
        hub: Its scene is kept. directory, sessions: Follow the people of the settings.
        ask: Asks the watch for its scene anew: whole, or its heartbeat only. now_s: Monotonic.
    """

    def __init__(
        self,
        hub: Hub,
        directory: Directory,
        sessions: Sessions,
        ask: Callable[[bool], None],
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._hub, self._directory, self._sessions = hub, directory, sessions
        self._ask, self._now_s = ask, now_s
        self._is_whole, self._is_complete = False, False
        self._heard_s = self._wanted_s = self._swept_s = now_s()
        self._live = asyncio.Event()

    def begin(self) -> None:
        """Ask for the heartbeat, and for who there is."""
        self._ask(False)

    def heard(self, message: Mapping[str, Any]) -> None:
        """One message of the watch."""
        scene = self._hub.scene
        self._heard_s = self._now_s()
        if "site" in message:
            self._directory.take(message["site"].get("people", {}), message["site"].get("two_persons", ()))
            self._swept_s = float("-inf")
        changes = scene.apply(message)
        if message.get("complete"):
            self._is_complete = True
        if self._is_complete and scene.away is not None:
            changes.add(scene.back())
            self._live.set()
        self._hub.told(changes)

    def still_wanted(self) -> None:
        """Somebody looks."""
        self._wanted_s = self._now_s()
        if not self._is_whole:
            self._is_whole, self._is_complete = True, False
            self._ask(True)

    async def wanted(self) -> None:
        """Somebody looks now; see `ports.Feed`."""
        self.still_wanted()
        if self._hub.scene.away is None or self._now_s() - self._heard_s > SILENT_S:
            return
        try:
            async with asyncio.timeout(WHOLE_S):
                await self._live.wait()
        except TimeoutError:
            pass

    async def run(self) -> None:
        """Look after it until cancelled."""
        while True:
            await self.look()
            await asyncio.sleep(LOOK_S)

    async def look(self) -> None:
        """What time brings: silence, nobody who looks, sessions that hold no longer."""
        now_s = self._now_s()
        if self._hub.count:
            self._wanted_s = now_s
        if now_s - self._heard_s > SILENT_S:
            self._away(SILENT)
        elif self._is_whole and now_s - self._wanted_s > UNWANTED_S:
            self._is_whole = self._is_complete = False
            self._ask(False)
            self._away(ASLEEP)
        if now_s - self._swept_s > SWEEP_S and self._hub.scene.site:  # before, nobody knows who there is
            self._swept_s = now_s
            self._hub.end_sessions(await self._sessions.sweep(self._directory), "this sign-in has ended")

    def lost(self, why: str) -> None:
        """The watch is gone for good."""
        self._away(why)

    def _away(self, why: str) -> None:
        self._live.clear()
        changes: Changes = self._hub.scene.leave(why)
        self._hub.told(changes)
