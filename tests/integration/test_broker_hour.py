"""The broker is away for an hour: events come in order and whole, people get the present state, telephones ring."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from integration.crew import calls, rings, write_crew
from integration.hardship import HardWatch
from integration.ledger import Ledger, told_by_the_end
from integration.site import Site, healthy, until
from nightrake.domain.rows import Row
from nightrake.journal.chain import verify
from peers.mosquitto import Mosquitto
from peers.process import program
from peers.webhook import Webhook
from plc.fixtures import LibmodbusServer

DRIVES = 5
HOUR_S = 3600.0
TRANSITIONS = 50
STANDS = "D4/forward/shutdown_contact"
"""Operated early in the hour and still at its end; nobody answers for it."""
ANSWERED = "D3/forward/alarm_contact"
"""Acknowledged in the middle, and called again when its time to respond was over."""
CALLED = ("night1", "night2")
ALARMS = "[alarm.alarm_contact]\non_delay_s = 1.0\noff_delay_s = 60.0\n[alarm.shutdown_contact]\noff_delay_s = 0.3\n"


@pytest.fixture(params=[5, 311])
def site(
    request: pytest.FixtureRequest,
    plc: LibmodbusServer,
    make_recorder: Callable[..., int],
    mosquitto: Mosquitto,
    phone: Webhook,
    tmp_path: Path,
) -> Site:
    """Five drives at one PLC, whose people are called by both ways and reminded every minute; MQTT 5, then 3.1.1."""
    for at in range(DRIVES):
        healthy(plc, at)
    made = Site(tmp_path, [make_recorder(plc.port)], mosquitto.port, per_plc=DRIVES, scan_s=0.05)
    for n in range(DRIVES):
        file = made.folder / f"d{n}.toml"
        file.write_text(file.read_text().replace("alarm_nm", "stale_s = 600.0\nalarm_nm", 1))
    settings = made.folder / "site.toml"
    settings.write_text(settings.read_text().replace("[mqtt]\n", f"[mqtt]\nprotocol = {request.param}\n", 1))
    (made.folder / "alarms.toml").write_text(ALARMS)
    write_crew(made, phone, wait_s=300.0, remind_s=60.0, limit=(200, 10.0))
    return made


def pass_time(watch: HardWatch, file: Path, seconds: float) -> None:
    """Let it begin to pass for the watch, in some seconds; the file is gone when it has."""
    file.write_text(str(seconds))
    os.kill(watch.pid, signal.SIGUSR1)


def come_and_go(watch: HardWatch, plc: LibmodbusServer, count: int) -> None:
    """So many changes of the alarm contacts of the first three drives, each of them seen."""
    for n in range(count):
        drive, released = n % 3, n // 3 % 2
        plc.set("d", 10 * drive, released)
        until(lambda d=drive, r=released: watch.stage(f"D{d}") == ("normal" if r else "alarm"), f"change {n}", 5.0)


def hear_again(port: int, file: Path) -> Ledger:
    """A subscriber that has certainly subscribed."""
    ledger = Ledger(port, file)
    tell = [program("mosquitto_pub", "mosquitto-clients"), "-p", str(port), "-t", "nightrake/works/probe", "-m", "{}"]

    def listens() -> bool:
        subprocess.run(tell, check=False, capture_output=True, timeout=5)
        return bool(ledger.heard("probe"))

    until(listens, "the subscriber to listen")
    return ledger


@pytest.mark.timeout(90)
def test_broker_away_for_an_hour(
    site: Site,
    make_watch: Callable[..., HardWatch],
    plc: LibmodbusServer,
    mosquitto: Mosquitto,
    phone: Webhook,
    tmp_path: Path,
) -> None:
    """Fifty transitions in it; alarms that stand, come and go, and are acknowledged; hundreds of calls by telephone."""
    file = tmp_path / "hurry"
    watch = make_watch(site, prefix=[sys.executable, str(Path(__file__).with_name("hurried.py")), str(file)])
    watch.start()
    until(lambda: watch.stage("D4") == "normal" and watch.status()["mqtt"]["up"], "drives and broker")
    until(lambda: is_told(watch), "the first rows to be confirmed")
    before = watch.status()["store"]["last_seq"]

    mosquitto.stop()
    pass_time(watch, file, HOUR_S)
    plc.set("d", 10 * 4 + 1, 0)
    plc.set("d", 10 * 3, 0)
    come_and_go(watch, plc, TRANSITIONS // 2 - 1)
    (stands,) = [a for a in watch.ask("alarms") if a["alarm"] == ANSWERED]
    named = {"alarm": ANSWERED, "occurrence": stands["occurrence"]}
    assert watch.ask("command", what="acknowledge", args=named)["ok"]
    come_and_go(watch, plc, TRANSITIONS // 2 - 1)
    until(lambda: not file.exists(), "the hour to pass", 40.0)
    rung = {person: rings(phone, person) for person in CALLED}
    returned = watch.status()["store"]["last_seq"]
    os.kill(watch.pid, signal.SIGSTOP)  # until a subscriber is there: one that comes late has missed what went before
    mosquitto.start()
    after = hear_again(mosquitto.port, tmp_path / "after.txt")
    os.kill(watch.pid, signal.SIGCONT)
    until(lambda: watch.status()["mqtt"]["up"], "the broker to be found again", 30.0)
    until(lambda: is_told(watch), "everything to be confirmed", 20.0)
    until(lambda: all(calls(after, person, "more") for person in CALLED), "how many came and went", 15.0)
    judge_retained(after, watch)
    calling = {a["alarm"] for a in watch.ask("alarms") if a["next_call_utc_ms"]}
    assert watch.end() == 0
    rows, _ = watch.kept()
    after.await_rows(r for r in told_by_the_end(rows) if r.seq > before)
    after.close()

    judge_events(rows, after, before)
    for person in CALLED:
        judge_person(rows, after, person, calling, returned)
        assert len(rung[person]) > 60
        assert any("shutdown contact operated" in title for title in rung[person])
        assert any("messages do not get through" in title for title in rung[person])


def is_told(watch: HardWatch) -> bool:
    """Whether a canary has confirmed every row."""
    status = watch.status()
    return bool(status["mqtt"]["cursor"] == status["store"]["last_seq"])


def judge_events(rows: list[Row], after: Ledger, before: int) -> None:
    """Journal whole, without a gap; each missing id heard at least once, those of one drive in order."""
    moved = [r for r in rows if r.event.endswith(("_operated", "_released"))]
    seqs = [e["seq"] for e in after.events()]
    assert verify(rows) == []
    assert len(moved) == TRANSITIONS
    assert "gap" not in {r.event for r in rows}
    (last,) = [r for r in rows if r.seq == before]  # the hour begins while the broker goes, before the first change
    assert rows[-1].utc_ms - last.utc_ms > HOUR_S * 1000
    assert {r.seq for r in told_by_the_end(rows) if r.seq > before} <= set(seqs)
    assert {e["id"] for e in after.events()} <= {r.id for r in rows}
    drives = {r.seq: r.drive for r in rows}
    for drive in {*drives.values()} - {""}:
        first = list(dict.fromkeys(s for s in seqs if drives[s] == drive))
        assert first == sorted(first), drive


def judge_person(rows: list[Row], after: Ledger, person: str, calling: set[str], returned: int) -> None:
    """Each alarm that calls them, the newest message of it only, and one for all that came and went; no stale one.

    Args:
        rows, after: What was kept, and heard after the hour. calling: Alarms that call now.
        returned: The newest row when the broker came back; a reminder may have followed in its turn.
    """
    newest: dict[str, str] = {}
    for row in rows:
        data = json.loads(row.payload)
        if row.event in ("called", "reminded") and row.seq <= returned and person in data["people"]:
            newest[data["alarm"]] = f"{row.id}-{person}"
    told = calls(after, person)
    singles = [(m["data"]["alarm"], m["id"]) for m in told if m["event"] in ("called", "reminded")]
    old = [(alarm, id) for alarm, id in singles if int(id.split("-")[1]) <= returned]
    assert {alarm for alarm, _ in singles} == calling
    assert dict(old).items() <= newest.items()
    assert len(old) == len(dict(old))
    assert {STANDS, ANSWERED} <= calling
    (more,) = [m["data"] for m in told if m["event"] == "more"]
    assert more["calling"] == {}
    assert more["over"] >= 3
    assert len(told) == len(singles) + 1  # nobody is told that they are no longer needed who never was called


def judge_retained(after: Ledger, watch: HardWatch) -> None:
    """The alarms that are retained are those that the watch has now."""
    standing = {a["alarm"]: a["life"] for a in watch.ask("alarms") if a["life"] != "normal"}
    assert {name: state["life"] for name, state in after.states("alarm/").items()} == standing
