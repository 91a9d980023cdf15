"""The whole watch brings its journal into files: killed on the way, told late from them, verified and read as one."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from integration import smallsegments
from integration.hardship import HardWatch
from integration.ledger import Ledger, told_by_the_end
from integration.site import Site, until
from nightrake.journal.archive import Where
from nightrake.journal.search import Search
from peers.mosquitto import Mosquitto
from peers.process import program
from plc.fixtures import LibmodbusServer


def write_rows(watch: HardWatch, count: int) -> None:
    """So many rows at least: the drive goes into a function check and out of it."""
    for number in range(count):
        assert watch.ask("command", what=("test", "test_end")[number % 2], drive="D0", arg="60")["ok"]


def rows_of(watch: HardWatch) -> list[dict[str, Any]]:
    """The whole journal, as the watch itself gives it."""
    rows: list[dict[str, Any]] = []
    while more := watch.ask("journal", after=rows[-1]["seq"] if rows else 0, limit=500):
        rows += more
    return rows


def in_files(site: Site) -> int:
    """Highest number of the rows that are in files only."""
    search = Search(site.state / "store.db")
    try:
        return max((k.segment.last_seq for k in search.archives() if k.where is Where.FILE), default=0)
    finally:
        search.close()


def is_heard(broker: Mosquitto, ledger: Ledger) -> bool:
    """Whether a subscriber is there: it hears what is published now."""
    command = [program("mosquitto_pub", "mosquitto-clients"), "-p", str(broker.port), "-t", "nightrake/works/probe"]
    subprocess.run([*command, "-m", "{}"], check=True, timeout=5)
    return bool(ledger.heard("probe"))


def unheard(watch: HardWatch, *ledgers: Ledger) -> set[str]:
    """Rows that no subscriber has heard, before the broker went or after."""
    return {str(row["id"]) for row in rows_of(watch)} - {e["id"] for ledger in ledgers for e in ledger.events()}


@pytest.mark.timeout(90)
def test_rows_go_into_files_and_come_from_them_to_a_broker_that_was_away(
    plc: LibmodbusServer,
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    mosquitto: Mosquitto,
    heard: Ledger,
    tmp_path: Path,
) -> None:
    """Every row under its id at the subscriber, in order, though most left the store before they were told."""
    site = Site(tmp_path, [make_recorder(plc.port)], mosquitto.port)
    watch = make_watch(site, prefix=[sys.executable, smallsegments.__file__])
    watch.start()
    until(lambda: watch.status()["mqtt"]["up"], "the broker")
    until(lambda: heard.events("started"), "the first rows to be heard")
    mosquitto.stop()
    write_rows(watch, 90)
    cursor = watch.status()["mqtt"]["cursor"]
    until(
        lambda: in_files(site) > cursor + 2 * smallsegments.ROWS, "rows that nobody was told to leave the store", 20.0
    )
    watch.end(signal.SIGKILL)
    mosquitto.start()
    late = Ledger(mosquitto.port, tmp_path / "late.txt")
    until(lambda: is_heard(mosquitto, late), "the subscriber")
    watch.start()
    until(lambda: not unheard(watch, heard, late), "every row to be heard", 30.0)
    assert watch.end() == 0
    search = Search(site.state / "store.db")
    kept, files = list(search.raw()), [k for k in search.archives() if k.where is Where.FILE]
    search.close()
    due = told_by_the_end(kept)
    late.await_rows(due[-1:])
    late.close()
    verified = subprocess.run(
        [sys.executable, "-m", "nightrake.cli", "journal", "verify", "--config", str(site.folder)],
        capture_output=True,
        text=True,
        timeout=20,
        check=False,
    )

    assert (verified.returncode, verified.stderr) == (0, "")
    assert "archives are as written" in verified.stdout
    assert len(files) >= 3
    told = list(dict.fromkeys(e["id"] for e in late.events()))
    assert kept[0].seq == 1
    assert told == [row.id for row in due][-len(told) :]
    assert len(told) >= len(due) - len({e["id"] for e in heard.events()})  # what was told before the broker went
