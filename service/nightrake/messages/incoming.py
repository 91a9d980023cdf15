"""What a broker may send us without our paying for it: a packet longer than any of ours is read and thrown away.

The library gathers a whole packet in memory before it hands it over, and a packet may have 256 MB. On MQTT 5 the broker
is told how much we take; one that does not heed it, and any on MQTT 3.1.1, is bounded here.
"""

from __future__ import annotations

from typing import Any

PACKET_BYTES = 64 * 1024
"""What is meant for us is far shorter."""
HEAD_BYTES = 20 * 1024
"""Kept of a longer packet: enough to see whose it is, and that it is too long."""


def bound_packets(client: Any) -> None:
    """Put the bound into a client of the library, before it connects.

    Args:
        client: A paho client; it reads its socket through `_sock_recv`, into `_in_packet`.
    """
    receive = client._sock_recv

    def bounded(size: int) -> bytes:
        packet = client._in_packet
        if packet["remaining_length"] > PACKET_BYTES:
            packet["packet"] = packet["packet"][:HEAD_BYTES]
            size = min(size, PACKET_BYTES)
        data: bytes = receive(size)
        return data

    client._sock_recv = bounded
