"""Channels to real servers on 127.0.0.1: delivered, refused, slow, dead, TLS; and what comes of each."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from nightrake.alarms.callqueue import Call, Limit
from nightrake.calling import more_words
from nightrake.channels import line as line_module
from nightrake.channels import process as process_module
from nightrake.channels.outcome import outcome_entry
from nightrake.channels.process import Worker
from nightrake.channels.sender import Channels
from nightrake.channels.spec import ChannelSpec, Outcome
from peers.certificates import Authority
from peers.webhook import MailServer, Webhook

SHUTDOWN = "PC1/forward/shutdown_contact"
SECRET = "hunter2/§"


def call(alarm: str = SHUTDOWN, seq: int = 1, *, person: str = "night1", priority: str = "urgent") -> Call:
    """A call with its words."""
    words = {
        "subject": f"S {alarm}",
        "short": f"short {alarm}",
        "long": f"long {alarm}\nsecond line",
        "event": "called",
    }
    return Call(person, alarm, priority, words, seq)


def hook_spec(hook: Webhook, *, tls: bool = False, ca: str = "", **more: float) -> ChannelSpec:
    """The webhook as a channel."""
    url = f"json{'s' if tls else ''}://127.0.0.1:{hook.port}/sms/{{secret}}?:to={{address}}"
    return ChannelSpec("hook", url, SECRET, ca, **{"timeout_s": 2.0, **more})  # type: ignore[arg-type]


def mail_spec(port: int, *, tls: bool = False, ca: str = "") -> ChannelSpec:
    """The mail server as a channel."""
    url = f"mailto{'s' if tls else ''}://127.0.0.1:{port}/?from=nightrake@fennmark.example&to={{address}}&format=text"
    return ChannelSpec("mail", url, "", ca, "long", 2.0)


class Run:
    """Channels that run, and what they said."""

    def __init__(self) -> None:
        self.outcomes: list[Outcome] = []
        self._news = asyncio.Event()
        self.channels = Channels(self._take, lambda more: more_words(more, "Fennmark"))

    def _take(self, outcome: Outcome) -> None:
        self.outcomes.append(outcome)
        self._news.set()

    async def until(self, true: Callable[[list[Outcome]], bool], within_s: float = 15.0) -> list[Outcome]:
        """Wait until the outcomes are such."""
        async with asyncio.timeout(within_s):
            while not true(self.outcomes):
                self._news.clear()
                await self._news.wait()
        return self.outcomes


@asynccontextmanager
async def running(
    *specs: ChannelSpec,
    ways: tuple[tuple[str, str], ...],
    limit: Limit = Limit(),  # noqa: B008
) -> AsyncIterator[Run]:
    """Channels for the night shift."""
    run = Run()
    run.channels.configure(specs, {"night1": ways}, limit)
    task = asyncio.create_task(run.channels.run(), name="channels")
    try:
        yield run
    finally:
        run.channels.stop()
        async with asyncio.timeout(15.0):
            await task


@pytest.fixture
def hook() -> Iterator[Webhook]:
    """A webhook that takes everything."""
    server = Webhook()
    yield server
    server.stop()


@pytest.mark.asyncio
async def test_webhook_gets_the_short_text_the_address_and_the_secret(hook: Webhook) -> None:
    """Both filled into the URL, so that nothing in them can change it; delivered is said once."""
    async with running(hook_spec(hook), ways=(("hook", "+00 555&x=1"),)) as run:
        run.channels.call(call(seq=7))
        (outcome,) = await run.until(lambda o: len(o) == 1)
        assert run.channels.calls_cursor == 7

    assert outcome == Outcome("night1", "hook", SHUTDOWN, "called", 7, True)
    ((path, body),) = hook.got
    assert path.startswith("/sms/hunter2%2F%C2%A7")
    assert (body["title"], body["message"], body["to"]) == (f"S {SHUTDOWN}", f"short {SHUTDOWN}", "+00 555&x=1")
    entry = outcome_entry(outcome)
    assert (entry.kind, entry.event, entry.drive, entry.direction) == ("call", "delivered", "PC1", "forward")


@pytest.mark.asyncio
async def test_mail_gets_the_long_text(free_port: int) -> None:
    """A plain text mail, to the person alone."""
    server = MailServer(free_port)
    try:
        async with running(mail_spec(free_port), ways=(("mail", "night@fennmark.example"),)) as run:
            run.channels.call(call())
            assert (await run.until(lambda o: len(o) == 1))[0].ok
    finally:
        server.stop()

    ((address, mail),) = server.got
    assert (address, mail["Subject"]) == ("night@fennmark.example", f"S {SHUTDOWN}")
    assert "nightrake@fennmark.example" in mail["From"]
    assert mail.get_content_type() == "text/plain"
    assert f"long {SHUTDOWN}\nsecond line" in str(mail.get_payload()).replace("\r\n", "\n")


@pytest.mark.asyncio
async def test_refused_recipient_is_told_with_the_servers_words(free_port: int) -> None:
    """And the next way is taken for what is not urgent."""
    server, hook = MailServer(free_port, refuse=("old@fennmark.example",)), Webhook()
    try:
        ways = (("mail", "old@fennmark.example"), ("hook", "1"))
        async with running(mail_spec(free_port), hook_spec(hook), ways=ways) as run:
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(line_module, "OTHER_WAITS_S", ())
                run.channels.call(call(priority="high"))
                outcomes = await run.until(lambda o: len(o) == 2)
    finally:
        server.stop()
        hook.stop()

    assert [(o.channel, o.ok, o.again) for o in outcomes] == [("mail", False, False), ("hook", True, False)]
    assert "no such mailbox here" in outcomes[0].detail


@pytest.mark.asyncio
async def test_urgent_goes_by_every_way_at_once_and_is_tried_again(
    hook: Webhook, free_port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The dead mail server holds up nothing; once it was delivered, nobody rings the other way for ever."""
    monkeypatch.setattr(line_module, "URGENT_WAITS_S", (0.1, 0.1))
    ways = (("mail", "night@fennmark.example"), ("hook", "1"))
    async with running(mail_spec(free_port), hook_spec(hook), ways=ways) as run:
        run.channels.call(call(seq=3))
        outcomes = await run.until(lambda o: {("hook", True), ("mail", False)} <= {(x.channel, x.ok) for x in o})
        async with asyncio.timeout(10.0):
            while run.channels.calls_cursor != 3:  # noqa: ASYNC110
                await asyncio.sleep(0.02)

    assert "refused" in next(o.detail for o in outcomes if not o.ok)
    assert len(hook.got) == 1


@pytest.mark.asyncio
async def test_server_that_comes_back_gets_the_urgent_call(hook: Webhook, monkeypatch: pytest.MonkeyPatch) -> None:
    """500 at first: the first failure and the delivery are said, with the number of tries."""
    monkeypatch.setattr(line_module, "URGENT_WAITS_S", (0.1,) * 7)
    hook.answer = 500
    async with running(hook_spec(hook), ways=(("hook", "1"),)) as run:
        run.channels.call(call())
        await run.until(lambda o: len(o) == 1)
        hook.answer = 200
        outcomes = await run.until(lambda o: len(o) == 2)

    assert [(o.ok, o.again) for o in outcomes] == [(False, True), (True, False)]
    assert "500" in outcomes[0].detail
    assert outcomes[1].tries >= 2
    assert SECRET not in str(outcomes)
    assert "hunter2" not in str(outcomes)


@pytest.mark.asyncio
async def test_alarm_that_is_over_is_tried_no_more(hook: Webhook, monkeypatch: pytest.MonkeyPatch) -> None:
    """What nobody needs any more is not sent late."""
    monkeypatch.setattr(line_module, "URGENT_WAITS_S", (0.2,) * 7)
    hook.answer = 503
    async with running(hook_spec(hook), ways=(("hook", "1"),)) as run:
        run.channels.call(call(seq=4))
        await run.until(lambda o: len(o) == 1)
        run.channels.calls_no_longer(SHUTDOWN)
        async with asyncio.timeout(10.0):
            while run.channels.calls_cursor != 4:  # noqa: ASYNC110
                await asyncio.sleep(0.02)

    assert all(not o.ok for o in run.outcomes)


@pytest.mark.asyncio
async def test_slow_server_is_left_and_holds_up_no_other_channel(
    hook: Webhook, free_port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It takes the connection and says nothing: an outcome within its time, while mail goes on."""
    hook.hold.clear()
    server = MailServer(free_port)
    try:
        ways = (("hook", "1"), ("mail", "night@fennmark.example"))
        async with running(hook_spec(hook, timeout_s=1.0), mail_spec(free_port), ways=ways) as run:
            run.channels.call(call())
            outcomes = await run.until(lambda o: len(o) == 2)
    finally:
        server.stop()

    assert {(o.channel, o.ok) for o in outcomes} == {("mail", True), ("hook", False)}


@pytest.mark.asyncio
async def test_worker_that_hangs_is_ended(hook: Webhook, monkeypatch: pytest.MonkeyPatch) -> None:
    """A server that answers drop by drop can hold a send for ever; its process is ended and another serves."""
    monkeypatch.setattr(process_module, "START_S", 1.0)
    hook.hold.clear()
    worker = Worker(hook_spec(hook, timeout_s=15.0))
    monkeypatch.setattr(process_module, "TRIES_S", 0.1)
    first = await worker.send("1", "S", "text")
    running_after = worker.running
    hook.hold.set()
    monkeypatch.setattr(process_module, "START_S", 15.0)
    second = await worker.send("1", "S", "text")
    await worker.end()

    assert (first.ok, running_after, second.ok) == (False, False, True)
    assert "no answer within" in first.detail


@pytest.mark.asyncio
async def test_idle_process_gives_its_memory_back(hook: Webhook, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing to send: no process; it is not there before the first message either."""
    monkeypatch.setattr(process_module, "IDLE_S", 0.05)
    worker = Worker(hook_spec(hook))
    assert not worker.running
    assert (await worker.send("1", "S", "text")).ok
    async with asyncio.timeout(10.0):
        while worker.running:  # noqa: ASYNC110
            await asyncio.sleep(0.01)
    assert (await worker.send("1", "S", "text")).ok
    await worker.end()


@pytest.mark.asyncio
async def test_tls_is_checked_against_the_given_authority(tmp_path: Path, free_port: int) -> None:
    """Mail (STARTTLS) and webhook: our own authority is taken, an unknown one is not, and there is no fall-back."""
    ours, theirs = Authority(tmp_path, "ours"), Authority(tmp_path, "theirs")
    files = ours.sign("server")
    server, hook = MailServer(free_port, tls=files), Webhook(tls=files)
    try:
        for ca, ok in ((ours, True), (theirs, False)):
            for spec in (
                mail_spec(free_port, tls=True, ca=str(ca.file)),
                hook_spec(hook, tls=True, ca=str(ca.file)),
            ):
                worker = Worker(spec)
                sent = await worker.send("night@fennmark.example", "S", "text")
                await worker.end()
                assert sent.ok is ok, (spec.name, sent.detail)
                assert ok or "certificate" in sent.detail.lower(), sent.detail
    finally:
        server.stop()
        hook.stop()

    assert server.encrypted == [True]
    assert len(hook.got) == 1


@pytest.mark.asyncio
async def test_redirection_is_not_followed(hook: Webhook) -> None:
    """It could lead the secret elsewhere."""
    hook.answer = 307
    worker = Worker(hook_spec(hook))
    sent = await worker.send("1", "S", "text")
    await worker.end()

    assert not sent.ok
    assert len(hook.got) == 1


@pytest.mark.asyncio
@pytest.mark.parametrize("url", ["nonsense://{address}", "json://", "mailto://127.0.0.1:9/?to={address}"])
async def test_url_that_the_library_does_not_take_is_an_outcome(url: str) -> None:
    """Whatever is wrong with it is one line, never an exception in the watch."""
    worker = Worker(ChannelSpec("odd", url, "", "", "short", 1.0))
    sent = await worker.send("night@fennmark.example", "S", "text")
    await worker.end()

    assert not sent.ok
    assert sent.detail
    assert "\n" not in sent.detail


@pytest.mark.asyncio
async def test_stop_does_not_wait_for_a_server_that_hangs(hook: Webhook) -> None:
    """It would for a minute. What was not delivered stays below the cursor, so that the next start tells it."""
    hook.hold.clear()
    run = Run()
    run.channels.configure([hook_spec(hook, timeout_s=60.0)], {"night1": (("hook", "1"),)}, Limit())
    task = asyncio.create_task(run.channels.run())
    for n in range(20):
        run.channels.call(call(f"D{n}/-/x", n + 1))
    async with asyncio.timeout(10.0):
        while not hook.got:  # noqa: ASYNC110
            await asyncio.sleep(0.01)
    run.channels.stop()
    async with asyncio.timeout(15.0):
        await task

    assert run.channels.calls_cursor == 0
    assert not run.outcomes


@pytest.mark.asyncio
async def test_flood_stays_within_the_limit(hook: Webhook) -> None:
    """A thousand low alarms beside eight shutdowns: these first and all of them, one message for the rest."""
    async with running(hook_spec(hook), ways=(("hook", "1"),), limit=Limit(3)) as run:
        for n in range(1000):
            run.channels.call(call(f"D{n}/-/torque_high", n + 1, priority="low"))
        for n in range(8):
            run.channels.call(call(f"S{n}/forward/shutdown_contact", 2000 + n))
        await run.until(lambda o: any(x.event == "more" for x in o))

    titles = [body["title"] for _, body in hook.got]
    assert len(titles) == 9
    assert sorted(titles[:8]) == [f"S S{n}/forward/shutdown_contact" for n in range(8)]
    assert "1000 more alarms call you: 1000 low" in titles[-1]


@pytest.mark.asyncio
async def test_changed_settings_take_the_place_of_the_old(hook: Webhook) -> None:
    """A person without a way and a channel that is gone cost nothing; what is new is used."""
    async with running(hook_spec(hook), ways=(("hook", "1"),)) as run:
        run.channels.configure([], {"night1": (("hook", "1"),)}, Limit())
        run.channels.call(call("D1/-/x"))
        other = Webhook()
        try:
            run.channels.configure([hook_spec(other)], {"night1": (("hook", "2"),), "day1": ()}, Limit())
            run.channels.call(call("D2/-/x"))
            run.channels.call(call("D2/-/x", person="day1"))
            outcomes = await run.until(lambda o: len(o) == 1)
        finally:
            other.stop()

    assert [o.alarm for o in outcomes] == ["D2/-/x"]
    assert not hook.got
    assert [body["to"] for _, body in other.got] == ["2"]
