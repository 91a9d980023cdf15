"""Servers that take what a channel sends: HTTP (standard library) and SMTP (aiosmtpd), each in a thread of its own."""

from __future__ import annotations

import json
import ssl
import threading
from email import message_from_bytes
from email.message import Message
from email.policy import default
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session


def server_context(files: tuple[Path, Path] | None) -> ssl.SSLContext | None:
    """TLS with a certificate and its key."""
    if files is None:
        return None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*files)
    return context


class Webhook:
    """Takes POSTs on 127.0.0.1.

    Args:
        tls: Certificate and key, or None. answer: Status that it gives.
    """

    def __init__(self, tls: tuple[Path, Path] | None = None, answer: int = 200) -> None:
        self.got: list[tuple[str, dict[str, Any]]] = []
        self.answer = answer
        self.hold = threading.Event()
        """While it is not set, nothing is answered."""
        self.hold.set()
        hook = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                length = int(self.headers["Content-Length"])
                body = json.loads(self.rfile.read(length))
                hook.got.append((self.path, body))
                hook.hold.wait(20.0)
                self.send_response(hook.answer)
                if 300 <= hook.answer < 400:
                    self.send_header("Location", "/elsewhere")
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                """Nothing on the terminal."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        context = server_context(tls)
        if context is not None:
            self._server.socket = context.wrap_socket(self._server.socket, server_side=True)
        # A handshake that fails is the client's affair.
        self._server.handle_error = lambda *_: None  # type: ignore[method-assign]
        self.port = int(self._server.server_address[1])
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), name="webhook")
        self._thread.start()

    def stop(self) -> None:
        """No longer there."""
        self.hold.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


class MailServer:
    """Takes mail on 127.0.0.1.

    Args:
        port: Where. tls: Certificate and key for STARTTLS, or None. refuse: Recipients that it does not know.
    """

    def __init__(self, port: int, tls: tuple[Path, Path] | None = None, refuse: tuple[str, ...] = ()) -> None:
        self.got: list[tuple[str, Message]] = []
        self.encrypted: list[bool] = []
        self._refuse = refuse
        given: dict[str, Any] = {"tls_context": server_context(tls), "require_starttls": True} if tls else {}
        self._controller = Controller(self, hostname="127.0.0.1", port=port, ready_timeout=10.0, **given)
        self._controller.start()

    async def handle_RCPT(  # noqa: N802  (the library's name)
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if address in self._refuse:
            return "550 5.1.1 no such mailbox here"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        content = envelope.content
        assert isinstance(content, bytes)
        self.encrypted.append(session.ssl is not None)
        for address in envelope.rcpt_tos:
            self.got.append((address, message_from_bytes(content, policy=default)))
        return "250 OK"

    def stop(self) -> None:
        """No longer there."""
        self._controller.stop()
