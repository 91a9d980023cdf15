"""A recorder on the wire: a TCP proxy, in a process of its own, that writes down every request's function code.

usage: recorder.py PLC_PORT LOG_FILE [ADDRESS]    prints its own port, serves on ADDRESS until it is ended
Each request adds one line, the function code, to the log; a request that is no Modbus/TCP frame adds "garbage".
"""

from __future__ import annotations

import asyncio
import contextlib
import sys
from pathlib import Path


class Frames:
    """Cuts a stream of requests into frames, however it arrives."""

    def __init__(self) -> None:
        self._held = b""

    def feed(self, data: bytes) -> list[str]:
        """Take bytes; gives a word for each request that is complete now."""
        self._held += data
        words: list[str] = []
        while len(self._held) >= 8:
            length = int.from_bytes(self._held[4:6], "big")
            if self._held[2:4] != b"\0\0" or not 2 <= length <= 254:
                words.append("garbage")
                self._held = b""
                break
            if len(self._held) < 6 + length:
                break
            words.append(str(self._held[7]))
            self._held = self._held[6 + length :]
        return words


async def _pump(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, log: Path | None) -> None:
    frames = Frames()
    try:
        while data := await reader.read(65536):
            if log is not None:
                words = frames.feed(data)
                if words:
                    with log.open("a", encoding="ascii") as file:
                        file.write("".join(f"{word}\n" for word in words))
            writer.write(data)
            await writer.drain()
    except OSError:
        return
    finally:
        writer.close()


async def _serve(plc_port: int, log: Path, address: str) -> None:
    async def on_client(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            plc_reader, plc_writer = await asyncio.open_connection("127.0.0.1", plc_port)
        except OSError:
            writer.transport.abort()
            return
        back = asyncio.ensure_future(_pump(plc_reader, writer, None))
        await _pump(reader, plc_writer, log)
        back.cancel()
        await asyncio.gather(back, return_exceptions=True)

    server = await asyncio.start_server(on_client, address, 0)
    print(server.sockets[0].getsockname()[1], flush=True)
    await asyncio.get_running_loop().create_future()


if __name__ == "__main__":
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_serve(int(sys.argv[1]), Path(sys.argv[2]), [*sys.argv[3:], "127.0.0.1"][0]))
