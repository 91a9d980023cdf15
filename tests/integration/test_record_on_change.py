"""A real watch that records on change: kills, a reload that ends it, and what a replay says of each stretch."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import apsw
import pytest

from integration.site import Site, Watch, healthy, until
from nightrake.cli.replay_run import Asked, run_replay
from nightrake.domain.rows import TailRecord
from nightrake.errors import NightrakeError
from nightrake.longterm.reading import History
from peers.mosquitto import Mosquitto
from plc.fixtures import LibmodbusServer

RULE = "record_on_change = { longest_s = 2.0 }"
BANDED = "record_on_change = { band = 0.5, longest_s = 2.0 }"


def with_rule(text: str) -> str:
    """Every point of the drive, with a band where it is a number."""
    text = text.replace('table = "discrete",', f'table = "discrete", {RULE},')
    return text.replace("scale = 0.001", f"scale = 0.001, {BANDED}")


@pytest.fixture
def watch(tmp_path: Path, plc: LibmodbusServer, mosquitto: Mosquitto) -> Iterator[Watch]:
    """A watch of one drive, read ten times a second, all of it recorded on change."""
    healthy(plc)
    site = Site(tmp_path, [plc.port], mosquitto.port)
    (site.folder / "d0.toml").write_text(with_rule((site.folder / "d0.toml").read_text()))
    running = Watch(site)
    try:
        yield running
    finally:
        if running.running:
            running.end(signal.SIGKILL)


def record(watch: Watch) -> list[TailRecord]:
    """All inputs that were kept."""
    with History(watch.site.state) as history:
        return list(history.records(*history.seq_span()))


def lasts_s(watch: Watch) -> float:
    """From the first input to the last."""
    kept = record(watch)
    return (kept[-1].mono_ns - kept[0].mono_ns) / 1e9 if kept else 0.0


def replay(watch: Watch) -> int:
    """The last hour."""
    return run_replay(watch.site.folder, {}, Asked("last 1 hour", quiet=True))


def all_rows(watch: Watch) -> list[dict[str, Any]]:
    """The journal."""
    watch.wait_for_disk()
    found: list[dict[str, Any]] = watch.ask("journal", after=0, limit=500)
    return found


def rows_without_input(watch: Watch) -> list[tuple[str, int]]:
    """Rows of inputs that are not kept."""
    kept = {r.seq for r in record(watch)}
    db = apsw.Connection(str(watch.site.state / "store.db"), flags=apsw.SQLITE_OPEN_READONLY)
    found: list[tuple[str, int]] = list(db.execute("select event, input_seq from journal where input_seq > 0"))
    db.close()
    assert found
    return [row for row in found if row[1] not in kept]


@pytest.mark.timeout(90)
def test_what_happens_is_recorded_and_told_over_kills_and_reloads(watch: Watch, plc: LibmodbusServer) -> None:
    """Judged from scans that are not recorded too; killed and started again it says nothing twice; off, it replays."""
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the first readings")
    until(lambda: lasts_s(watch) > 4.0, "four seconds of record")
    assert sum(r.kind == "scan" for r in record(watch)) < 0.5 * lasts_s(watch) / 0.1
    plc.set("d", 1, 0)
    until(lambda: watch.stage("D0") == "shutdown", "the shutdown")
    until(lambda: not rows_without_input(watch), "the inputs of all rows to be on disk, as they are within a second")
    watch.end(signal.SIGKILL)
    plc.set("d", 1, 1)
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the contact to be released")
    told = [row for row in all_rows(watch) if row["kind"] == "history"]
    assert [row["event"] for row in told] == ["recording_on_change_began"]
    assert told[0]["data"]["points"] == 4
    with pytest.raises(NightrakeError, match=r"points are recorded on change .*no later snapshot is kept"):
        replay(watch)

    file = watch.site.folder / "d0.toml"
    on, off = file.read_text(), file.read_text().replace(f"{RULE},", "").replace(f", {BANDED}", "")
    assert off != on
    file.write_text(off)
    assert watch.ask("reload")["ok"]
    ended = ["recording_on_change_ended"]
    until(lambda: [r["event"] for r in all_rows(watch) if r["kind"] == "history"][1:] == ended, "its end to be kept")
    plc.set("d", 0, 0)
    until(lambda: watch.stage("D0") == "alarm", "the alarm")
    with pytest.raises(NightrakeError, match=r"points are recorded on change .*it can again from "):
        replay(watch)
    file.write_text(on)
    watch.end(signal.SIGTERM)
    watch.start()
    until(lambda: len([r for r in all_rows(watch) if r["kind"] == "history"]) == 3, "the row of the start")
    watch.end(signal.SIGTERM)
    assert rows_without_input(watch) == []
