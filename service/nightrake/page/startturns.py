"""Requests begin one at a time, each network address in its turn: whoever asks without end waits for themselves.

To render a page takes tens of milliseconds, during which nothing else happens here; and between two of them whatever is
live has its moment.
"""

from __future__ import annotations

import asyncio
from collections import deque


class StartTurns:
    """See the module."""

    def __init__(self) -> None:
        self._waiting: dict[str, deque[asyncio.Future[None]]] = {}
        self._is_going = False

    async def begin(self, address: str) -> None:
        """Return when it is this request's turn.

        Args:
            address: Whose request it is, as `guesses.network_of` counts addresses.
        """
        loop = asyncio.get_running_loop()
        turn: asyncio.Future[None] = loop.create_future()
        self._waiting.setdefault(address, deque()).append(turn)
        if not self._is_going:
            self._is_going = True
            loop.call_soon(self._next)
        await turn

    def _next(self) -> None:
        """One more may begin; the next after it in another turn of the event loop."""
        begun = False
        while self._waiting and not begun:
            address = next(iter(self._waiting))
            line = self._waiting.pop(address)
            turn = line.popleft()
            if line:
                self._waiting[address] = line  # behind all others
            begun = not turn.done()
            if begun:
                turn.set_result(None)
        self._is_going = begun
        if begun:
            asyncio.get_running_loop().call_soon(self._next)
