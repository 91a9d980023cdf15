"""The worker as the watch starts it: a process with an inherited channel, the real templates, and an end."""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import socket
import sys
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any, NamedTuple

import httpx
import pytest

from pagewatch import WatchEnd, signed_in, until

pytestmark = pytest.mark.timeout(60)
ENDS_S = 15.0
"""A worker is the last to get the processor: on a machine without rest even an end at once takes its time."""


class Started(NamedTuple):
    """A worker that runs."""

    process: asyncio.subprocess.Process
    watch: WatchEnd

    async def said(self) -> dict[str, Any]:
        """The next line that it says."""
        assert self.process.stdout is not None
        async with asyncio.timeout(15.0):
            return dict(json.loads(await self.process.stdout.readline()))


@contextlib.asynccontextmanager
async def started(folder: Path, **page: Any) -> AsyncIterator[Started]:
    """The worker, as `nightrake watch` starts it."""
    ours, theirs = socket.socketpair()
    job = {
        "fd": theirs.fileno(),
        "state_dir": str(folder),
        "socket": "",
        "site": "fennmark",
        "epoch": "e",
        "page": page,
    }
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-P", "-m", "nightrake.workers.page", json.dumps(job), pass_fds=(theirs.fileno(),),
        stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    theirs.close()
    watch = WatchEnd(ours)
    peer = asyncio.create_task(watch.run())
    try:
        yield Started(process, watch)
    finally:
        peer.cancel()
        await asyncio.gather(peer, return_exceptions=True)
        ours.close()
        if process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
        await process.communicate()


@pytest.mark.asyncio
async def test_worker_serves_signs_in_and_ends_with_its_line(tmp_path: Path, free_port: int) -> None:
    """It says where it serves; when its standard input closes it ends at once."""
    page = {"enabled": True, "host": "127.0.0.1", "port": free_port, "later_key": 1, "hosts": []}
    async with started(tmp_path, **page) as worker:
        told = await worker.said()
        async with httpx.AsyncClient(
            base_url=told["address"], headers={"Origin": told["address"]}, trust_env=False
        ) as c:
            session = await signed_in(c)
            explained = await c.get("/help")
        assert worker.process.stdin is not None
        worker.process.stdin.close()
        async with asyncio.timeout(ENDS_S):
            code = await worker.process.wait()

    assert told == {"up": True, "address": f"http://127.0.0.1:{free_port}", "browsers": 0}
    assert session["person"] == "night1"
    assert explained.status_code == 200
    assert code == 0


@pytest.mark.asyncio
async def test_worker_ends_when_the_watch_hangs_up(tmp_path: Path, free_port: int) -> None:
    """The channel is never made anew: the watch starts another worker."""
    async with started(tmp_path, port=free_port) as worker:
        await worker.said()
        worker.watch.hang_up()
        async with asyncio.timeout(ENDS_S):
            assert await worker.process.wait() == 0


@pytest.mark.asyncio
async def test_what_it_cannot_understand_ends_it_with_a_sentence(tmp_path: Path, free_port: int) -> None:
    """A fault of the program is told to the watch, which starts another; it does not go on with half a picture."""
    async with started(tmp_path, port=free_port) as worker:
        await worker.said()
        await until(lambda: bool(worker.watch.of("scene")))
        worker.watch.say({"drives": 5})
        told = await worker.said()
        async with asyncio.timeout(ENDS_S):
            code = await worker.process.wait()

    assert told == {"failed": "page worker: AttributeError: 'int' object has no attribute 'items'"}
    assert code == 1


@pytest.mark.asyncio
async def test_worker_that_cannot_serve_says_why_in_one_sentence(tmp_path: Path, free_port: int) -> None:
    """A port that is taken: no traceback, exit 1."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", free_port))
        taken.listen()
        async with started(tmp_path, port=free_port) as worker:
            told = await worker.said()
            _, errors = await worker.process.communicate()

    assert list(told) == ["failed"]
    assert told["failed"].startswith(f"port {free_port} of 127.0.0.1 cannot be listened on (Address already in use)")
    assert (worker.process.returncode, errors) == (1, b"")


@pytest.mark.asyncio
async def test_killed_worker_leaves_sessions_for_the_next(tmp_path: Path, free_port: int) -> None:
    """kill -9 right after a sign-in: the next worker knows the session."""
    async with started(tmp_path, port=free_port) as worker:
        base = (await worker.said())["address"]
        async with httpx.AsyncClient(base_url=base, headers={"Origin": base}, trust_env=False) as client:
            await signed_in(client)
            cookies = dict(client.cookies)
        worker.process.send_signal(signal.SIGKILL)
        await worker.process.wait()
    async with started(tmp_path, port=free_port) as worker:
        await worker.said()
        async with httpx.AsyncClient(base_url=base, cookies=cookies, trust_env=False) as client:
            person = (await client.get("/api/v1/session")).json()["person"]

    assert person == "night1"
