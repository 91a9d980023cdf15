"""The watch as its users run it, against a libmodbus server and Mosquitto: from contact to event and back."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from integration.ledger import Ledger
from integration.site import Site, Watch, healthy, until
from peers.mosquitto import Mosquitto
from peers.victoria import Victoria
from plc.fixtures import LibmodbusServer

pytestmark = pytest.mark.timeout(60)  # several processes are started, one after the other


@pytest.fixture
def watch(
    plc: LibmodbusServer, make_recorder: Callable[..., int], mosquitto: Mosquitto, tmp_path: Path
) -> Iterator[Watch]:
    """A watch over drive D0, not started."""
    running = Watch(Site(tmp_path, [make_recorder(plc.port)], mosquitto.port))
    yield running
    if running.running:
        running.end(signal.SIGKILL)


def test_contact_at_the_plc_is_an_event_with_the_right_torque(
    watch: Watch, plc: LibmodbusServer, heard: Ledger
) -> None:
    """An operated contact is told with the torque that the calibration record gives for the position."""
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    plc.set("i", 0, 13_600)  # 13.6 mA = 15 mm = 32 kN.m
    until(lambda: watch.drive("D0")["torque_nm"]["value"] == 32_000.0, "the torque")

    plc.set("d", 0, 0)

    until(lambda: len(heard.events("alarm_operated")) == 1, "the event")
    event = heard.events("alarm_operated")[0]
    assert (event["drive"], event["direction"], event["durable"]) == ("D0", "forward", True)
    assert event["data"]["torque_nm"] == 32_000.0
    until(lambda: any(s["data"]["directions"]["forward"]["state"] == "alarm" for s in heard.heard("drive/D0")), "state")
    assert watch.end() == 0
    until(lambda: heard.heard("service")[-1]["data"]["state"] == "stopped", "the word that it stopped")


def test_shutdown_latches_until_it_is_released_and_reset(watch: Watch, plc: LibmodbusServer, heard: Ledger) -> None:
    """Stop confirmed by run feedback; reset refused while operated, running before reset told, reset journalled."""
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    plc.set("d", 0, 0)
    plc.set("d", 2, 0)
    until(lambda: watch.drive("D0")["running"] is False, "the motor off")
    plc.set("d", 1, 0)
    until(lambda: watch.stage("D0") == "shutdown", "the shutdown")

    refused = watch.ask("command", what="reset", drive="D0")
    plc.set("d", 1, 1)
    plc.set("d", 0, 1)
    until(lambda: watch.stage("D0") == "normal", "the contact to release")
    plc.set("d", 2, 1)
    until(lambda: len(heard.alarm("raised", "running_while_locked_out")) == 1, "running before reset")
    still = watch.drive("D0")["directions"]["forward"]["latched"]
    plc.set("d", 2, 0)
    accepted = watch.reset("D0")

    assert (refused["ok"], still, accepted["ok"], accepted["durable"]) == (False, True, True, True)
    assert "still operated" in refused["text"]
    assert heard.events("shutdown_operated")[0]["data"]["stop"] == "confirmed"
    assert not watch.drive("D0")["directions"]["forward"]["latched"]
    until(lambda: len(heard.alarm("reset")) == 1, "the reset's row")
    assert heard.alarm("reset")[0]["data"]["known_by"] == "local user"
    watch.end()


def test_motor_that_runs_on_is_said_to_run_on(watch: Watch, plc: LibmodbusServer, heard: Ledger) -> None:
    """Run feedback still there after the set time: the hard-wired stop did not act."""
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")

    plc.set("d", 1, 0)

    until(lambda: len(heard.events("still_running")) == 1, "still running")
    assert heard.events("shutdown_operated")[0]["data"]["stop"] == "awaited"
    assert heard.events("shutdown_operated")[0]["data"]["without_alarm"] is True
    watch.end()


def test_plc_image_of_zeros_opens_nothing(watch: Watch, plc: LibmodbusServer, heard: Ledger) -> None:
    """A PLC that restarts serves zeros: normally closed contacts would read as operated, and are not taken so."""
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")

    # One entry after the other, the shutdown contact last and back first: no scan finds it alone.
    plc.set("i", 0, 0)
    for address in (2, 0, 1):
        plc.set("d", address, 0)
    until(lambda: len(heard.events("image_suspect")) == 1, "the suspicion after two seconds")
    plc.set("d", 1, 1)
    healthy(plc)
    until(lambda: len(heard.events("image_sound")) == 1, "a sound image")

    names = [e["event"] for e in heard.events()]
    assert "shutdown_suspect" in names
    assert "shutdown_operated" not in names
    until(lambda: watch.stage("D0") == "normal", "the drive as it was")
    watch.end()


def test_lost_plc_keeps_the_last_state_and_says_so(
    plc: LibmodbusServer, watch: Watch, heard: Ledger, make_libmodbus: Callable[[], LibmodbusServer]
) -> None:
    """A dead PLC neither raises nor clears; the others are not touched; quality says why."""
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    plc.set("d", 0, 0)
    until(lambda: watch.stage("D0") == "alarm", "the alarm")

    plc.stop_hard()

    until(lambda: watch.drive("D0")["quality"] == "failure", "bad quality")
    direction = watch.drive("D0")["directions"]["forward"]
    assert (direction["state"], direction["known_now"]) == ("alarm", False)
    assert watch.drive("D0")["torque_nm"]["value"] is None
    until(lambda: any("plc:P0" in str(e["data"]) for e in heard.events("link_down")), "the link's event")
    watch.end()


def test_reload_takes_a_further_drive_whole_or_not_at_all(watch: Watch, plc: LibmodbusServer) -> None:
    """A folder with a mistake is refused and nothing changes; corrected, the new drive is there, the old as it was."""
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    healthy(plc, 1)
    connects = watch.status()["plcs"]["P0"]["connects"]
    watch.site.write_drive(1, "P0", 1)
    file = watch.site.folder / "d1.toml"
    good = file.read_text()
    file.write_text(good.replace("alarm_nm", "alarm_mm"))

    refused = watch.ask("reload")
    drives = [d["drive"] for d in watch.status()["drives"]]
    file.write_text(good)
    watch.hang_up()
    until(lambda: len(watch.status()["drives"]) == 2, "the new drive")
    until(lambda: watch.stage("D1") == "normal", "the new drive to be read")

    assert not refused["ok"]
    assert any("alarm_mm" in line for line in refused["lines"])
    assert drives == ["D0"]
    assert watch.stage("D0") == "normal"
    assert watch.status()["plcs"]["P0"]["connects"] == connects
    watch.end()


def test_second_watch_on_one_store_is_refused_in_a_sentence(watch: Watch) -> None:
    """Two watches on one store cannot be; the second names the first."""
    watch.start()
    command = [sys.executable, "-m", "nightrake.cli", "watch", str(watch.site.folder)]

    second = subprocess.run(command, capture_output=True, text=True, timeout=15, check=False)

    assert second.returncode == 1
    assert "another watch (process" in second.stderr
    assert "Traceback" not in second.stderr
    watch.end()


def test_restart_forgets_nothing_and_tells_nothing_twice(watch: Watch, plc: LibmodbusServer, heard: Ledger) -> None:
    """A latched shutdown stands after kill -9 and a restart, without a second event; the gap is journalled."""
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    plc.set("d", 1, 0)
    until(lambda: len(heard.alarm("raised")) == 1, "the latch")

    watch.end(signal.SIGKILL)
    watch.start()
    until(lambda: watch.drive("D0")["directions"]["forward"]["known_now"], "the drive to be read again")

    assert watch.drive("D0")["directions"]["forward"]["latched"]
    until(lambda: len(heard.events("started")) == 2, "the second start")
    ids = {e["id"] for e in heard.events("shutdown_operated")}
    assert len(ids) == 1
    assert heard.events("started")[-1]["data"]["clean_stop_before"] is False
    watch.end()


def test_samples_reach_the_forwarded_store(
    plc: LibmodbusServer, make_recorder: Callable[..., int], mosquitto: Mosquitto, victoria: Victoria, tmp_path: Path
) -> None:
    """Torque and position stand in VictoriaMetrics as they were derived here, and so do the events."""
    watch = Watch(Site(tmp_path, [make_recorder(plc.port)], mosquitto.port, forward_url=victoria.url))
    watch.start()
    try:
        until(lambda: watch.status()["forward"]["lines"] > 30, "lines to be forwarded", 15.0)
    finally:
        watch.end()

    torque = victoria.export_until('nightrake_drive_torque_nm{drive="D0"}', 10)
    events = victoria.export_until('nightrake_event_seq{event="started"}', 1)

    values = next(iter(torque.values()))
    assert len(values) >= 10
    assert {v for _, v in values} == {24_000.0}
    assert [s for s, _ in values] == sorted({s for s, _ in values})
    assert sum(map(len, events.values())) == 1


def test_check_live_shows_each_point_through_the_running_watch(watch: Watch) -> None:
    """Raw words, meaning and round trip of every point, on the one connection that there is."""
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    command = [sys.executable, "-m", "nightrake.cli", "check", "--live", str(watch.site.folder)]

    done = subprocess.run(command, capture_output=True, text=True, timeout=15, check=False)

    assert done.returncode == 0, done.stderr
    assert "released (reads 1, normally closed, 1 = closed;" in done.stdout
    assert "10.00 mm, 24.00 kN.m" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert watch.status()["plcs"]["P0"]["connects"] == 1
    watch.end()
