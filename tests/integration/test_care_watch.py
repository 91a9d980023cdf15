"""Backup, restore and compact beside a whole watch that goes on; its disk full with history on."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from integration.hardship import HardWatch
from integration.ledger import Ledger
from integration.site import Site, Watch, healthy, until
from integration.test_disk_faults import DISK_MIB, fill
from nightrake.cli.historian_recompute import Asked, run_recompute
from nightrake.errors import StoreError
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.reading import History
from peers.apart import Apart
from peers.mosquitto import Mosquitto
from plc.fixtures import LibmodbusServer

EVERY_SECOND = "[history]\nseal_s = 1.0\n"
SHORT_TAIL = "[store]\ntail_hours = 0.001\n"


def sealing(site: Site) -> Site:
    """Sealed each second, and kept in the tail for four."""
    file = site.folder / "site.toml"
    file.write_text(file.read_text().replace("[store]\n", SHORT_TAIL) + EVERY_SECOND)
    return site


@pytest.fixture
def watch(tmp_path: Path, plc: LibmodbusServer, mosquitto: Mosquitto) -> Iterator[Watch]:
    """A watch of one drive, at work."""
    healthy(plc)
    running = Watch(sealing(Site(tmp_path, [plc.port], mosquitto.port)))
    running.start()
    try:
        yield running
    finally:
        if running.running:
            running.end(signal.SIGKILL)


def historian(watch: Watch, *words: str | Path) -> tuple[int, str]:
    """The command: exit code and all that it said."""
    command = [sys.executable, "-m", "nightrake.cli", "historian", *map(str, words)]
    done = subprocess.run(
        [*command, "--config", str(watch.site.folder)], capture_output=True, text=True, timeout=30, check=False
    )
    return done.returncode, " ".join((done.stdout + done.stderr).split())


def span_of(folder: Path) -> tuple[int, int, int]:
    """First and last input of a backup, none of which is missing in between, and how far it is sealed."""
    with History(folder) as history:
        first, last = history.seq_span()
        numbers = [record.seq for record in history.records(first, last)]
        assert numbers == list(range(first, last + 1))
        return first, last, history.sealed_seq()


@pytest.mark.timeout(120)
def test_backups_of_a_working_watch_are_whole(watch: Watch, plc: LibmodbusServer, tmp_path: Path) -> None:
    """Sealed and dropped while copied: each backup has every input, up to its own moment; the watch goes on."""
    until(lambda: watch.status()["history"]["sealed_seq"] > 100, "something to be sealed", 30.0)
    for number in range(3):
        before = watch.status()
        code, said = historian(watch, "backup", tmp_path / f"b{number}")
        assert (code, "The watch went on meanwhile." in said) == (0, True), said
        first, last, sealed = span_of(tmp_path / f"b{number}")
        assert first == 1
        assert before["history"]["sealed_seq"] <= sealed <= last
        code, said = historian(watch, "verify", tmp_path / f"b{number}")
        assert (code, "All of it holds." in said) == (0, True), said
    code, said = historian(watch, "verify")
    assert (code, "All of it holds." in said) == (0, True), said
    code, said = historian(watch, "restore", tmp_path / "b0", "--replace")
    assert (code, "another watch (process" in said) == (1, True)
    code, said = historian(watch, "compact")
    assert (code, "history.db: " in said, "The watch keeps store.db compact itself" in said) == (0, True, True), said
    plc.set("d", 1, 0)
    until(lambda: watch.stage("D0") == "shutdown", "the shutdown")
    assert watch.status()["history"]["up"]
    epoch = watch.status()["store"]["epoch"]
    assert watch.end() == 0
    code, said = historian(watch, "restore", tmp_path / "b1", "--replace")
    assert (code, "Alarms, latches and lockouts are now those of that time" in said) == (0, True), said
    plc.set("d", 1, 1)
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive as it was then")
    assert watch.status()["store"]["epoch"] != epoch
    watch.wait_for_disk()
    started = [row for row in watch.ask("journal", after=0, limit=500) if row["event"] == "started"][-1]
    assert started["data"]["store_copied"] is True
    sealed = span_of(tmp_path / "b1")[2]
    until(lambda: watch.status()["history"]["sealed_seq"] > sealed + 50, "sealing to go on", 30.0)
    assert watch.end() == 0
    with History(watch.site.state) as history:
        numbers = [record.seq for record in history.records(*history.seq_span())]
        assert (numbers[0], numbers == sorted(set(numbers))) == (1, True)
        assert set(range(1, span_of(tmp_path / "b1")[1] + 1)) <= set(numbers)
    code, said = historian(watch, "verify")
    assert (code, "All of it holds." in said) == (0, True), said


def summarised(folder: Path) -> bool:
    """Whether the drive has a summary."""
    try:
        blocks = Blocks(folder)
    except StoreError:
        return False
    try:
        return blocks.ready and bool(blocks.ask("select 1 from summary_open limit 1"))
    finally:
        blocks.close()


@pytest.mark.timeout(60)
def test_recompute_is_a_row_of_the_journal(watch: Watch) -> None:
    """Who, which drive, under which record: torque of that time reads otherwise from then on."""
    until(lambda: summarised(watch.site.state), "the first summary", 30.0)
    yesterday = time.strftime("%Y-%m-%dT%H:%MZ", time.gmtime(time.time() - 86_400))
    assert run_recompute(watch.site.folder, {}, Asked("D0", yesterday, "", "", "", write=True)) == 0

    def rows() -> list[dict[str, Any]]:
        return [row for row in watch.ask("journal", after=0, limit=500) if row["event"] == "recomputed"]

    until(lambda: len(rows()) == 1, "the row")
    (row,) = rows()
    assert (row["kind"], row["drive"], row["direction"]) == ("history", "D0", "forward")
    assert "were written under record" in row["data"]["detail"]
    assert row["data"]["actor"]
    assert row["data"]["from_utc_ms"] < row["data"]["to_utc_ms"]
    assert watch.end() == 0


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Apart]:
    """A small disk of the test's own where the store will be."""
    place = tmp_path / "state"
    place.mkdir()
    made = Apart("mount", f"mount -t tmpfs -o size={DISK_MIB}m,mode=700 nightrake-test '{place}'")
    yield made
    made.close()


@pytest.mark.timeout(120)
def test_full_disk_with_history_on(
    make_recorder: Callable[..., int],
    mosquitto: Mosquitto,
    disk: Apart,
    make_watch: Callable[..., HardWatch],
    plc: LibmodbusServer,
    heard: Ledger,
    tmp_path: Path,
) -> None:
    """Filled to its last byte in the middle of sealing: alerts still come; with room again both files go on, whole."""
    site = sealing(Site(tmp_path, [make_recorder(plc.port)], mosquitto.port))
    watch = make_watch(site, prefix=disk.prefix())
    watch.start()
    until(lambda: watch.status()["history"]["sealed_seq"] > 50, "something to be sealed", 30.0)
    state = disk.root(site.state)

    def full() -> bool:
        fill(state / "filler")
        status = watch.status()
        return not status["store"]["up"] and not status["history"]["up"]

    until(full, "the disk to be full for both", 60.0)
    before = watch.status()["history"]["sealed_seq"]
    plc.set("d", 0, 0)
    until(lambda: len(heard.events("alarm_operated")) == 1, "the alarm on a full disk")
    plc.set("d", 1, 0)
    until(lambda: len(heard.events("shutdown_operated")) == 1, "the shutdown on a full disk")
    until(
        lambda: any(e["data"]["link"] == "history" for e in heard.events("link_down")), "history's trouble to be said"
    )
    (state / "filler").unlink()
    until(lambda: watch.status()["store"]["up"] and watch.status()["store"]["queued"] == 0, "the store to go on", 30.0)
    until(lambda: watch.status()["history"]["up"], "history to go on", 60.0)
    newest = watch.status()["store"]["last_seq"]
    until(lambda: watch.status()["history"]["sealed_seq"] > before + 50, "what came since to be sealed", 60.0)
    assert newest >= 0
    until(lambda: any(e["data"]["link"] == "history" for e in heard.events("link_up")), "that to be said")
    assert watch.end() == 0
    command = [*disk.prefix(), sys.executable, "-m", "nightrake.cli", "historian", "verify"]
    done = subprocess.run(
        [*command, "--config", str(site.folder)], capture_output=True, text=True, timeout=30, check=False
    )
    assert (done.returncode, "All of it holds." in done.stdout) == (0, True), done.stdout
