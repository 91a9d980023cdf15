"""A network line between a client and a server that a test cuts, joins again, or lets go silent."""

from __future__ import annotations

import contextlib
import socket
import threading


class Line:
    """Forwards connections of a port of its own.

    Args:
        to: Port of the server, of 127.0.0.1.

    Attributes:
        port: Where a client comes.
    """

    def __init__(self, to: int) -> None:
        self._to = to
        self._ends: set[socket.socket] = set()
        self._open = threading.Event()
        self._open.set()
        self._is_cut = False
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listening.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listening.accept()
            except OSError:
                return
            try:
                server = None if self._is_cut else socket.create_connection(("127.0.0.1", self._to))
            except OSError:
                server = None
            if server is None:
                client.close()
                continue
            self._ends |= {client, server}
            for pair in ((client, server), (server, client)):
                threading.Thread(target=self._forward, args=pair, daemon=True).start()

    def _forward(self, source: socket.socket, to: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(65536):
                self._open.wait()
                to.sendall(data)
        self._end(source)
        self._end(to)

    def _end(self, end: socket.socket) -> None:
        with contextlib.suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
        end.close()
        self._ends.discard(end)

    def cut(self) -> None:
        """Every connection breaks, and none is made."""
        self._is_cut = True
        for end in list(self._ends):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def join(self) -> None:
        """Connections are made again."""
        self._is_cut = False

    def silence(self, silent: bool) -> None:
        """Connections stand, and nothing comes through."""
        (self._open.clear if silent else self._open.set)()

    def close(self) -> None:
        """End everything."""
        with contextlib.suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        self.cut()
        self._open.set()
