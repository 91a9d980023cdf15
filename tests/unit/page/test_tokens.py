"""Cookies and form tokens."""

from __future__ import annotations

import pytest

from nightrake.page.tokens import cookie_in, cookie_name, csrf_holds, csrf_token, key_of, new_id, set_cookie

SECRET = b"s" * 32


def test_a_token_holds_for_its_cookie_and_purpose_only() -> None:
    """Another session's token, another server's, another purpose's: none is taken."""
    cookie = new_id()
    token = csrf_token(SECRET, "session", cookie)

    assert csrf_holds(SECRET, "session", cookie, token)
    assert not csrf_holds(SECRET, "session", new_id(), token)
    assert not csrf_holds(SECRET, "form", cookie, token)
    assert not csrf_holds(b"t" * 32, "session", cookie, token)


def test_a_token_looks_different_each_time() -> None:
    """So that the length of a compressed page says nothing about it (BREACH, CVE-2013-3587)."""
    cookie = new_id()

    assert len({csrf_token(SECRET, "session", cookie) for _ in range(20)}) == 20


@pytest.mark.parametrize("token", ["", "x", "A" * 86, "A" * 4000, "é" * 86, "=", "a b", "\x00" * 86])
def test_nonsense_is_no_token(token: str) -> None:
    """Whatever comes, it is a plain no."""
    assert not csrf_holds(SECRET, "session", new_id(), token)
    assert not csrf_holds(SECRET, "session", "", token)


def test_a_cookie_given_twice_is_none() -> None:
    """A second one was put there by somebody else's page."""
    assert cookie_in("a=1; nightrake=x", "nightrake") == "x"
    assert cookie_in("nightrake=x; nightrake=y", "nightrake") == ""
    assert cookie_in("xnightrake=x", "nightrake") == ""
    assert cookie_in("nightrake=" + "x" * 500, "nightrake") == ""


def test_cookies_are_out_of_reach_of_scripts_and_other_sites() -> None:
    """Source: RFC 6265bis, 4.1.3.2: a __Host- cookie is Secure, has the path / and no domain."""
    secure, plain = set_cookie("nightrake", "x", True, None), set_cookie("nightrake", "x", False, None)

    assert secure == "__Host-nightrake=x; Path=/; HttpOnly; SameSite=Strict; Secure"
    assert plain == "nightrake=x; Path=/; HttpOnly; SameSite=Strict"
    assert cookie_name("nightrake", True) == "__Host-nightrake"


def test_ids_have_256_bits_and_only_their_digest_is_kept() -> None:
    """Forty-three characters of base64 are 256 bits; the digest is one way."""
    assert len(new_id()) == 43
    assert len({new_id() for _ in range(100)}) == 100
    assert len(key_of("x")) == 32
