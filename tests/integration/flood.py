"""Clients that send commands without end: ``python flood.py SOCKET CLIENTS SECONDS``; prints what came of it as JSON.

Each client writes as fast as the socket takes it and reads the answers beside, as a broken or hostile program would.
"""

from __future__ import annotations

import asyncio
import json
import sys
from pathlib import Path

ASKED = (
    {"what": "reset", "drive": "D0"},  # nothing is latched
    {"what": "reset", "drive": "nobody"},
    {"what": "reset", "drive": "D0", "direction": "upwards"},
    {"what": "open the valve", "drive": "D0"},
)


async def client(socket: Path, number: int, seconds: float, counts: dict[str, int]) -> None:
    """One connection; answers come in the order of the questions."""
    reader, writer = await asyncio.open_unix_connection(str(socket))
    end_s = asyncio.get_running_loop().time() + seconds

    async def ask() -> None:
        sent = 0
        while asyncio.get_running_loop().time() < end_s:
            for _ in range(50):
                request = {"verb": "command", "args": ASKED[sent % len(ASKED)], "ref": f"{number}-{sent}"}
                writer.write(json.dumps(request).encode() + b"\n")
                sent += 1
                counts["sent"] += 1
            try:
                async with asyncio.timeout_at(end_s):
                    await writer.drain()
            except TimeoutError:
                return

    async def hear() -> None:
        answered = 0
        while True:
            try:
                async with asyncio.timeout_at(end_s):
                    reply = json.loads(await reader.readline())
            except TimeoutError:
                return
            counts["in_order"] += reply["ref"] == f"{number}-{answered}"
            counts["refused"] += reply["ok"] and not reply["result"]["ok"] and bool(reply["result"]["text"])
            counts["answered"] += 1
            answered += 1

    await asyncio.gather(ask(), hear())
    writer.transport.abort()


async def main() -> None:
    """See the module."""
    socket, clients, seconds = Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])
    counts = {"sent": 0, "answered": 0, "in_order": 0, "refused": 0}
    await asyncio.gather(*(client(socket, n, seconds, counts) for n in range(clients)))
    print(json.dumps(counts))


if __name__ == "__main__":
    asyncio.run(main())
