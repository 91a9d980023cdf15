"""The one connection to a PLC: made beside the scans, never two at once, made anew after a back-off."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable

from nightrake.domain.site import EndpointSpec
from nightrake.field.adapter import ModbusLink, hung_up
from nightrake.field.names import name_trouble
from nightrake.field.stats import Stats

NOT_YET = "not connected yet"
LOST = "connection lost, trying again"


def _place(endpoint: EndpointSpec) -> tuple[str, int, int, bool]:
    """What a connection depends on; while it stays, so does the connection."""
    return (endpoint.host, endpoint.port, endpoint.timeout_ns, endpoint.transaction_zero_ok)


class Connection:
    """Keeps a link to one endpoint.

    Args:
        endpoint: The PLC. mono_ns: The time. rng: For the jitter of the back-off.
        line: Held while anything is asked; a new link is put in place only between requests.
        installed: Called when a new link is in place. stats: Where attempts are counted.

    Attributes:
        link: The link that stands, or the last one.
    """

    def __init__(
        self,
        endpoint: EndpointSpec,
        mono_ns: Callable[[], int],
        rng: random.Random,
        line: asyncio.Lock,
        installed: Callable[[], object],
        stats: Stats,
    ) -> None:
        self._endpoint = endpoint
        self._mono_ns = mono_ns
        self._rng = rng
        self._line = line
        self._installed = installed
        self._task: asyncio.Task[None] | None = None
        self._given_up: set[asyncio.Task[None]] = set()
        self._after_ns = 0
        self._backoff_ns = endpoint.backoff_min_ns
        self.link = ModbusLink(endpoint)
        self._why = NOT_YET
        self._stood = self._answered = False
        self._stats = stats

    @property
    def why(self) -> str:
        """Why no link stands, in words."""
        return self._why

    @why.setter
    def why(self, words: str) -> None:
        if not self._stood:
            self._why = words
        elif words.startswith("connection lost"):
            self._why = f"{words}, trying again"
        elif not words.startswith("not connected"):
            self._why = words
        elif self._answered:
            self._why = LOST

    def keep(self) -> None:
        """Begin to connect if there is no connection and it is time."""
        if self.link.connected or self._task is not None or self._mono_ns() < self._after_ns:
            return
        self._task = asyncio.create_task(self._connect(self._endpoint), name=f"connect {self._endpoint.id}")

    async def first(self) -> None:
        """Begin, and give it the time that a reply may take."""
        self.keep()
        if self._task is not None:
            await asyncio.wait({self._task}, timeout=self._endpoint.timeout_ns / 1e9)

    def answered(self) -> None:
        """Something with sense in it came back: only that resets the back-off."""
        self._backoff_ns = self._endpoint.backoff_min_ns
        if not self._answered:
            self._answered, self._why = True, LOST

    def begin_anew(self, why: str) -> None:
        """It stands, and nobody answers on it any more: hang up, and connect again after the back-off."""
        self.why = why
        self.link.close()
        self._after_ns = self._mono_ns() + self._jittered()

    def replace(self, endpoint: EndpointSpec) -> bool:
        """Take changed settings.

        Returns:
            Whether they name another place (host, port, time-out): then what stood or was being made is given up.
        """
        moved = _place(endpoint) != _place(self._endpoint)
        self._endpoint = endpoint
        if moved:
            self._give_up()
            self.link.close()
            self._stood = self._answered = False
            self.why = NOT_YET
            self._after_ns = 0
            self._backoff_ns = endpoint.backoff_min_ns
        return moved

    async def end(self) -> None:
        """Hang up, and leave nothing behind."""
        self._give_up()
        await asyncio.gather(*self._given_up, return_exceptions=True)
        self.link.close()

    def _give_up(self) -> None:
        task, self._task = self._task, None
        if task is not None:
            self._given_up.add(task)
            task.add_done_callback(self._given_up.discard)
            task.cancel()

    def _jittered(self) -> int:
        """The next back-off: between half and the whole of a span that doubles up to its limit."""
        span_ns = self._backoff_ns
        self._backoff_ns = min(2 * span_ns, self._endpoint.backoff_max_ns)
        return int(span_ns * self._rng.uniform(0.5, 1.0))

    async def _connect(self, endpoint: EndpointSpec) -> None:
        """Connect while the scans go on saying that there is no connection; then put the new link in place."""
        link = ModbusLink(endpoint)
        try:
            self.link.close()
            self._stats.connects += 1
            problem = await link.connect()
            if self._is_past(endpoint):
                return
            # A device that accepts and hangs up at once must not be hammered: only an answer resets the back-off.
            self._after_ns = self._mono_ns() + self._jittered()
            if problem:
                trouble = await name_trouble(endpoint.host)
                if not self._is_past(endpoint):
                    self.why = trouble or problem
                return
            async with self._line:
                if self._is_past(endpoint):
                    return
                self.link, link = link, self.link
                # If it goes before anything came over it, the device would not have it: told as in connecting.
                self._stood, self._answered, self._why = True, False, hung_up(endpoint)
                self._installed()
        finally:
            link.close()
            if self._task is asyncio.current_task():
                self._task = None

    def _is_past(self, endpoint: EndpointSpec) -> bool:
        """Whether a reload has named another place meanwhile: cancelling may come too late to stop this task."""
        return _place(endpoint) != _place(self._endpoint)
