"""What a real watch recorded over a reload, kills and a stop is replayed bit for bit, also while it goes on."""

from __future__ import annotations

import json
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from integration.site import Site, Watch, healthy, until
from nightrake.cli.replay_run import Asked, run_replay
from peers.mosquitto import Mosquitto
from plc.fixtures import LibmodbusServer


@pytest.fixture
def watch(tmp_path: Path, plc: LibmodbusServer, mosquitto: Mosquitto) -> Iterator[Watch]:
    """A watch of one drive whose history is sealed each second."""
    healthy(plc)
    site = Site(tmp_path, [plc.port], mosquitto.port)
    text = (site.folder / "site.toml").read_text()
    (site.folder / "site.toml").write_text(text + "[history]\nseal_s = 1.0\n")
    running = Watch(site)
    try:
        yield running
    finally:
        if running.running:
            running.end(signal.SIGKILL)


def replayed(watch: Watch, capsys: pytest.CaptureFixture[str]) -> dict[str, object]:
    """What a replay of all of it says."""
    capsys.readouterr()
    run_replay(watch.site.folder, {}, Asked("last 1 hour", as_json=True))
    said: dict[str, object] = json.loads(capsys.readouterr().out)
    return said


@pytest.mark.timeout(90)
def test_what_a_watch_recorded_comes_again(
    watch: Watch, plc: LibmodbusServer, capsys: pytest.CaptureFixture[str]
) -> None:
    """Operations, a silent transducer, commands, a reload, a kill in the middle of an alarm, a latch taken up again."""
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the first readings")
    plc.set("d", 0, 0)
    until(lambda: watch.stage("D0") == "alarm", "the alarm")
    plc.set("i", 0, 1_000)
    plc.set("d", 1, 0)
    until(lambda: watch.stage("D0") == "shutdown", "the shutdown")
    file = watch.site.folder / "d0.toml"
    file.write_text(file.read_text().replace("alarm_nm = 32000.0", "alarm_nm = 30400.0"))
    assert watch.ask("reload")["ok"]
    watch.wait_for_disk()
    said = replayed(watch, capsys)
    assert said["difference"] is None
    assert int(str(said["rows"])) >= 5
    watch.end(signal.SIGKILL)
    plc.set("d", 1, 1)
    plc.set("i", 0, 10_400)
    watch.start()
    until(lambda: watch.stage("D0") == "alarm", "the shutdown contact to be released")
    assert watch.ask("command", what="test", drive="D0", arg="60")["ok"]
    plc.set("d", 0, 1)
    until(lambda: watch.stage("D0") == "normal", "the alarm contact to be released")
    watch.end(signal.SIGTERM)
    said = replayed(watch, capsys)
    assert said["difference"] is None
    assert said["begins"] == 1
    assert int(str(said["rows"])) >= 10
    before = {"drive.D0.alarm_nm": 25_000}
    assert run_replay(watch.site.folder, before, Asked("last 1 hour", as_json=True)) == 0
    whole = json.loads(capsys.readouterr().out)
    (shutdown,) = [a for a in whole["alarms"] if a["alarm"] == "D0/forward/shutdown_contact"]
    assert (shutdown["was"], shutdown["same"]) == (1, 1)
