"""The last hour of every drive, out of what is kept: nobody may have looked at this page for that long."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable

from nightrake.errors import StoreError
from nightrake.page.ports import Reader
from nightrake.page.scene import Scene

AGAIN_S = 120.0
HOUR_MS = 3_600_000
COLUMNS = 120
"""Two for each minute of the line, so that none is wider than a minute."""
PAUSE_S = 0.02
"""Between two drives: whoever reads a history meanwhile does not wait for all of them."""


class LastHours:
    """See the module.

    Args:
        scene: Whose hours are filled. reader: Reads what is kept. now_ms: UTC.
    """

    def __init__(self, scene: Scene, reader: Reader, now_ms: Callable[[], int]) -> None:
        self._scene, self._reader, self._now_ms = scene, reader, now_ms

    async def run(self) -> None:
        """Fill them again and again, until cancelled; sooner while the site is not known yet."""
        while True:
            for drive in self._scene.ids:
                await self.fill(drive)
                await asyncio.sleep(PAUSE_S)
            await asyncio.sleep(AGAIN_S if self._scene.ids else 1.0)

    async def fill(self, drive: str) -> None:
        """One drive's; where nothing can be read, the line stays as short as it is."""
        now_ms = self._now_ms()
        try:
            told = json.loads(await self._reader.history(drive, "torque", now_ms - HOUR_MS, now_ms, COLUMNS))
        except (LookupError, StoreError):
            return
        columns = told["columns"]
        spans = zip(columns["utc_s"], columns["min"], columns["max"], strict=True)
        known = [(int(utc_s * 1000), max(low, high, key=abs)) for utc_s, low, high in spans if high is not None]
        self._scene.hours.fill(drive, known)
