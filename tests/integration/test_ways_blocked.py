"""Ways that are blocked while people have to be called: a broker that forbids the alert topics, a disk that hangs."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from integration.crew import calls, rings, write_crew
from integration.hardship import HardWatch, hanging_disk
from integration.ledger import Ledger, told_by_the_end
from integration.site import Site, until
from nightrake.journal.chain import verify
from peers.mosquitto import Mosquitto
from peers.webhook import Webhook
from plc.fixtures import LibmodbusServer

ALLOW = "topic readwrite #\n"
DENY = "topic readwrite nightrake/works/service\ntopic readwrite nightrake/works/drive/#\ntopic read #\n"
"""Events, alarms and people's topics may be read and not written: such messages are acknowledged and dropped."""
ALARMS = """
[alarm.shutdown_contact]
off_delay_s = 0.3
[alarm.alarm_contact]
on_delay_s = 0.0
off_delay_s = 0.3
[alarm.broker_unreachable]
on_delay_s = 0.5
off_delay_s = 0.3
"""
ALARM, SHUTDOWN, UNREACHABLE = "D0/forward/alarm_contact", "D0/forward/shutdown_contact", "site/-/broker_unreachable"
HANG_S = 10.0
"""A second until it is told without the disk, and as much for the broker, the telephone and a busy machine."""


@pytest.fixture
def listening(tmp_path: Path) -> Iterator[Callable[[int], Ledger]]:
    """Makes subscribers of a broker's port."""
    made: list[Ledger] = []

    def make(port: int) -> Ledger:
        made.append(Ledger(port, tmp_path / f"heard{len(made)}.txt"))
        return made[-1]

    yield make
    for ledger in made:
        ledger.close()


def site_of(folder: Path, port: int, broker: int, phone: Webhook) -> Site:
    """One drive, and people who are called by both ways."""
    made = Site(folder, [port], broker)
    (made.folder / "alarms.toml").write_text(ALARMS)
    write_crew(made, phone)
    return made


@pytest.mark.timeout(60)
def test_broker_that_forbids_alerts(
    plc: LibmodbusServer,
    make_recorder: Callable[..., int],
    make_mosquitto: Callable[..., Mosquitto],
    make_watch: Callable[..., HardWatch],
    listening: Callable[[int], Ledger],
    phone: Webhook,
    tmp_path: Path,
) -> None:
    """The canary notices and the telephone says so; a shutdown goes by telephone; allowed again, all of it is told."""
    broker = make_mosquitto(acl=ALLOW)
    broker.start()
    heard = listening(broker.port)
    watch = make_watch(site_of(tmp_path, make_recorder(plc.port), broker.port, phone))
    watch.start()
    until(lambda: watch.stage("D0") == "normal" and watch.status()["mqtt"]["up"], "drive and broker")
    plc.set("d", 0, 0)
    until(lambda: ALARM in heard.states("alarm/"), "an alarm that will be over when the broker delivers again")
    (stands,) = [a for a in watch.ask("alarms") if a["alarm"] == ALARM]
    named = {"alarm": ALARM, "occurrence": stands["occurrence"]}
    assert watch.ask("command", what="acknowledge", args=named)["ok"]

    broker.write_acl(DENY)
    broker.reload()
    until(lambda: any("messages do not get through" in t for t in rings(phone, "night1")), "the telephone", 20.0)
    detail = watch.status()["mqtt"]["detail"]
    plc.set("d", 0, 1)
    until(lambda: ALARM not in lives(watch), "the alarm to be over")
    plc.set("d", 1, 0)
    until(lambda: any("shutdown contact operated" in t for t in rings(phone, "night1")), "the shutdown", 5.0)
    silent = heard.events("shutdown_operated"), set(heard.states("alarm/"))

    broker.write_acl(ALLOW)
    broker.reload()
    until(lambda: SHUTDOWN in called_for(heard), "the call over the broker", 20.0)
    until(lambda: bool(heard.events("shutdown_operated")), "the shutdown at the subscriber")
    until(lambda: lives(watch)[UNREACHABLE] == "cleared unacknowledged", "the messages to get through again")
    until(lambda: retained_lives(heard) == lives(watch), "the retained alarms to be those that stand")
    rung = rings(phone, "night1")
    assert watch.end() == 0
    rows, _ = watch.kept()
    heard.await_rows(r for r in told_by_the_end(rows) if r.event != "stopped")
    watch.start()
    heard.await_rows(rows)  # what came of a telephone call at the very end is told by the next watch
    assert watch.end() == 0

    assert silent == ([], {ALARM})
    assert "accepts but does not deliver on " in detail
    assert "nightrake/works/events and nightrake/works/person/.canary" in detail
    assert verify(rows) == []
    assert len([t for t in rung if "shutdown contact operated" in t]) == 1
    assert len([t for t in rung if t.startswith("HIGH: messages do not get through")]) == 1


def called_for(heard: Ledger) -> set[str]:
    """Alarms for which the first person was called over the broker."""
    return {m["data"]["alarm"] for m in calls(heard, "night1", "called")}


def retained_lives(heard: Ledger) -> dict[str, str]:
    """Where the lives of the retained alarms stand."""
    return {name: s["life"] for name, s in heard.states("alarm/").items() if s["life"] != "normal"}


def lives(watch: HardWatch) -> dict[str, str]:
    """Where the lives of the alarms stand that are not normal."""
    return {a["alarm"]: a["life"] for a in watch.ask("alarms") if a["life"] != "normal"}


@pytest.mark.timeout(60)
def test_disk_that_hangs_in_a_shutdown(
    plc: LibmodbusServer,
    make_recorder: Callable[..., int],
    mosquitto: Mosquitto,
    make_watch: Callable[..., HardWatch],
    heard: Ledger,
    phone: Webhook,
    tmp_path: Path,
) -> None:
    """Who is called has it by both ways while the disk hangs, marked; it is written down later, and told once."""
    hang = tmp_path / "hang"
    preload = {"LD_PRELOAD": str(hanging_disk(tmp_path)), "NIGHTRAKE_TEST_HANG": str(hang)}
    watch = make_watch(site_of(tmp_path, make_recorder(plc.port), mosquitto.port, phone), environment=preload)
    watch.start()
    until(lambda: watch.stage("D0") == "normal" and watch.status()["mqtt"]["up"], "drive and broker")
    until(lambda: watch.status()["store"]["queued"] == 0, "the first rows to be on disk")
    begin_s = time.monotonic()
    hang.touch()
    plc.set("d", 1, 0)
    until(lambda: bool(calls(heard, "night1")) and bool(rings(phone, "night1")), "the call by both ways", HANG_S)
    until(lambda: len(heard.events("shutdown_operated")) == 1, "the event", HANG_S)
    call, while_hung = calls(heard, "night1")[0], watch.status()["store"]
    until(lambda: SHUTDOWN in heard.states("alarm/"), "the retained alarm", HANG_S)
    until(lambda: time.monotonic() - begin_s >= HANG_S, "ten seconds", HANG_S + 1.0)
    hang.unlink()
    until(lambda: watch.status()["store"]["queued"] == 0, "the journal to catch up")
    until(lambda: watch.status()["mqtt"]["cursor"] == watch.status()["store"]["last_seq"], "a canary after it", 15.0)
    until(lambda: len(rings(phone, "night1")) == len(calls(heard, "night1")), "each call by both ways")
    assert watch.end() == 0

    rows, _ = watch.kept()
    (row,) = [r for r in rows if r.event == "called" and json.loads(r.payload)["alarm"] == SHUTDOWN]
    ids = [m["id"] for m in calls(heard, "night1")]
    assert (call["data"]["alarm"], call["id"]) == (SHUTDOWN, f"{row.id}-night1")
    assert not call["durable"]
    assert while_hung["durable_seq"] < row.seq
    assert verify(rows) == []
    assert len(ids) == len(set(ids))
    assert len(rings(phone, "night1")) == len(ids)
    assert len(heard.events("shutdown_operated")) == 1
