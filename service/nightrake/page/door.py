"""Where browsers come in: a bounded number of connections, those in their TLS handshake included."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
import time
from collections import Counter
from collections.abc import Callable
from email.utils import formatdate
from typing import Any

import uvicorn
from uvicorn.server import ServerState

from nightrake.page.addresses import plain_address
from nightrake.page.connection import IDLE_S, UNSENT, Connection
from nightrake.page.guesses import network_of
from nightrake.page.head import Wrong, answer_to

CONNECTIONS = 300
"""At once; for one more an idle one of the address that holds the most is ended."""
PER_ADDRESS = 100
"""Of one address that others have to make room for: beyond this also its busy ones are ended for somebody else; for an
address from which somebody has signed in lately, also those of one that has fewer, if nobody has from there."""
HANDSHAKE_S = 10.0
LOOK_S = 0.5
UNHEARD_MS = 30_000
"""A peer that acknowledges nothing for this long has gone."""
FULL = answer_to(Wrong(503, f"{CONNECTIONS} connections are open already; try again in a few seconds"))


class Guest:
    """One connection, from accept to its end."""

    def __init__(self, address: str, sock: socket.socket) -> None:
        self.address, self.sock = address, sock
        self.connection: Connection | None = None
        self.task: asyncio.Task[None] | None = None

    def end(self) -> None:
        """At once."""
        if self.is_welcome:
            assert self.connection is not None
            self.connection.transport.abort()
        elif self.task is not None:
            self.task.cancel()

    @property
    def is_welcome(self) -> bool:
        """Whether its handshake, if there is one, is done."""
        return self.connection is not None and self.connection.transport is not None


class Door:
    """Accepts, guards and ends connections.

    Args:
        app: The ASGI application. listening: A socket that listens. tls: None = plain.
        now_s: Monotonic. most: See `CONNECTIONS`. knows: Whether somebody has signed in from an address lately.
    """

    def __init__(
        self,
        app: Any,
        listening: socket.socket,
        tls: ssl.SSLContext | None,
        now_s: Callable[[], float] = time.monotonic,
        most: int = CONNECTIONS,
        knows: Callable[[str], bool] = lambda address: False,
    ) -> None:
        self._listening, self._tls, self._now_s, self._most, self._knows = listening, tls, now_s, most, knows
        # No lifespan, no logs of its own, no trust in headers that claim to be a proxy's.
        self._config = uvicorn.Config(
            app,
            lifespan="off",
            http=Connection,
            ws="none",
            log_config=None,
            log_level="critical",
            access_log=False,
            proxy_headers=False,
            server_header=False,
            timeout_keep_alive=IDLE_S,
        )
        self._config.load()
        self._state = ServerState()
        self._guests: dict[Guest, None] = {}  # the oldest first

    @property
    def count(self) -> int:
        """Connections that are open."""
        return len(self._guests)

    async def run(self) -> None:
        """Until cancelled; then every connection is ended."""
        looking = asyncio.get_running_loop().create_task(self._look_after(), name="page connections")
        try:
            while True:
                # Not `sock_accept`: cancelled between accept and its return, it would leave a connection to nobody.
                try:
                    sock, address = self._listening.accept()
                except BlockingIOError:
                    await self._knocked()
                except ConnectionAbortedError:
                    continue
                except OSError:  # no more files: what is open goes on
                    await asyncio.sleep(LOOK_S)
                else:
                    sock.setblocking(False)
                    self._admit(sock, plain_address(address[0]))
                    await asyncio.sleep(0)  # a crowd at the door holds up nobody inside
        finally:
            looking.cancel()
            await self._close()

    async def _knocked(self) -> None:
        """Wait until somebody is at the door."""
        loop = asyncio.get_running_loop()
        knock = loop.create_future()

        def knocked() -> None:
            if not knock.done():
                knock.set_result(None)

        loop.add_reader(self._listening, knocked)
        try:
            await knock
        finally:
            loop.remove_reader(self._listening)

    def _admit(self, sock: socket.socket, address: str) -> None:
        if len(self._guests) >= self._most and not self._make_room(address):
            with contextlib.suppress(OSError):
                if self._tls is None:
                    sock.send(FULL)
            sock.close()
            return
        with contextlib.suppress(OSError):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNHEARD_MS)
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NOTSENT_LOWAT, UNSENT)
        guest = Guest(address, sock)
        self._guests[guest] = None
        guest.task = asyncio.get_running_loop().create_task(self._welcome(guest), name=f"page {address}")
        guest.task.add_done_callback(lambda _: self._welcomed(guest))

    def _make_room(self, address: str) -> bool:
        held = Counter(network_of(g.address) for g in self._guests)
        idle = [g for g in self._guests if g.connection is None or g.connection.is_idle]
        guest = max(idle, key=lambda g: held[network_of(g.address)], default=None)
        if guest is None:  # nobody holds all of them, however busy they keep them
            most = self._who_gives_way(address, held)
            if not most:
                return False
            guest = next(g for g in self._guests if network_of(g.address) == most)
        self._guests.pop(guest, None)
        guest.end()
        return True

    def _who_gives_way(self, address: str, held: Counter[str]) -> str:
        """The address that holds too many, or, for one that is known, the stranger that holds the most; "" = nobody."""
        most, count = held.most_common(1)[0]
        own = network_of(address)
        if count > min(PER_ADDRESS, self._most // 3) and most != own:
            return most
        if not self._knows(address):
            return ""
        return next((one for one, _ in held.most_common() if one != own and not self._knows(one.partition("/")[0])), "")

    async def _welcome(self, guest: Guest) -> None:
        def made() -> Connection:
            guest.connection = Connection(
                self._config, self._state, self._now_s, lambda _: self._guests.pop(guest, None)
            )
            return guest.connection

        try:
            seconds = HANDSHAKE_S if self._tls is not None else None
            await asyncio.get_running_loop().connect_accepted_socket(
                made, guest.sock, ssl=self._tls, ssl_handshake_timeout=seconds
            )
        except (OSError, TimeoutError):
            pass  # no TLS, or the wrong one

    def _welcomed(self, guest: Guest) -> None:
        """Whoever got no further than the handshake has gone; a socket that nothing took over is ours to close."""
        if not guest.is_welcome:
            self._guests.pop(guest, None)
        if guest.connection is None:
            guest.sock.close()

    async def _look_after(self) -> None:
        while True:
            self._state.default_headers = [(b"date", formatdate(usegmt=True).encode())]
            self.look_at_time()
            await asyncio.sleep(LOOK_S)

    def look_at_time(self) -> None:
        """Cut connections that take too long."""
        for guest in list(self._guests):
            if guest.connection is not None and guest.is_welcome:
                guest.connection.look_at_time()

    async def _close(self) -> None:
        tasks = [*self._state.tasks, *(g.task for g in self._guests if g.task is not None)]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        for guest in list(self._guests):
            guest.end()
        self._listening.close()


def listen(host: str, port: int) -> socket.socket:
    """A socket that listens.

    Raises:
        OSError: The place is taken, or not this machine's.
    """
    family, *_, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
    sock = socket.socket(family, socket.SOCK_STREAM)
    try:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind(address)
        sock.listen(128)
        sock.setblocking(False)
    except BaseException:
        sock.close()
        raise
    return sock
