"""The head of a request, looked at byte by byte before anything reads it: what two programs could read differently is
refused, so that nothing is smuggled past a proxy. Pure.

Source: RFC 9112, sections 2.2 (line ends), 3.2 (Host), 5.2 (folded lines) and 6.3 (lengths); where it lets a server
refuse, this one does. No browser sends any of these.
"""

from __future__ import annotations

import re
from typing import NamedTuple

LONGEST = 16 * 1024
"""Bytes of a head."""
END = b"\r\n\r\n"
_FIRST = re.compile(rb"[A-Z]{1,16} /[\x21-\x7e]* HTTP/1\.[01]")
_FIELD = re.compile(
    rb"[-!#$%&'*+.^_`|~0-9A-Za-z]+:[ \t]*([\x21-\x7e\x80-\xff]([\t\x20-\x7e\x80-\xff]*[\x21-\x7e\x80-\xff])?)?[ \t]*"
)
_ONCE = (b"host", b"content-length", b"transfer-encoding", b"content-type", b"origin")


class Wrong(NamedTuple):
    """Why a head is refused: status and one sentence."""

    status: int
    why: str


def wrong_with(head: bytes) -> Wrong | None:
    """Why a complete head, its empty line included, is refused; None where it is not."""
    lines = head.removesuffix(END).split(b"\r\n")
    if not _FIRST.fullmatch(lines[0]):
        return Wrong(400, "the first line is no request of HTTP/1.1 for a path of this server")
    names = []
    for line in lines[1:]:
        if not _FIELD.fullmatch(line):
            return Wrong(400, "a header line is not well formed")
        name, _, value = line.partition(b":")
        names.append(name.lower())
        if names[-1] == b"content-length" and not re.fullmatch(rb"[0-9]{1,15}", value.strip()):
            return Wrong(400, "Content-Length is no number")
        if names[-1] == b"transfer-encoding" and value.strip().lower() != b"chunked":
            return Wrong(501, "of transfer codings only chunked is known")
    for name in _ONCE:
        if names.count(name) > 1:
            return Wrong(400, f"{name.decode()} is given more than once")
    if b"transfer-encoding" in names and (b"content-length" in names or lines[0].endswith(b"1.0")):
        return Wrong(400, "the length of the body is given twice over, or in a way that HTTP/1.0 does not have")
    if b"host" not in names:
        return Wrong(400, "the Host header is missing")
    return None


def answer_to(wrong: Wrong) -> bytes:
    """The whole answer that refuses a request; the connection ends with it."""
    reasons = {
        400: "Bad Request",
        408: "Request Timeout",
        431: "Request Header Fields Too Large",
        501: "Not Implemented",
    }
    body = f"{wrong.why}\n".encode()
    head = (
        f"HTTP/1.1 {wrong.status} {reasons.get(wrong.status, 'Service Unavailable')}\r\nconnection: close\r\n"
        f"content-type: text/plain; charset=utf-8\r\nx-content-type-options: nosniff\r\n"
        f"content-length: {len(body)}\r\n\r\n"
    )
    return head.encode() + body
