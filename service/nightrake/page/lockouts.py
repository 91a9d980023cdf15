"""Lockouts as the watch has them, asked once a second at most however many look."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from nightrake.page.ports import Plain, Watch

FRESH_S = 1.0


class Lockouts:
    """Answers kept for a second.

    Args:
        watch: Is asked. now_s: Monotonic.
    """

    def __init__(self, watch: Watch, now_s: Callable[[], float]) -> None:
        self._watch, self._now_s = watch, now_s
        self._kept: dict[str, tuple[float, asyncio.Future[Plain]]] = {}

    async def of(self, drive: str) -> Plain:
        """A drive's lockout; the drive is one of the site's.

        Raises:
            ControlError: The watch is away, or refused.
        """
        at_s, asked = self._kept.get(drive, (float("-inf"), None))
        if asked is None or self._now_s() - at_s > FRESH_S:
            asked = asyncio.ensure_future(self._watch.lockout(drive))
            asked.add_done_callback(lambda task: None if task.cancelled() else task.exception())  # it is told below
            self._kept[drive] = (self._now_s(), asked)
        return await asyncio.shield(asked)

    def forget(self) -> None:
        """Something was done: the next answer is asked anew."""
        self._kept.clear()
