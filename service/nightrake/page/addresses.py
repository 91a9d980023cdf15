"""Addresses of browsers. Pure."""

from __future__ import annotations

import ipaddress
import re


def plain_address(address: str) -> str:
    """An address as it is compared and shown: IPv4 that came in through an IPv6 socket is IPv4."""
    try:
        ip = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    mapped = ip.ipv4_mapped if isinstance(ip, ipaddress.IPv6Address) else None
    return str(mapped or ip)


def forwarded_address(lines: list[str]) -> str:
    """Whom a proxy names as having come to it: the last of all it says, for what stands before came with the request.

    Args:
        lines: Every X-Forwarded-For line, in order: one proxy writes on, another adds a line of its own.

    Returns:
        The address, without the port that some proxies add; "" where it is none.
    """
    last = lines[-1].rpartition(",")[2].strip() if lines else ""
    with_port = re.fullmatch(r"\[([0-9A-Fa-f:.]+)\](?::[0-9]{1,5})?|([0-9.]+):[0-9]{1,5}", last)
    found = plain_address((with_port[1] or with_port[2]) if with_port is not None else last)
    try:
        ipaddress.ip_address(found)
    except ValueError:
        return ""
    return found


def is_loopback(address: str) -> bool:
    """Whether an address is of this machine."""
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False
