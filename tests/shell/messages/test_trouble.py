"""Brokers that are away, die, freeze, refuse, drop, throw us off or show a wrong certificate."""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from nightrake.messages import backoff as backoff_module
from nightrake.messages import session as session_module
from nightrake.messages.backoff import Backoff
from nightrake.messages.broker import LinkLost, Will
from nightrake.messages.link import connect
from peers.certificates import Authority
from peers.ear import listening
from peers.fakebroker import CONNACK, fake_broker
from peers.line import Line
from peers.mosquitto import Mosquitto
from shell.messages.ledger import Ledger, Watch, row, settings, until

EVENTS = "nightrake/fennmark/events"
SERVICE = "nightrake/fennmark/service"
STATE = "nightrake/fennmark/drive/PC1"
Maker = Callable[..., Mosquitto]


@pytest.mark.asyncio
@pytest.mark.parametrize("protocol", [5, 311])
async def test_broker_down_at_start_gets_everything_when_it_comes(make_mosquitto: Maker, protocol: int) -> None:
    """No broker: a clear sentence, and nothing lost once there is one."""
    broker = make_mosquitto()
    async with Watch(settings(broker.port, protocol=protocol)) as watch:
        detail = await watch.link(False, "nobody listens there")
        watch.happen(*(row(n) for n in range(1, 51)))
        broker.start()
        async with listening(broker.port) as ear:
            await watch.link(True)
            await until(lambda: watch.ledger.cursor == 50)

    assert str(broker.port) in detail
    assert set(ear.seqs()) <= set(range(1, 51))


@pytest.mark.asyncio
async def test_fifty_rows_over_kill_and_outage_arrive_each_at_least_once(mosquitto: Mosquitto) -> None:
    """kill -9 in the middle of telling: no id missing, order kept, states back, nothing confirmed comes again."""
    with closing(Line(mosquitto.port)) as line:
        async with Watch(settings(line.port)) as watch:
            await watch.link(True)
            watch.teller.mark("PC1", {"n": 1})
            async with listening(mosquitto.port) as before:
                watch.happen(*(row(n) for n in range(1, 26)))
                await before.until(lambda: len(before.events()) >= 10)
                mosquitto.kill()
                with pytest.raises(ConnectionError):  # what it had sent is heard to the end
                    await before.until(lambda: False)
            watch.happen(*(row(n) for n in range(26, 51)))
            confirmed = watch.teller.stats.confirmed
            await watch.link(False)
            line.cut()
            mosquitto.start()
            async with listening(mosquitto.port) as after:
                line.join()  # only now: who subscribes too late has missed what went before
                await after.until(lambda: 50 in after.seqs() and after.last(STATE) is not None)

    told = [*before.seqs(), *after.seqs()]
    assert set(told) == set(range(1, 51))
    assert list(dict.fromkeys(told)) == sorted(set(told))
    assert all(s > confirmed for s in after.seqs())


@pytest.mark.asyncio
async def test_frozen_broker_is_noticed_and_nothing_is_lost(mosquitto: Mosquitto) -> None:
    """A broker that answers nothing: the publish times out, a new connection waits, one id is told once or twice."""
    async with Watch(settings(mosquitto.port, answer_s=0.8)) as watch:
        await watch.link(True)
        async with listening(mosquitto.port) as ear:
            mosquitto.freeze()
            watch.happen(row(1), row(2))
            await watch.link(False, "no answer within 0.8 s")
            mosquitto.thaw()
            await watch.link(True)
            await until(lambda: watch.ledger.cursor == 2)
            await ear.until(lambda: set(ear.seqs()) == {1, 2})

    assert list(dict.fromkeys(ear.seqs())) == [1, 2]
    assert len({e["id"] for e in ear.events()}) == 2


@pytest.mark.asyncio
async def test_broker_that_drops_alerts_is_found_by_the_canary(make_mosquitto: Maker) -> None:
    """The events' topic is forbidden: acknowledged, not delivered. Said within a period; told again when allowed."""
    allow = "topic readwrite #\n"
    deny = "topic readwrite nightrake/fennmark/service\ntopic readwrite nightrake/fennmark/drive/#\n"
    broker = make_mosquitto(acl=allow)
    broker.start()
    async with Watch(settings(broker.port), canary_period_s=0.5) as watch:
        await watch.link(True)
        watch.happen(row(1))
        await until(lambda: watch.ledger.cursor == 1 and watch.teller.stats.confirmed == 1)
        broker.write_acl(deny)
        broker.reload()
        watch.happen(row(2), row(3))
        detail = await watch.link(False, "does not deliver")
        held = watch.ledger.cursor
        async with listening(broker.port) as ear:
            broker.write_acl(allow)
            broker.reload()
            await watch.link(True)
            watch.happen(row(4))
            await ear.until(lambda: 4 in ear.seqs())
            await until(lambda: watch.ledger.cursor == 4)

    assert EVENTS in detail
    assert held == 1
    assert set(ear.seqs()) >= {2, 3, 4}


@pytest.mark.asyncio
@pytest.mark.parametrize("dropped", ["drive", "alarm"])
async def test_broker_that_drops_states_is_found_and_alerts_go_on(make_mosquitto: Maker, dropped: str) -> None:
    """Only retained states are forbidden: said, no event is told twice for it, and the states come when allowed."""
    allow, root = "topic readwrite #\n", "nightrake/fennmark"
    left = {"drive/#", "alarm/#"} - {f"{dropped}/#"}
    deny = "".join(f"topic readwrite {root}/{t}\n" for t in ("service", "events", "person/#", *left))
    broker = make_mosquitto(acl=deny)
    broker.start()
    async with Watch(settings(broker.port), canary_period_s=0.5) as watch:
        detail = await watch.link(False, "does not deliver")
        watch.happen(row(1))
        await until(lambda: watch.ledger.cursor == 1 and watch.teller.stats.confirmed == 1)
        watch.teller.mark("PC1", {"n": 1})
        watch.teller.mark_alarm("PC1/forward/alarm_contact", {"life": "unacknowledged"})
        await until(lambda: watch.teller.stats.states_due == 0)
        broker.write_acl(allow)
        broker.reload()
        await watch.link(True)
        async with listening(broker.port) as ear:
            await ear.until(lambda: ear.last(f"{root}/drive/PC1") is not None)
            await ear.until(lambda: ear.last(f"{root}/alarm/PC1/forward/alarm_contact") is not None)

    assert f"{root}/{dropped}/.canary" in detail
    assert EVENTS not in detail
    assert watch.teller.stats.acked == 1


@pytest.mark.asyncio
@pytest.mark.parametrize("protocol", [5, 311])
async def test_thrown_off_right_after_connack_is_no_silent_hang(protocol: int) -> None:
    """The connection ends in the instant it is made: noticed each time at once, tried again with growing pauses."""
    began = time.monotonic()
    async with fake_broker(CONNACK[protocol], stay=False) as broker, Watch(settings(broker.port, protocol=protocol)):
        await until(lambda: broker.connects >= 4, 8.0)

    assert time.monotonic() - began > 1.7  # back-off 0.25, 0.5, 1 s at the least jitter: no storm


@pytest.mark.asyncio
async def test_silence_after_connack_is_given_up() -> None:
    """A peer that accepts and then says nothing costs one time-out, not for ever."""
    async with fake_broker(CONNACK[5], stay=True) as broker, Watch(settings(broker.port, answer_s=0.3)) as watch:
        await watch.link(False, "no answer within 0.3 s")
        await until(lambda: broker.connects >= 2)


@pytest.mark.asyncio
async def test_peer_that_never_sends_connack_is_not_waited_for_at_a_stop() -> None:
    """A connection in the making is dropped, with its socket and tasks; it would have waited for a minute."""
    async with fake_broker(b"", stay=True) as broker:
        async with Watch(settings(broker.port, answer_s=60.0)):
            await until(lambda: broker.connects >= 1)
            began = time.monotonic()
        took_s = time.monotonic() - began

    assert took_s < 15.0


@pytest.mark.asyncio
async def test_refusals_say_what_to_set() -> None:
    """CONNACK codes become sentences: no MQTT 5, wrong password, not authorised."""
    cases = [
        (5, b"\x20\x03\x00\x84\x00", "set mqtt.protocol = 311"),
        (5, b"\x20\x03\x00\x86\x00", "mqtt.username"),
        (5, b"\x20\x03\x00\x87\x00", "does not authorise us"),
        (311, b"\x20\x02\x00\x04", "mqtt.username"),
        (311, b"\x20\x02\x00\x05", "does not authorise us"),
    ]
    for protocol, answer, words in cases:
        async with fake_broker(answer, stay=False) as broker:
            with pytest.raises(LinkLost) as caught:
                await connect(settings(broker.port, protocol=protocol), Will("t", b""), lambda _m: False, 20)
            assert words in str(caught.value)


@pytest.mark.asyncio
async def test_two_watches_with_one_client_id_are_told_apart_from_a_bad_line(
    mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One says that another program uses its id and then waits about a minute: no storm of take-overs."""
    monkeypatch.setattr(backoff_module, "FIGHT_LOSSES", 2)  # as it stands (3) this takes 15 s
    async with Watch(settings(mosquitto.port)) as one, Watch(settings(mosquitto.port)) as two:
        either = asyncio.create_task(one.link(False, "give each watch its own mqtt.client_id"))
        other = asyncio.create_task(two.link(False, "give each watch its own mqtt.client_id"))
        try:
            done, _ = await asyncio.wait((either, other), timeout=16.0, return_when=asyncio.FIRST_COMPLETED)
        finally:
            either.cancel()
            other.cancel()
            await asyncio.gather(either, other, return_exceptions=True)
        connects = one.teller.stats.connects + two.teller.stats.connects

    assert all(task.exception() is None for task in done)
    assert done
    assert connects <= 8


def test_back_off_grows_forgets_after_a_connection_that_worked_and_waits_long_in_a_fight() -> None:
    """0.5 s doubling to 30 s with jitter; from the fourth time thrown off in a minute about a minute."""
    backoff = Backoff(lambda: 1.0)
    waits = [backoff.lost(10.0 * n, worked=False, thrown_off=False) for n in range(8)]
    assert waits == [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0]
    assert backoff.lost(100.0, worked=True, thrown_off=False) == 0.5

    fight = Backoff(lambda: 0.0)
    waits = [fight.lost(float(n), worked=True, thrown_off=True) for n in range(4)]
    assert waits == [0.25, 0.25, 0.25, 45.0]
    assert fight.fighting
    assert fight.lost(200.0, worked=True, thrown_off=True) < 30.0

    # A broker that crashes again and again is not there when asked soon after: no fight.
    crashing = Backoff(lambda: 0.0)
    for n in range(8):
        assert crashing.lost(2.0 * n, worked=True, thrown_off=True) == 0.25
        assert crashing.lost(2.0 * n + 1.0, worked=False, thrown_off=False) == 0.5
    assert not crashing.fighting


@pytest.mark.asyncio
async def test_last_will_tells_of_a_crash(mosquitto: Mosquitto) -> None:
    """A connection that breaks without a good-bye leaves `offline` retained; the next connect says `online` again."""
    async with listening(mosquitto.port) as ear:
        link = await connect(settings(mosquitto.port), Will(SERVICE, b"gone"), lambda _m: False, 20)
        link._client._client.socket().shutdown(socket.SHUT_RDWR)  # type: ignore[union-attr]  # as the kernel does for a killed process
        await ear.until(lambda: (last := ear.last(SERVICE)) is not None and last.payload == b"gone")
        await link.close(0.1)
        async with Watch(settings(mosquitto.port)) as watch:
            await watch.link(True)
            await ear.until(lambda: (last := ear.last(SERVICE)) is not None and last.payload != b"gone")

    online = next(m.json for m in ear.heard if m.topic == SERVICE and m.payload != b"gone")
    assert online["event"] == "online"


# --- TLS --------------------------------------------------------------------------------------------------------------


@pytest.mark.asyncio
async def test_tls_with_the_right_authority_works(make_mosquitto: Maker, tmp_path: Path) -> None:
    """Events go through TLS, checked against the authorities named."""
    ca = Authority(tmp_path, "ca")
    cert, key = ca.sign("broker")
    broker = make_mosquitto(tls=(ca.file, cert, key))
    broker.start()
    async with Watch(settings(broker.port, ca_file=str(ca.file))) as watch:
        await watch.link(True)
        watch.happen(row(1))
        await until(lambda: watch.ledger.cursor == 1)


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("wrong authority", "an authority that is not in mqtt.ca_file"),
        ("wrong host", "for another address"),
        ("expired", "has expired"),
        ("not yet valid", "not valid yet"),
        ("plain", "TLS"),
    ],
)
async def test_bad_certificate_is_refused_and_named(
    make_mosquitto: Maker, tmp_path: Path, fault: str, words: str
) -> None:
    """Each fault has its own sentence; nothing is told, least of all in plain text."""
    ca, other = Authority(tmp_path, "ca"), Authority(tmp_path / "other", "other")
    cert, key = {
        "wrong authority": lambda: other.sign("broker"),
        "wrong host": lambda: ca.sign("broker", address="127.0.0.2"),
        "expired": lambda: ca.sign("broker", from_days=-3, to_days=-1),
        "not yet valid": lambda: ca.sign("broker", from_days=1, to_days=3),
        "plain": lambda: ca.sign("broker"),
    }[fault]()
    broker = make_mosquitto(tls=None if fault == "plain" else (ca.file, cert, key))
    broker.start()
    async with Watch(settings(broker.port, ca_file=str(ca.file), answer_s=2.0)) as watch:
        watch.happen(row(1))
        detail = await watch.link(False)

    assert words in detail
    assert watch.teller.stats.connects == 0
    assert watch.ledger.cursor == 0


@pytest.mark.asyncio
async def test_unusable_tls_files_are_named(tmp_path: Path) -> None:
    """A missing, empty or mismatched file: one sentence that names key and file."""
    ca, junk = Authority(tmp_path, "ca"), tmp_path / "junk.pem"
    junk.write_text("not a certificate")
    (cert, _), (_, key) = ca.sign("one"), ca.sign("two")
    cases = [
        ({"ca_file": str(tmp_path / "none.pem")}, "mqtt.ca_file: there is no file"),
        ({"ca_file": str(junk)}, "junk.pem"),
        ({"cert_file": str(cert), "key_file": str(key)}, "mqtt.ca_file is not"),
        ({"ca_file": str(ca.file), "cert_file": str(cert)}, "belong together"),
        ({"ca_file": str(ca.file), "cert_file": str(cert), "key_file": str(key)}, "cannot be used together"),
    ]
    for given, words in cases:
        async with Watch(settings(1, **given), Ledger()) as watch:
            assert words in await watch.link(False)


def test_good_byes_fit_into_three_seconds() -> None:
    """The parts of a stop add up to less than what a service manager is promised."""
    assert session_module.DRAIN_S + session_module.STOPPED_S + session_module.CLOSE_S < 3.0
