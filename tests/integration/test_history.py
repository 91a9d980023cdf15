"""The whole watch with its history worker: sealed, told, killed, switched off; scans and alarms go on meanwhile."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from integration.site import Site, Watch, healthy, until
from nightrake.crashpoint import SEALED
from nightrake.longterm.reading import History
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


def sealed(watch: Watch) -> int:
    """How far the watch knows that its history is sealed."""
    return int(watch.status()["history"]["sealed_seq"])


def worker_of(watch: Watch) -> psutil.Process:
    """The watch's history worker."""
    pid = watch._process.pid if watch._process is not None else 0
    (found,) = [p for p in psutil.Process(pid).children() if "nightrake.workers.keeping" in p.cmdline()]
    return found


def whole(watch: Watch) -> int:
    """Every recorded input from the first to what is known sealed is there, in blocks or in the tail; how many."""
    with History(watch.site.state) as history:
        last = history.seq_span()[1]
        numbers = [record.seq for record in history.records(0, last)]
        assert numbers == sorted(set(numbers))
        assert history.sealed_seq() <= last
        return len(numbers)


@pytest.mark.timeout(60)
def test_history_is_sealed_read_and_outlives_kills(watch: Watch, plc: LibmodbusServer) -> None:
    """The worker is killed, then the watch: both go on where they were, and nothing is missing in between."""
    watch.start()
    until(lambda: sealed(watch) > 20, "something to be sealed", 20.0)
    worker_of(watch).kill()
    before = sealed(watch)
    plc.set("d", 1, 0)
    until(lambda: watch.stage("D0") == "shutdown", "the shutdown to be noticed while there is no worker")
    until(lambda: sealed(watch) > before + 20, "another worker to seal", 20.0)
    status = watch.status()["history"]
    assert (status["up"], status["lost_unsealed"], status["starts"]) == (True, 0, 2)
    orphan = worker_of(watch)
    watch.end(signal.SIGKILL)
    orphan.wait(5.0)
    count = whole(watch)
    watch.start()
    until(lambda: sealed(watch) > count, "sealing to go on", 20.0)  # numbers are skipped after a kill
    assert whole(watch) > count
    with History(watch.site.state) as history:
        parts = list(history.samples("D0", "position", 0, 2**60))
        assert {float(v) for part in parts for v, q in zip(part.value, part.quality, strict=True) if q == 0} == {10.4}
        contacts = [v for part in history.samples("D0", "contact:forward/shutdown/A", 0, 2**60) for v in part.value]
        assert (contacts[0], contacts[-1]) == (1.0, 0.0)
    watch.end(signal.SIGTERM)


@pytest.mark.timeout(60)
@pytest.mark.parametrize("moment", SEALED)
def test_watch_killed_as_it_hears_of_sealing(watch: Watch, moment: str) -> None:
    """Before or after its cursor: the worker says it again, and the tail is whole."""
    watch.start(f"{moment}:2", wait=False)
    end_s = time.monotonic() + 20.0
    while watch.running and time.monotonic() < end_s:
        time.sleep(0.05)
    assert watch.forget() == -signal.SIGKILL
    count = whole(watch)
    watch.start()
    until(lambda: sealed(watch) > count, "sealing to go on", 20.0)
    assert whole(watch) > count
    watch.end(signal.SIGTERM)


@pytest.mark.timeout(60)
def test_history_switched_off_and_on(watch: Watch) -> None:
    """By a reload: the worker goes, and comes back; what was recorded meanwhile is sealed then."""
    watch.start()
    until(lambda: sealed(watch) > 10, "something to be sealed", 20.0)
    file = watch.site.folder / "site.toml"
    file.write_text(file.read_text().replace("[history]\n", "[history]\nenabled = false\n"))
    assert watch.ask("reload")["ok"]
    until(lambda: not watch.status()["history"]["enabled"], "history to be off")
    until(lambda: not worker_running(watch), "the worker to end")
    at = sealed(watch)
    file.write_text(file.read_text().replace("enabled = false\n", ""))
    assert watch.ask("reload")["ok"]
    until(lambda: sealed(watch) > at + 20, "sealing to go on", 20.0)
    whole(watch)
    watch.end(signal.SIGTERM)


def worker_running(watch: Watch) -> bool:
    """Whether there is a worker."""
    try:
        return bool(worker_of(watch).is_running())
    except (ValueError, psutil.Error):
        return False


@pytest.mark.timeout(60)
def test_history_file_that_cannot_be_written_is_told(watch: Watch) -> None:
    """A link of ours goes down, in words; alarms go on; it comes back by itself."""
    watch.site.state.mkdir(parents=True, exist_ok=True)
    (watch.site.state / "history.db").mkdir()
    watch.start()
    until(lambda: watch.status()["links"].get("history", {}).get("up") is False, "the trouble to be told", 20.0)
    assert "history.db" in watch.status()["links"]["history"]["detail"]
    os.rmdir(watch.site.state / "history.db")
    until(lambda: sealed(watch) > 10, "sealing to begin", 30.0)
    until(lambda: watch.status()["links"]["history"]["up"], "that to be told")
    watch.end(signal.SIGTERM)


@pytest.mark.timeout(60)
def test_damaged_history_is_a_notice_until_its_file_is_taken_away(watch: Watch) -> None:
    """Sealing goes on in a new file, and a person is told, over a restart too: not that all is well."""
    (watch.site.state).mkdir(exist_ok=True)
    (watch.site.state / "history.db").write_bytes(b"no database at all" * 400)
    watch.start()
    until(lambda: sealed(watch) > 20, "something to be sealed in a new file", 20.0)
    until(lambda: "moved aside" in watch.status()["history"]["damage"], "the damage to be told")
    until(lambda: stands(watch), "the notice to stand")
    watch.end(signal.SIGTERM)
    watch.start()
    until(lambda: "moved aside" in watch.status()["history"]["damage"], "the damage to be told again", 20.0)
    assert stands(watch)
    for path in watch.site.state.glob("history.db.damaged-*"):
        path.unlink()
    until(lambda: watch.status()["history"]["damage"] == "", "the end of it to be told", 20.0)
    until(lambda: not stands(watch), "the notice to go, ten seconds later", 25.0)
    watch.end(signal.SIGTERM)


def stands(watch: Watch) -> bool:
    """Whether the notice of a damaged history is shown."""
    found = [alarm for alarm in watch.ask("alarms") if alarm["alarm"] == "site/-/history_damaged"]
    return bool(found) and "cleared" not in found[0]["state"]
