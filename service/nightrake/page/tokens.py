"""Cookies and the tokens that prove a form came from a page of ours."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import secrets

SESSION, FORM, BROWSER = "nightrake", "nightrake-form", "nightrake-browser"
"""Names of the cookies; over TLS ``__Host-`` stands before them, which only this host over TLS can set."""
BYTES = 32
"""Random bytes of an id: 256 bits."""
LONGEST = 200


def new_id() -> str:
    """An id that nobody can guess."""
    return secrets.token_urlsafe(BYTES)


def key_of(session_id: str) -> bytes:
    """What is kept of a session's id: whoever reads the file cannot use it."""
    return hashlib.sha256(session_id.encode()).digest()


def cookie_name(name: str, secure: bool) -> str:
    """The name as it is set."""
    return f"__Host-{name}" if secure else name


def cookie_in(header: str, name: str) -> str:
    """The value of a cookie; "" where there is none, or more than one, since one of them was put there by another."""
    values = [
        value for part in header.split(";") if (pair := part.strip().partition("="))[0] == name and (value := pair[2])
    ]
    return values[0] if len(values) == 1 and len(values[0]) <= LONGEST else ""


def set_cookie(name: str, value: str, secure: bool, max_age_s: int | None) -> str:
    """A Set-Cookie line; max_age_s None = until the browser is closed, 0 = it is taken away."""
    age = "" if max_age_s is None else f"; Max-Age={max_age_s}"
    return f"{cookie_name(name, secure)}={value}; Path=/; HttpOnly; SameSite=Strict{age}{'; Secure' if secure else ''}"


def csrf_token(secret: bytes, purpose: str, cookie: str) -> str:
    """A token bound to a cookie. Masked anew each time, so that compression tells nothing about it.

    Args:
        secret: The server's own. purpose: What it may be used for. cookie: The session's id, or the form cookie.
    """
    mac, mask = _mac(secret, purpose, cookie), secrets.token_bytes(BYTES)
    return base64.urlsafe_b64encode(mask + _xor(mac, mask)).decode().rstrip("=")


def csrf_holds(secret: bytes, purpose: str, cookie: str, token: str) -> bool:
    """Whether a token was made by `csrf_token` for this cookie."""
    if not cookie or not 0 < len(token) <= LONGEST or not token.isascii():
        return False
    try:
        raw = base64.urlsafe_b64decode(token + "=" * (-len(token) % 4))
    except (ValueError, binascii.Error):
        return False
    if len(raw) != 2 * BYTES:
        return False
    return hmac.compare_digest(_xor(raw[:BYTES], raw[BYTES:]), _mac(secret, purpose, cookie))


def _mac(secret: bytes, purpose: str, cookie: str) -> bytes:
    return hmac.digest(secret, f"{purpose}\n{cookie}".encode(), "sha256")


def _xor(one: bytes, other: bytes) -> bytes:
    return bytes(a ^ b for a, b in zip(one, other, strict=True))
