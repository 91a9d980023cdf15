"""One browser's connection: uvicorn's, with a strict head, no pipelining, and a time for everything."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import cast

import h11
from uvicorn import Config
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

from nightrake.page.head import END, LONGEST, Wrong, answer_to, wrong_with

REQUEST_S = 10.0
"""A request, its body included, has to be here within this."""
IDLE_S = 20
"""A connection that asks nothing more is kept this long."""
STALLED_S = 30.0
"""A browser that takes nothing of what is sent for this long is cut."""
UNSENT = 16 * 1024
"""Bytes that wait for a browser that is slower than we are, here and in the kernel each."""
CLOSING_S = 5.0
LONGEST_UNREAD = 1024 * 1024
"""Bytes of a body that are read after it was refused."""


class Connection(H11Protocol):
    """See the module.

    Args:
        config, state: uvicorn's. now_s: Monotonic. left: Called when it has gone.
    """

    def __init__(
        self, config: Config, state: ServerState, now_s: Callable[[], float], left: Callable[[Connection], None]
    ) -> None:
        super().__init__(config, state, {})
        self._now_s, self._left = now_s, left
        self._head = bytearray()
        self._unread = 0
        self._request_since_s: float | None = now_s()
        self._stalled_since_s: float | None = None
        self._closing_since_s: float | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """What waits for a slow browser grows old, so little may wait."""
        both_ways = cast(asyncio.Transport, transport)
        super().connection_made(both_ways)
        both_ways.set_write_buffer_limits(high=UNSENT)

    @property
    def is_idle(self) -> bool:
        """Whether no answer is being given on it."""
        return self.cycle is None or self.cycle.response_complete

    def data_received(self, data: bytes) -> None:
        """Look at heads before h11 does; drop what comes before its time."""
        if self._closing_since_s is not None:
            return
        if self.conn.their_state is h11.IDLE:
            self._head += data
            self._begin_request()
        elif self.conn.their_state is h11.SEND_BODY:
            self._read_on(data)
        elif self.cycle is not None:  # a further request before the answer to the first: never, from a browser
            self.cycle.keep_alive = False

    def _read_on(self, data: bytes) -> None:
        """More of a body. What comes after its refusal is read for a while, so that the refusal arrives."""
        if self.cycle.response_complete:
            self._unread += len(data)
        if self._unread > LONGEST_UNREAD:
            self.transport.abort()
            return
        super().data_received(data)
        self._look()

    def _begin_request(self) -> None:
        if self._request_since_s is None:
            self._request_since_s = self._now_s()
            self._unset_keepalive_if_required()
        end = self._head.find(END)
        if end > LONGEST or (end < 0 and len(self._head) > LONGEST):
            self.refuse(Wrong(431, f"the headers are longer than {LONGEST} bytes"))
            return
        if end < 0:
            return
        data, self._head = bytes(self._head), bytearray()
        wrong = wrong_with(data[: end + len(END)])
        if wrong is not None:
            self.refuse(wrong)
            return
        super().data_received(data)
        self._look()

    def _look(self) -> None:
        """Is the request complete, and is there more than it?"""
        if self.conn.their_state in (h11.SEND_BODY, h11.IDLE):
            return
        self._request_since_s = None
        if self.conn.their_state is h11.ERROR:
            self._closing_since_s = self._now_s()
        elif self.conn.trailing_data[0] and self.cycle is not None:
            self.cycle.keep_alive = False

    def refuse(self, wrong: Wrong) -> None:
        """One sentence, and the end; where an answer has begun, the end alone."""
        if not self.transport.is_closing():
            if self.is_idle or not self.cycle.response_started:
                self.transport.write(answer_to(wrong))
            self.transport.close()
        self._closing_since_s = self._now_s()

    def on_response_complete(self) -> None:
        """An answer was given; a body that nobody read still has its time."""
        super().on_response_complete()
        if self.conn.their_state is h11.IDLE and not self._head:
            self._request_since_s = None

    def pause_writing(self) -> None:
        """The browser takes nothing more."""
        self._stalled_since_s = self._now_s()
        super().pause_writing()

    def resume_writing(self) -> None:
        """It does again."""
        self._stalled_since_s = None
        super().resume_writing()

    def look_at_time(self) -> None:
        """Cut what takes too long; called now and then."""
        now_s = self._now_s()
        if self.transport.is_closing():
            if self._closing_since_s is None:
                self._closing_since_s = now_s
            if now_s - self._closing_since_s > CLOSING_S:
                self.transport.abort()
        elif self._stalled_since_s is not None and now_s - self._stalled_since_s > STALLED_S:
            self.transport.abort()
        elif self._request_since_s is not None and now_s - self._request_since_s > REQUEST_S:
            self.refuse(Wrong(408, f"the request was not complete within {REQUEST_S:.0f} s"))

    def connection_lost(self, exc: Exception | None) -> None:
        """It has gone."""
        super().connection_lost(exc)
        self._unset_keepalive_if_required()
        self._left(self)

    def timeout_keep_alive_handler(self) -> None:
        """Nothing more was asked; a request whose head has begun has its own time."""
        if not self._head and not self.transport.is_closing():
            self.transport.close()
