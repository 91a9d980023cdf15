"""Addresses of browsers, as they are and as a proxy names them."""

from __future__ import annotations

import pytest

from nightrake.page.addresses import forwarded_address, plain_address


@pytest.mark.parametrize(
    ("lines", "address"),
    [
        (["203.0.113.9"], "203.0.113.9"),
        (["192.0.2.66, 203.0.113.9"], "203.0.113.9"),
        (["192.0.2.66", "203.0.113.9"], "203.0.113.9"),
        (["127.0.0.1, 192.0.2.66", " 203.0.113.9 "], "203.0.113.9"),
        (["203.0.113.9:51544"], "203.0.113.9"),
        (["[2001:db8::7]:51544"], "2001:db8::7"),
        (["[2001:db8::7]"], "2001:db8::7"),
        (["2001:DB8:0::7"], "2001:db8::7"),
        (["::ffff:203.0.113.9"], "203.0.113.9"),
        (["unknown"], ""),
        (["203.0.113.9, "], ""),
        (["203.0.113.9:99999999"], ""),
        ([""], ""),
        ([], ""),
    ],
)
def test_the_last_that_a_proxy_says_is_who_came(lines: list[str], address: str) -> None:
    """One proxy writes on, another adds a line, a third the port; what stands before came with the request.

    Source: RFC 9110, section 5.3 (several lines are one list, in order); of proxies: common practice, no source.
    """
    assert forwarded_address(lines) == address


def test_ipv4_through_an_ipv6_socket_is_ipv4() -> None:
    """Source: RFC 4291, section 2.5.5.2."""
    assert plain_address("::ffff:10.0.0.9") == "10.0.0.9"
    assert plain_address("fe80::1%eth0") == "fe80::1"
