"""What stands before every request, and the headers behind every answer. Pure ASGI, in this order from outside:

errors -> headers -> host -> origin -> body -> turn. A refusal is a problem (RFC 9457) of one sentence.
"""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any
from urllib.parse import urlsplit

from nightrake.domain.cleantext import clean
from nightrake.page.addresses import forwarded_address, is_loopback, plain_address
from nightrake.page.guesses import network_of
from nightrake.page.problems import MEDIA_TYPE, Problem, problem_body
from nightrake.page.startturns import StartTurns

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

LONGEST_BODY = 64 * 1024
"""Bytes of a request's body."""
FAULT = "the page has a fault; it is in its log, please report it"
UNSAFE = ("POST", "PUT", "PATCH", "DELETE")
REPORTS = "/csp"
_HOST = re.compile(r"(\[[0-9a-f:.]+\]|[a-z0-9._-]+)(?::[0-9]{1,5})?")
LOOPBACK = ("localhost", "127.0.0.1", "::1")
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "font-src 'none'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'; report-uri " + REPORTS
)
ALWAYS = {
    b"content-security-policy": POLICY.encode(),
    b"x-content-type-options": b"nosniff",
    b"referrer-policy": b"same-origin",
    b"cross-origin-opener-policy": b"same-origin",
    b"cross-origin-resource-policy": b"same-origin",
    b"permissions-policy": b"camera=(), microphone=(), geolocation=()",
}
STRICT_TRANSPORT = b"max-age=31536000"


def header(scope: Scope, name: bytes) -> str:
    """A request header; "" where it is missing."""
    return next((value.decode("latin-1") for key, value in scope["headers"] if key == name), "")


def host_of(text: str) -> str:
    """The name in a Host header, without the port; "" where it is none."""
    found = _HOST.fullmatch(text.lower())
    return found.group(1).strip("[]").rstrip(".") if found is not None else ""


def _peer(scope: Scope) -> str:
    client = scope.get("client")
    return plain_address(str(client[0])) if client else ""


class Place:
    """Where the page is reached, and by what names.

    Args:
        host: It listens there. tls: Itself, not a proxy. public_url: As people type it. hosts: Further names.
    """

    def __init__(self, host: str, *, tls: bool, public_url: str = "", hosts: tuple[str, ...] = ()) -> None:
        self.tls = tls
        public = urlsplit(public_url)
        self.public_origin = f"{public.scheme}://{public.netloc}".lower() if public.netloc else ""
        self._public_host = public.hostname or ""
        own = () if host in ("0.0.0.0", "::", "") else (host,)
        names = (*LOOPBACK, *own, *hosts, self._public_host)
        self._names = {name.strip("[]").rstrip(".").lower() for name in names if name}

    def knows(self, host_header: str) -> bool:
        """Whether a request is meant for this page: a name of somebody else's that leads here is not."""
        return host_of(host_header) in self._names

    def origins(self, host_header: str) -> set[str]:
        """Origins that a page of ours has, asked for under this name."""
        own = f"{'https' if self.tls else 'http'}://{host_header.lower()}"
        return {own, self.public_origin} - {""}

    def is_secure(self, scope: Scope) -> bool:
        """Whether the browser came over TLS, to here or to a proxy of this machine that the public address names."""
        if self.tls:
            return True
        if not self.public_origin.startswith("https:") or not is_loopback(_peer(scope)):
            return False
        return bool(self._forwarded(scope)) or host_of(header(scope, b"host")) == self._public_host

    def address_of(self, scope: Scope) -> str:
        """Where the browser is: a proxy of this machine is believed, where the settings name its address."""
        return self._forwarded(scope) or _peer(scope)

    def _forwarded(self, scope: Scope) -> str:
        if not self.public_origin or not is_loopback(_peer(scope)):
            return ""
        return forwarded_address([v.decode("latin-1") for k, v in scope["headers"] if k == b"x-forwarded-for"])


class Gone(Exception):
    """The browser has left before its request was complete."""


class Shields:
    """All of them around an application.

    Args:
        app: What answers. place: Its names. log: Takes one line.
    """

    def __init__(self, app: App, place: Place, log: Callable[[str], None]) -> None:
        self._app, self._place, self._log = app, place, log
        self._turns = StartTurns()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            return
        begun = False

        async def sending(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                message["headers"] = self._headers(message.get("headers", []), scope)
            await send(message)

        try:
            self._check(scope)
            body = await self._whole_body(scope, receive)
            await self._turns.begin(network_of(self._place.address_of(scope)))
            await self._app(scope, body, sending)
        except Gone:
            return
        except Problem as problem:
            if not begun:
                await _answer(problem, sending)
        except Exception as error:  # noqa: BLE001  a fault of one answer must not take the others with it
            words = f"{scope['method']} {clean(scope['path'], 200)}: {type(error).__name__}: {clean(str(error), 300)}"
            self._log(words)
            if not begun:
                await _answer(Problem(500, FAULT), sending)

    def _headers(self, given: list[tuple[bytes, bytes]], scope: Scope) -> list[tuple[bytes, bytes]]:
        names = {name.lower() for name, _ in given}
        more = dict(ALWAYS)
        if self._place.is_secure(scope):
            more[b"strict-transport-security"] = STRICT_TRANSPORT
        more.setdefault(b"cache-control", b"no-store")
        return [*given, *((name, value) for name, value in more.items() if name not in names)]

    def _check(self, scope: Scope) -> None:
        host = header(scope, b"host")
        if not self._place.knows(host):
            name = clean(host, 80)
            raise Problem(421, f"this page does not go by the name '{name}'; where it should, add it to page.hosts")
        if scope["method"] not in (*UNSAFE, "GET", "HEAD"):
            raise Problem(405, f"{clean(scope['method'], 16)} is not used here", {"Allow": "GET, HEAD, POST"})
        if scope["method"] in UNSAFE and scope["path"] != REPORTS:
            self._check_origin(scope, host)

    def _check_origin(self, scope: Scope, host: str) -> None:
        """A page of somebody else's cannot make a browser send anything here that has an effect."""
        origin, site = header(scope, b"origin").lower(), header(scope, b"sec-fetch-site").lower()
        if (site and site != "same-origin") or (origin and origin not in self._place.origins(host)):
            raise Problem(403, "this was sent by a page of another site; open the page itself and try again")
        if not site and not origin:
            raise Problem(403, "the Origin header is missing: send the address of this page in it")

    async def _whole_body(self, scope: Scope, receive: Receive) -> Receive:
        """The body is read before anybody works with it; it is short."""
        length = header(scope, b"content-length")
        if length and int(length) > LONGEST_BODY:
            raise Problem(413, f"a request may have {LONGEST_BODY} bytes")
        if scope["method"] not in UNSAFE:
            return receive
        body = bytearray()
        while True:
            message = await receive()
            if message["type"] == "http.disconnect":
                raise Gone
            body += message.get("body", b"")
            if len(body) > LONGEST_BODY:
                raise Problem(413, f"a request may have {LONGEST_BODY} bytes")
            if not message.get("more_body"):
                return _given_once(bytes(body), receive)


def _given_once(body: bytes, receive: Receive) -> Receive:
    given = False

    async def again() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return again


async def _answer(problem: Problem, send: Send) -> None:
    body = problem_body(problem.status, problem.detail)
    more = [(name.lower().encode(), value.encode()) for name, value in problem.headers.items()]
    headers = [(b"content-type", MEDIA_TYPE.encode()), (b"content-length", str(len(body)).encode()), *more]
    await send({"type": "http.response.start", "status": problem.status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
