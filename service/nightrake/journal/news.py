"""News of the writer's thread, carried to the event loop: what is durable, what is lost, how the disk is."""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import Callable

LOST_RUNS = 1000
"""As many runs of lost rows are remembered."""


class News:
    """`durable`, `lost` and `health` are called in the writer's thread, everything else on the loop.

    Args:
        durable_seq: Highest journal number on disk at the start.
    """

    def __init__(self, durable_seq: int) -> None:
        self.durable_seq = durable_seq
        self._loop: asyncio.AbstractEventLoop | None = None
        self._on_durable: Callable[[int], object] = lambda seq: None
        self._on_health: Callable[[bool, str], object] = lambda up, detail: None
        self._on_lost: Callable[[int, int], object] = lambda first_seq, last_seq: None
        self._on_anew: Callable[[], object] = lambda: None
        self._on_given_up: Callable[[int, int], object] = lambda first_seq, last_seq: None
        self._waiters: list[tuple[int, asyncio.Future[bool]]] = []
        self._lost: deque[tuple[int, int]] = deque(maxlen=LOST_RUNS)

    def begin(
        self,
        on_durable: Callable[[int], object],
        on_health: Callable[[bool, str], object],
        on_lost: Callable[[int, int], object],
        on_anew: Callable[[], object],
        on_given_up: Callable[[int, int], object],
    ) -> None:
        """Carry news to the running loop from now on; see `Store.start`."""
        self._loop = asyncio.get_running_loop()
        self._on_durable, self._on_health, self._on_lost = on_durable, on_health, on_lost
        self._on_anew, self._on_given_up = on_anew, on_given_up

    @property
    def begun(self) -> bool:
        """Whether the writer is at work."""
        return self._loop is not None

    async def wait_durable(self, seq: int, timeout_s: float) -> bool:
        """See `Store.wait_durable`."""
        if any(first <= seq <= last for first, last in self._lost):
            return False
        if seq <= self.durable_seq:
            return True
        future: asyncio.Future[bool] = asyncio.get_running_loop().create_future()
        waiter = (seq, future)
        self._waiters.append(waiter)
        try:
            async with asyncio.timeout(timeout_s):
                return await future
        except TimeoutError:
            return False
        finally:
            self._waiters.remove(waiter)

    # --- in the writer's thread ---------------------------------------------------------------------------------------

    def durable(self, seq: int) -> None:
        """Every row up to `seq` that was not given up is on disk. One wake-up for each commit, not for each row."""
        self._carry(lambda: self._durable_now(seq))

    def lost(self, first_seq: int, last_seq: int) -> None:
        """These rows were given up."""
        self._carry(lambda: self._lost_now(first_seq, last_seq))

    def given_up(self, first_seq: int, last_seq: int) -> None:
        """The file of these rows was given up, and they were nowhere else."""
        self._carry(lambda: self._on_given_up(first_seq, last_seq))

    def anew(self) -> None:
        """The file had to be begun anew; what it held may be gone."""
        self._carry(self._on_anew)

    def health(self, up: bool, detail: str) -> None:
        """The disk's health has changed."""
        self._carry(lambda: self._on_health(up, detail))

    def _carry(self, what: Callable[[], object]) -> None:
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # the loop is closed already
                self._loop.call_soon_threadsafe(what)

    # --- on the loop --------------------------------------------------------------------------------------------------

    def _durable_now(self, seq: int) -> None:
        self.durable_seq = max(seq, self.durable_seq)
        for waited, future in self._waiters:
            if waited <= seq and not future.done():
                future.set_result(True)
        self._on_durable(seq)

    def _lost_now(self, first_seq: int, last_seq: int) -> None:
        self._lost.append((first_seq, last_seq))
        for waited, future in self._waiters:
            if first_seq <= waited <= last_seq and not future.done():
                future.set_result(False)
        self._on_lost(first_seq, last_seq)
