"""Channels whose process dies, whose server answers without end, and whose settings are put right meanwhile."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from nightrake.alarms.callqueue import Limit
from nightrake.channels import line as line_module
from nightrake.channels.process import DIED, Worker
from nightrake.channels.spec import ChannelSpec
from nightrake.channels.worker import MEMORY_BYTES
from peers.webhook import Webhook
from shell.channels.test_channels import SHUTDOWN, call, hook_spec, running

MIB = 1 << 20


@pytest.fixture
def hook() -> Iterator[Webhook]:
    """A webhook that takes everything."""
    server = Webhook()
    yield server
    server.stop()


async def seen(true: Callable[[], bool], within_s: float = 15.0) -> None:
    """Wait until something is so."""
    async with asyncio.timeout(within_s):
        while not true():  # noqa: ASYNC110
            await asyncio.sleep(0.01)


class Endless:
    """A server that writes without end: after what was asked, or at once."""

    def __init__(self, greeting: bytes, block: bytes, *, listens: bool) -> None:
        self._greeting, self._block, self._listens = greeting, block, listens
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._socket.getsockname()[1])
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                connection, _ = self._socket.accept()
                with connection, contextlib.suppress(OSError):
                    connection.settimeout(10.0)
                    if self._listens:
                        connection.recv(65536)
                    connection.sendall(self._greeting)
                    while True:
                        connection.sendall(self._block)

    def stop(self) -> None:
        """End it."""
        self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        self._thread.join(5.0)


@pytest.mark.asyncio
async def test_worker_that_dies_is_no_fault_of_the_server(hook: Webhook) -> None:
    """Killed from outside in the middle of a send: the same message goes again at once, by another process."""
    worker = Worker(hook_spec(hook, timeout_s=15.0))
    assert (await worker.send("1", "S", "text")).ok
    hook.hold.clear()
    sending = asyncio.create_task(worker.send("1", "S", "text"))
    await seen(lambda: len(hook.got) == 2)
    assert worker._process is not None
    worker._process.kill()
    hook.hold.set()
    sent = await sending
    await worker.end()

    assert sent.ok, sent.detail
    assert len(hook.got) == 3


@pytest.mark.asyncio
async def test_worker_that_dies_again_and_again_is_an_outcome(hook: Webhook) -> None:
    """Once is tried again; the second time it is a failure, so that its line rests and other ways are taken."""
    hook.hold.clear()
    worker = Worker(hook_spec(hook, timeout_s=15.0))
    sending = asyncio.create_task(worker.send("1", "S", "text"))
    for number in (1, 2):
        await seen(lambda n=number: len(hook.got) == n)  # type: ignore[misc]
        assert worker._process is not None
        worker._process.kill()
    sent = await sending
    hook.hold.set()
    after = await worker.send("1", "S", "text")
    await worker.end()

    assert (sent.ok, sent.detail) == (False, DIED)
    assert after.ok


@pytest.mark.asyncio
@pytest.mark.parametrize("scheme", ["json", "mailto"])
async def test_answer_without_end_cannot_fill_the_memory(scheme: str) -> None:
    """A web server's page and a mail server's greeting: the process keeps within its limit, and the send has failed."""
    if scheme == "json":
        head = b"HTTP/1.1 200 OK\r\nContent-Type: text/plain\r\nContent-Length: 8000000000\r\n\r\n"
        server, more = Endless(head, b"x" * MIB, listens=True), "x"
    else:
        server, more = Endless(b"", (b"220-" + b"x" * 500 + b"\r\n") * 100, listens=False), "?from=a@fennmark.example"
    url = f"{scheme}://127.0.0.1:{server.port}/{more}{'&mode=insecure&to={address}' if scheme == 'mailto' else ''}"
    worker = Worker(ChannelSpec("odd", url, timeout_s=3.0))
    try:
        sending, most_kb = asyncio.create_task(worker.send("night@fennmark.example", "S", "text")), 0
        while not sending.done():
            if worker._process is not None:
                with contextlib.suppress(OSError):
                    status = Path(f"/proc/{worker._process.pid}/status").read_text()  # noqa: ASYNC240
                    most_kb = max([most_kb, *(int(x.split()[1]) for x in status.splitlines() if x.startswith("VmHWM"))])
            await asyncio.sleep(0.02)
    finally:
        await worker.end()
        server.stop()

    assert not sending.result().ok
    assert "MemoryError" not in sending.result().detail
    assert 0 < most_kb * 1024 < MEMORY_BYTES + 100 * MIB


@pytest.mark.asyncio
@pytest.mark.parametrize("what", ["channel", "address", "other channel"])
async def test_urgent_call_goes_once_its_way_has_been_put_right(
    hook: Webhook, what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Refused under wrong settings, it waits for another try; the reload that mends them sends it at once."""
    monkeypatch.setattr(line_module, "URGENT_WAITS_S", (600.0,) * 7)
    hook.answer = 403
    other = Webhook()
    right = hook_spec(other)
    try:
        async with running(hook_spec(hook), ways=(("hook", "1"),)) as run:
            run.channels.call(call(seq=7))
            await run.until(lambda o: len(o) == 1)
            hook.answer = 200
            if what == "channel":
                run.channels.configure([right], {"night1": (("hook", "1"),)}, Limit())
            elif what == "address":
                run.channels.configure([hook_spec(hook)], {"night1": (("hook", "2"),)}, Limit())
            else:
                spec = ChannelSpec("second", right.url, right.secret, timeout_s=2.0)
                run.channels.configure([spec], {"night1": (("second", "1"),)}, Limit())
            outcomes = await run.until(lambda o: any(x.ok for x in o))
            await seen(lambda: run.channels.calls_cursor == 7)
    finally:
        other.stop()

    assert (outcomes[-1].alarm, outcomes[-1].tries) == (SHUTDOWN, 1)
    assert [b["to"] for _, b in (hook if what == "address" else other).got][-1] == ("2" if what == "address" else "1")


@pytest.mark.asyncio
async def test_call_whose_person_has_no_way_any_more_is_given_up(hook: Webhook) -> None:
    """The reload took the only way away: said so, and the cursor goes on."""
    hook.answer = 403
    async with running(hook_spec(hook), ways=(("hook", "1"),)) as run:
        run.channels.call(call(seq=7))
        await run.until(lambda o: len(o) == 1)
        run.channels.configure([hook_spec(hook)], {}, Limit())
        outcomes = await run.until(lambda o: len(o) == 2)
        await seen(lambda: run.channels.calls_cursor == 7)

    assert (outcomes[-1].ok, outcomes[-1].again) == (False, False)
    assert "taken out of the settings" in outcomes[-1].detail


@pytest.mark.asyncio
async def test_storm_of_shutdowns_ends_in_one_urgent_message(hook: Webhook) -> None:
    """Thirty at once: ten singly, one for the others by every way, with the worst by name."""
    ways = (("hook", "1"), ("second", "1"))
    second = ChannelSpec("second", hook_spec(hook).url.replace("/sms/", "/second/"), "x", timeout_s=2.0)
    async with running(hook_spec(hook), second, ways=ways) as run:
        for n in range(30):
            run.channels.call(call(f"D{n}/forward/shutdown_contact", n + 1))
        await run.until(lambda o: sum(x.event == "more" for x in o) == 2)
        (note,) = run.channels.together()

    assert (note.person, note.counts) == ("night1", {"urgent": 20})
    urgent = [b["title"] for _, b in hook.got if "more urgent" in b["title"]]
    assert len(urgent) == 2
    assert urgent[0].startswith("URGENT: 20 more urgent; worst: S D10/forward/shutdown_contact")
