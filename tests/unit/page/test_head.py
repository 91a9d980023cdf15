"""Heads of requests that two programs could read differently are refused. Source: RFC 9112, as the module says."""

from __future__ import annotations

import pytest

from nightrake.page.head import wrong_with

PLAIN = "GET / HTTP/1.1\r\nHost: localhost\r\n"


@pytest.mark.parametrize(
    "head",
    [
        PLAIN,
        "POST /sign-in HTTP/1.1\r\nHost: [::1]:8470\r\nContent-Length: 12\r\nX-Empty:\r\nAccept: a, b\t;q=0.1\r\n",
        "POST /csp HTTP/1.1\r\nhost: x\r\ntransfer-encoding: chunked\r\n",
        "GET /live?where=drive/PC1 HTTP/1.0\r\nHost: x\r\n",
    ],
)
def test_what_browsers_send_is_taken(head: str) -> None:
    """The strictness costs nobody anything."""
    assert wrong_with(head.encode() + b"\r\n") is None


@pytest.mark.parametrize(
    "head",
    [
        "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n",
        "POST / HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\nTransfer-Encoding: chunked\r\n",
        "POST / HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: xchunked\r\n",
        "POST / HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: gzip, chunked\r\n",
        "POST / HTTP/1.1\r\nHost: x\r\nTransfer-Encoding : chunked\r\n",
        "POST / HTTP/1.1\r\nHost: x\r\nTransfer-Encoding:\x0bchunked\r\n",
        "POST / HTTP/1.0\r\nHost: x\r\nTransfer-Encoding: chunked\r\n",
        "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 5\r\nContent-Length: 5\r\n",
        "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 5, 5\r\n",
        "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: +5\r\n",
        "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: -5\r\n",
        "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 0x5\r\n",
        "GET / HTTP/1.1\r\nHost: x\r\nHost: y\r\n",
        "GET / HTTP/1.1\r\nAccept: x\r\n",
        "GET / HTTP/1.1\r\nHost: x\r\n folded: y\r\n",
        "GET / HTTP/1.1\r\nHost: x\nX: y\r\n",
        "GET / HTTP/1.1\r\nHost: x\r\nA: b\rc\r\n",
        "GET / HTTP/1.1\r\nHost: x\r\nA: b\x00c\r\n",
        "GET / HTTP/1.1\r\nHost: x\r\n: y\r\n",
        "GET / HTTP/1.1\r\nHost: x\r\nno colon\r\n",
        "GET http://other/ HTTP/1.1\r\nHost: x\r\n",
        "GET  / HTTP/1.1\r\nHost: x\r\n",
        "GET /a b HTTP/1.1\r\nHost: x\r\n",
        "GET / HTTP/2.0\r\nHost: x\r\n",
        "GET /\r\nHost: x\r\n",
        "CONNECT x:80 HTTP/1.1\r\nHost: x\r\n",
        "\x16\x03\x01\r\n",
    ],
)
def test_what_could_be_read_in_two_ways_is_refused(head: str) -> None:
    """Each with one sentence."""
    wrong = wrong_with(head.encode("latin-1") + b"\r\n")

    assert wrong is not None
    assert wrong.status in (400, 501)
    assert "\n" not in wrong.why
