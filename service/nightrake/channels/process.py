"""One channel's worker process, as the event loop sees it: started when needed, ended when idle or stuck."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
from typing import Any
from urllib.parse import quote

from nightrake.channels.spec import ChannelSpec, Sent
from nightrake.domain.cleantext import clean

IDLE_S = 60.0
"""After this without a message the process ends and gives its memory back."""
START_S = 15.0
"""For the library to load, on a busy machine."""
TRIES_S = 3.0
"""A server may use its whole time-out for the connection and again for the answer."""
END_S = 1.0
DIED = "the process that sends has ended"


class Worker:
    """See the module.

    Args:
        spec: The channel.
    """

    def __init__(self, spec: ChannelSpec) -> None:
        self.spec = spec
        self._process: asyncio.subprocess.Process | None = None
        self._reader: asyncio.Task[None] | None = None
        self._waiting: dict[int, asyncio.Future[Sent]] = {}
        self._count = 0
        self._starting = asyncio.Lock()
        self._idle: asyncio.TimerHandle | None = None

    @property
    def running(self) -> bool:
        """Whether the process is there."""
        return self._process is not None

    async def send(self, address: str, subject: str, body: str) -> Sent:
        """Send one message; never raises for what the other side does.

        A process that dies on the way (killed, out of memory) says nothing of the other side: it is tried again at
        once, with another process, and once.
        """
        sent = await self._send(address, subject, body)
        return await self._send(address, subject, body) if sent.detail == DIED else sent

    async def _send(self, address: str, subject: str, body: str) -> Sent:
        spec = self.spec
        within_s = START_S + TRIES_S * spec.timeout_s
        self._count += 1
        number = self._count
        answer: asyncio.Future[Sent] = asyncio.get_running_loop().create_future()
        self._waiting[number] = answer
        hide = [spec.secret, quote(spec.secret, safe="")]
        asked = {"id": number, "url": spec.filled(address), "subject": subject, "body": body, "hide": hide}
        try:
            async with asyncio.timeout(within_s):
                process = await self._started()
                assert process.stdin is not None
                process.stdin.write(json.dumps(asked).encode() + b"\n")
                await process.stdin.drain()
                return await answer
        except TimeoutError:
            await self.end("ended, because it did not answer")  # whatever it waits for, it holds a thread
            return Sent(False, f"no answer within {within_s:g} s")
        except (BrokenPipeError, ConnectionResetError):  # it died as it was written to
            await self.end(DIED)
            return Sent(False, DIED)
        except OSError as error:
            await self.end("ended")
            return Sent(False, f"the process that sends could not be used ({error.strerror or error})")
        finally:
            self._waiting.pop(number, None)
            if not answer.done():
                answer.cancel()
            self._rest()

    async def _started(self) -> asyncio.subprocess.Process:
        async with self._starting:
            if self._idle is not None:
                self._idle.cancel()
            if self._process is None:
                environment = dict(os.environ)
                if self.spec.ca_file:
                    environment |= {"SSL_CERT_FILE": self.spec.ca_file, "REQUESTS_CA_BUNDLE": self.spec.ca_file}
                self._process = await asyncio.create_subprocess_exec(
                    *(sys.executable, "-m", "nightrake.channels.worker"),
                    stdin=asyncio.subprocess.PIPE,
                    stdout=asyncio.subprocess.PIPE,
                    stderr=asyncio.subprocess.DEVNULL,
                    env=environment,
                )
                self._reader = asyncio.create_task(self._read(self._process), name=f"channel-{self.spec.name}")
            return self._process

    async def _read(self, process: asyncio.subprocess.Process) -> None:
        assert process.stdout is not None
        with contextlib.suppress(ValueError, OSError):  # a line longer than any of ours: it is not ours
            while line := await process.stdout.readline():
                answer: dict[str, Any] = json.loads(line)
                future = self._waiting.get(int(answer["id"]))
                if future is not None and not future.done():
                    future.set_result(Sent(bool(answer["ok"]), clean(str(answer["detail"]))))
        if self._process is process:
            self._process = None
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()
            self._fail(DIED)

    def _fail(self, why: str) -> None:
        for future in self._waiting.values():
            if not future.done():
                future.set_result(Sent(False, why))

    def _rest(self) -> None:
        if self._waiting or self._process is None:
            return
        if self._idle is not None:
            self._idle.cancel()
        self._idle = asyncio.get_running_loop().call_later(IDLE_S, self._end_idle)

    def _end_idle(self) -> None:
        if not self._waiting and self._process is not None and self._process.stdin is not None:
            self._process.stdin.close()  # it ends by itself, and `_read` sees it go

    async def end(self, why: str = "the service stops") -> None:
        """End the process now; what it was sending counts as not sent."""
        if self._idle is not None:
            self._idle.cancel()
        process, self._process = self._process, None
        reader, self._reader = self._reader, None
        if process is not None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
        self._fail(f"the process that sends was {why}" if why.startswith("ended") else why)
        if reader is not None:
            reader.cancel()
            await asyncio.gather(reader, return_exceptions=True)
        if process is not None:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(END_S):
                    await process.wait()
