"""A part of the watch dies, hangs, or holds up everything: it is begun anew, or the whole process is, and marked.

The faults are planted from outside (`faulty.py`); the test stands in the place of systemd and restarts as it would.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from integration.hardship import HardWatch, faulty
from integration.ledger import Ledger
from integration.site import Site, healthy, until
from integration.supervisor import Supervisor
from nightrake.journal.chain import verify
from peers.mosquitto import Mosquitto
from plc.fixtures import LibmodbusServer

WATCHDOG_S = 2.0
ALIVE_S = 10.0
"""Whoever stands still says nothing however long one waits; a loaded machine may be late with its word."""
PARTS = ("ticker", "teller", "forwarder", "poller P0", "pollers", "control", "reloader")


@pytest.fixture
def systemd(tmp_path: Path) -> Iterator[Supervisor]:
    """Who restarts a watch that is stuck."""
    made = Supervisor(tmp_path, WATCHDOG_S)
    yield made
    made.close()


@pytest.fixture
def watch(
    plc: LibmodbusServer,
    make_libmodbus: Callable[[], LibmodbusServer],
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    mosquitto: Mosquitto,
    heard: Ledger,  # it listens before anything is told
    systemd: Supervisor,
    tmp_path: Path,
) -> HardWatch:
    """A watch over D0 and D1, a PLC for each, at work; faults may be planted in it."""
    other = make_libmodbus()
    healthy(other)
    site = Site(tmp_path, [make_recorder(plc.port), make_recorder(other.port)], mosquitto.port)
    made = make_watch(site, prefix=faulty(tmp_path / "faults.txt"), environment=systemd.environment)
    made.start()
    assert systemd.heard("READY=1", 10.0)
    until(lambda: made.stage("D0") == made.stage("D1") == "normal", "both drives to be read")
    until(lambda: len(heard.events("started")) == 1, "the start to be told")
    return made


def plant(watch: HardWatch, fault: str) -> None:
    """Plant a fault."""
    (watch.site.folder.parent / "faults.txt").write_text(fault)
    os.kill(watch.pid, signal.SIGUSR1)


@pytest.mark.timeout(40)
@pytest.mark.parametrize("part", PARTS)
def test_part_that_dies_ends_the_watch_and_the_next_one_goes_on(
    watch: HardWatch, plc: LibmodbusServer, heard: Ledger, part: str
) -> None:
    """No half a watch: the process ends with what happened, and the next knows the latch and what was told."""
    plc.set("d", 1, 0)
    until(lambda: len(heard.events("still_running")) == 1, "the shutdown to be told")
    plant(watch, f"fail {part}")

    code, words = watch.forget(), watch.words()
    watch.start()
    until(lambda: watch.drive("D0")["directions"]["forward"]["known_now"], "the drive to be read again")
    until(lambda: len(heard.events("started")) == 2, "the second start to be told")
    latched = watch.drive("D0")["directions"]["forward"]["latched"]
    assert watch.end() == 0

    rows, _ = watch.kept()
    assert code not in (0, -signal.SIGUSR1)
    assert "a fault that a test has planted" in words
    assert latched
    assert verify(rows) == []
    assert {e["id"] for e in heard.events() if e["durable"]} <= {r.id for r in rows}
    assert len({e["id"] for e in heard.events("shutdown_operated")}) == 1


@pytest.mark.timeout(60)
def test_poller_that_hangs_is_begun_anew_and_nobody_else_notices(
    watch: HardWatch, plc: LibmodbusServer, heard: Ledger, systemd: Supervisor
) -> None:
    """One PLC's reading stands still: it is told and begun anew; the other is read on, the process is the same."""
    plant(watch, "hang poller P0")
    before = watch.status()["plcs"]
    until(lambda: watch.status()["plcs"]["P1"]["done"] > before["P1"]["done"] + 5, "the other PLC")
    still = watch.status()["plcs"]["P0"]["done"] - before["P0"]["done"]
    plc.set("d", 0, 0)
    systemd.forget()
    plant(watch, "leap 40")
    until(lambda: len(heard.events("alarm_operated")) == 1, "what happened meanwhile", 12.0)

    def downs() -> list[str]:
        return [str(e["data"]["detail"]) for e in heard.events("link_down") if e["data"]["link"] == "plc:P0"]

    until(lambda: downs() != [], "that to be told, after what is urgent")
    assert still <= 1
    assert systemd.heard("WATCHDOG=1", ALIVE_S)
    assert downs() == ["reading it stood still and was begun anew"]
    assert watch.status()["plcs"]["P1"]["connects"] == 1
    assert len(heard.events("started")) == 1
    assert watch.end() == 0


@pytest.mark.timeout(60)
@pytest.mark.parametrize("fault", ["block 20", "hang ticker"])
def test_watch_that_stands_still_is_restarted_and_the_gap_is_marked(
    watch: HardWatch, plc: LibmodbusServer, heard: Ledger, systemd: Supervisor, fault: str
) -> None:
    """The loop held up, or its tick gone: no word for systemd, which ends it; what happened is told by the next one."""
    systemd.forget()
    plant(watch, fault)
    assert systemd.is_starved(15.0)
    plc.set("d", 1, 0)
    plc.set("d", 0, 0)
    killed = watch.end(signal.SIGABRT)  # as systemd does with WatchdogSignal= as it is
    watch.start()
    until(lambda: len(heard.events("shutdown_operated")) == 1, "what happened meanwhile")
    until(lambda: len(heard.events("alarm_operated")) == 1, "all of it")
    until(lambda: len(heard.events("started")) == 2, "the second start to be told")
    assert systemd.heard("WATCHDOG=1", ALIVE_S)
    assert watch.end() == 0

    rows, _ = watch.kept()
    start = heard.events("started")[1]["data"]
    assert killed == -signal.SIGABRT
    assert not start["clean_stop_before"]
    assert start["missed_s"] > 0
    assert verify(rows) == []
    assert len(heard.events("shutdown_operated")) == len(heard.events("alarm_operated")) == 1


@pytest.mark.timeout(40)
def test_loop_held_up_for_less_than_the_watchdog_is_a_gap_and_loses_no_edge_after_it(
    watch: HardWatch, plc: LibmodbusServer, heard: Ledger, systemd: Supervisor
) -> None:
    """It comes back by itself: the gap is a row, and the contact that changed meanwhile is told at the next scan."""
    plant(watch, "block 2.8")
    plc.set("d", 0, 0)
    until(lambda: len(heard.events("gap")) == 1, "the gap to be told")
    until(lambda: len(heard.events("alarm_operated")) == 1, "what happened meanwhile")
    systemd.forget()

    assert systemd.heard("WATCHDOG=1", ALIVE_S)
    assert heard.events("gap")[0]["data"]["seconds"] >= 2.7
    assert len(heard.events("started")) == 1
    assert watch.end() == 0


def pass_on(watch: HardWatch) -> None:
    """Two seconds of scans: whoever waits for a second or less waits anew."""
    done = watch.status()["plcs"]["P0"]["done"]
    until(lambda: watch.status()["plcs"]["P0"]["done"] > done + 20, "scans to go on")


@pytest.mark.timeout(40)
def test_telling_that_stands_still_starves_the_watchdog(
    watch: HardWatch, plc: LibmodbusServer, heard: Ledger, systemd: Supervisor
) -> None:
    """Nobody would hear of anything, though all is read: systemd is left without a word; the next one tells all."""
    plant(watch, "hang teller-canary")
    pass_on(watch)
    systemd.forget()
    plant(watch, "leap 40")
    assert systemd.is_starved(10.0)
    assert watch.answers()
    watch.end(signal.SIGKILL)
    watch.start()
    until(lambda: len(heard.events("started")) == 2, "the second start to be told")
    systemd.forget()

    assert systemd.heard("WATCHDOG=1", ALIVE_S)
    assert watch.end() == 0


@pytest.mark.timeout(40)
@pytest.mark.parametrize(("task", "link"), [("forwarder", "forwarding"), ("control", "control")])
def test_part_that_is_not_vital_stands_still_as_an_alarm_row_and_the_watch_goes_on(
    plc: LibmodbusServer,
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    mosquitto: Mosquitto,
    heard: Ledger,
    systemd: Supervisor,
    tmp_path: Path,
    task: str,
    link: str,
) -> None:
    """A restart would cost the scans a gap for its sake: it is told, and scans and telling go on."""
    site = Site(tmp_path, [make_recorder(plc.port)], mosquitto.port, forward_url="http://127.0.0.1:9")
    watch = make_watch(site, prefix=faulty(tmp_path / "faults.txt"), environment=systemd.environment)
    watch.start()
    until(lambda: len(heard.events("started")) == 1, "the start to be told")
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    plant(watch, f"hang {task}")
    pass_on(watch)

    def downs() -> list[str]:
        return [str(e["data"]["detail"]) for e in heard.events("link_down") if e["data"]["link"] == link]

    plant(watch, "leap 100")
    until(lambda: downs() != [], "the part to be missed")
    pass_on(watch)
    systemd.forget()
    plc.set("d", 0, 0)
    until(lambda: len(heard.events("alarm_operated")) == 1, "what happens meanwhile")

    assert downs() == ["it stands still; restart the watch when that suits"]
    assert systemd.heard("WATCHDOG=1", ALIVE_S)
    assert watch.status()["links"][link]["up"] is False
    assert watch.end() == 0


@pytest.mark.timeout(40)
def test_machine_that_was_suspended_leaves_a_gap(
    watch: HardWatch, plc: LibmodbusServer, heard: Ledger, systemd: Supervisor
) -> None:
    """No tick is missed by a clock that stood still, too; the time in which nobody watched is a row all the same."""
    plant(watch, "suspend 60")
    until(lambda: len(heard.events("gap")) == 1, "the gap to be told")
    systemd.forget()

    assert systemd.heard("WATCHDOG=1", ALIVE_S)
    assert heard.events("gap")[0]["data"] == {
        "seconds": pytest.approx(65.0, abs=5.5),
        "why": "the machine was suspended",
    }
    assert watch.end() == 0
