"""The line to the store: connections that can be cut from outside, and answers of which only so much is ever read.

urllib3's time-out begins anew with each byte, so a peer that drips could hold a thread and a socket for ever; and it
reads an answer whole, unpacked, however long it is.
"""

from __future__ import annotations

import contextlib
import socket
import threading
from typing import Any

import urllib3
from urllib3.connection import HTTPConnection, HTTPSConnection

ANSWER_LIMIT = 16 * 1024
"""Bytes of an answer that are read at most; a store's words are shorter."""


class Cut(threading.Event):
    """What cuts every connection of one worker, now and from then on."""

    def __init__(self) -> None:
        super().__init__()
        self._lock = threading.Lock()
        self._handles: set[socket.socket] = set()
        self.made = 0
        """Connections made so far."""

    def took(self, sock: socket.socket) -> socket.socket:
        """A connection was made.

        Returns:
            A handle to cut it by; a second one, since TLS takes over the first.

        Raises:
            OSError: It is cut already.
        """
        with self._lock:
            if self.is_set():
                sock.close()
                raise OSError("the connection is cut")
            handle = sock.dup()
            self._handles.add(handle)
            self.made += 1
            return handle

    def dropped(self, handle: socket.socket) -> None:
        """A connection was closed."""
        with self._lock:
            self._handles.discard(handle)
        handle.close()

    def cut(self) -> None:
        """Whoever reads or writes on one of them gets an error at once."""
        with self._lock:
            self.set()
            for handle in self._handles:
                with contextlib.suppress(OSError):
                    handle.shutdown(socket.SHUT_RDWR)


def pools(cut: Cut, given: urllib3.PoolManager) -> Bounded:
    """Make a pool manager's connections cuttable and its answers bounded."""

    class Held:
        """Mixed into a connection class."""

        handle: socket.socket | None = None

        def _new_conn(self) -> socket.socket:
            sock: socket.socket = super()._new_conn()  # type: ignore[misc]
            self.handle = cut.took(sock)
            return sock

        def close(self) -> None:
            try:
                super().close()  # type: ignore[misc]
            finally:
                handle, self.handle = self.handle, None
                if handle is not None:
                    cut.dropped(handle)

    class Plain(Held, HTTPConnection):
        pass

    class Encrypted(Held, HTTPSConnection):
        pass

    class PlainPool(urllib3.HTTPConnectionPool):
        ConnectionCls = Plain

    class EncryptedPool(urllib3.HTTPSConnectionPool):
        ConnectionCls = Encrypted

    given.pool_classes_by_scheme = {"http": PlainPool, "https": EncryptedPool}
    return Bounded(given, cut)


class Said:
    """An answer as influxdb-client looks at it; its words as UTF-8, however they came."""

    def __init__(self, response: urllib3.BaseHTTPResponse, data: bytes) -> None:
        self.status = response.status
        self.reason = response.reason
        self.headers = response.headers
        packed = response.headers.get("content-encoding")
        self.words = f"(packed as {packed[:20]})" if packed and data else data.decode("utf-8", "replace").strip()
        self.data = self.words.encode()


SINGLES = 3
"""Connections in a row that each gave one answer and were closed: this peer closes after every answer."""


class Bounded:
    """Takes the place of influxdb-client's pool manager.

    A store that is killed and is back before the next write would go unnoticed: a new connection is made for the old
    one without a word. So it is seen here whether a connection ended unasked.

    Args:
        given: Makes the requests. cut: Counts the connections.

    Attributes:
        last: The answer to the last request. lost: The last request needed a new connection, and the one before it had
            not been closed in an orderly way.
    """

    def __init__(self, given: urllib3.PoolManager, cut: Cut) -> None:
        self._given = given
        self._cut = cut
        self._served = self._singles = 0
        self._closing = False
        self.last: Said | None = None
        self.lost = False

    def request(self, method: str, url: str, **more: Any) -> Said:
        """One request; of the answer's body no more than `ANSWER_LIMIT`, never unpacked."""
        self.last, self.lost = None, False
        made = self._cut.made
        try:
            response = self._given.request(method, url, **{**more, "preload_content": False, "redirect": False})
        except BaseException:
            self._served = 0  # whoever asked knows of it
            raise
        try:
            data = response.read(ANSWER_LIMIT, decode_content=False)
        except BaseException:
            self._served = 0
            response.close()
            raise
        if len(data) >= ANSWER_LIMIT:
            response.close()
        response.release_conn()
        self._count(response, is_new=self._cut.made > made, is_whole=len(data) < ANSWER_LIMIT)
        self.last = Said(response, data)
        return self.last

    def _count(self, response: urllib3.BaseHTTPResponse, *, is_new: bool, is_whole: bool) -> None:
        if is_new:
            self._singles = self._singles + 1 if self._served == 1 else 0
            self.lost = bool(self._served) and not self._closing and self._singles < SINGLES
            self._served = 0
        self._served += 1
        said = response.headers.get("connection", "").lower()
        old = getattr(response, "version", 11) == 10 and "keep-alive" not in said
        self._closing = "close" in said or old or not is_whole

    def clear(self) -> None:
        """Close every connection."""
        self._given.clear()
