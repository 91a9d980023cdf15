"""Why a connection to a named host fails: a name that nobody knows reads like a PLC that is away, and is not that."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket
import threading

LOOK_S = 3.0
"""A name server that does not answer within this time is not waited for."""
_UNKNOWN = frozenset((socket.EAI_NONAME, getattr(socket, "EAI_NODATA", socket.EAI_NONAME)))


async def name_trouble(host: str) -> str:
    """Look a host's name up, in a thread of its own, which nobody has to wait for.

    Args:
        host: Name or address.

    Returns:
        What is wrong with the name, in a few words; "" for an address, and for a name that is known.
    """
    try:
        ipaddress.ip_address(host)
    except ValueError:
        pass
    else:
        return ""
    loop = asyncio.get_running_loop()
    future: asyncio.Future[str] = loop.create_future()

    def settle(words: str) -> None:
        if not future.done():
            future.set_result(words)

    def look() -> None:
        words = _look_up(host)
        with contextlib.suppress(RuntimeError):  # the loop is closed already
            loop.call_soon_threadsafe(settle, words)

    threading.Thread(target=look, name=f"look up {host}", daemon=True).start()
    try:
        async with asyncio.timeout(LOOK_S):
            return await future
    except TimeoutError:
        return f"host name '{host}' cannot be looked up: no answer from the name server"


def _look_up(host: str) -> str:
    try:
        socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)
    except socket.gaierror as error:
        if error.errno in _UNKNOWN:
            return f"host name '{host}' is not known; check it and the name server"
        return f"host name '{host}' cannot be looked up: {error.strerror}"
    except (OSError, UnicodeError):
        return f"host name '{host}' cannot be a name"
    return ""
