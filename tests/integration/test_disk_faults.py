"""The whole watch on a disk that hangs or is full: people are told all the same, and the journal has it all later."""

from __future__ import annotations

import shutil
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from integration.hardship import HardWatch, hanging_disk, kept_in
from integration.ledger import Ledger
from integration.site import Site, until
from nightrake.journal.chain import verify
from peers.apart import Apart
from peers.mosquitto import Mosquitto
from plc.fixtures import LibmodbusServer

HANG_S = 10.0
DISK_MIB = 64


@pytest.fixture
def site(plc: LibmodbusServer, make_recorder: Callable[..., int], mosquitto: Mosquitto, tmp_path: Path) -> Site:
    """Its settings."""
    return Site(tmp_path, [make_recorder(plc.port)], mosquitto.port)


@pytest.fixture
def hang(tmp_path: Path) -> Iterator[Path]:
    """The file that makes every sync hang while it exists."""
    flag = tmp_path / "hang"
    yield flag
    flag.unlink(missing_ok=True)


@pytest.fixture
def watch(site: Site, make_watch: Callable[..., HardWatch], hang: Path, tmp_path: Path) -> HardWatch:
    """A watch whose disk can hang, at work."""
    preload = {"LD_PRELOAD": str(hanging_disk(tmp_path)), "NIGHTRAKE_TEST_HANG": str(hang)}
    made = make_watch(site, environment=preload)
    made.start()
    until(lambda: made.stage("D0") == "normal", "the drive to be read")
    until(lambda: made.status()["store"]["queued"] == 0, "the first rows to be on disk")
    return made


@pytest.mark.timeout(60)
def test_sync_of_ten_seconds_silences_nobody(watch: HardWatch, plc: LibmodbusServer, heard: Ledger, hang: Path) -> None:
    """Told while it hangs and marked, scanned on meanwhile, journalled late under the same id; told only once."""
    hang.touch()
    begin_s, before = time.monotonic(), watch.status()["plcs"]["P0"]["done"]
    plc.set("d", 0, 0)

    until(lambda: len(heard.events("alarm_operated")) == 1, "the alarm while the disk hangs", HANG_S)
    event = heard.events("alarm_operated")[0]
    while_hung = watch.status()["store"]
    plc.set("d", 1, 0)
    until(lambda: len(heard.alarm("raised")) == 1, "the latch while the disk hangs", HANG_S)
    until(lambda: time.monotonic() - begin_s >= HANG_S, "ten seconds", HANG_S + 1.0)
    scans = watch.status()["plcs"]["P0"]["done"] - before
    hang.unlink()
    until(lambda: watch.status()["store"]["queued"] == 0, "the journal to catch up")
    assert watch.end() == 0

    rows, _ = watch.kept()
    late = {r.id: r for r in rows}[event["id"]]
    assert not event["durable"]
    assert while_hung["durable_seq"] < event["seq"]
    assert scans >= 0.5 * HANG_S / 0.1  # a loaded machine may cost some; waiting for the disk would cost all
    assert (late.event, late.drive, late.seq) == ("alarm_operated", "D0", event["seq"])
    assert {e["id"] for e in heard.events()} <= {r.id for r in rows}
    assert verify(rows) == []
    assert len(heard.events("alarm_operated")) == len(heard.events("shutdown_operated")) == 1


@pytest.mark.timeout(60)
def test_killed_while_the_disk_hangs_gives_no_id_two_meanings(
    watch: HardWatch, plc: LibmodbusServer, heard: Ledger, hang: Path
) -> None:
    """What was told undurably comes again after the restart, and no id ever means two things."""
    hang.touch()
    plc.set("d", 1, 0)
    until(lambda: len(heard.events("shutdown_operated")) == 1, "the shutdown while the disk hangs", HANG_S)

    watch.end(signal.SIGKILL)
    hang.unlink()
    watch.start()
    until(lambda: watch.stage("D0") == "shutdown", "the drive to be read again")
    until(lambda: len(heard.events("shutdown_operated")) == 2, "the shutdown of the journal")
    until(lambda: heard.events("started")[-1]["data"]["clean_stop_before"] is False, "the second start")
    assert watch.end() == 0

    first, second = heard.events("shutdown_operated")
    rows, _ = watch.kept()
    meanings: dict[str, set[str]] = {}
    for e in heard.events():
        meanings.setdefault(e["id"], set()).add(f"{e['event']} {e['occurred']}")
    assert (first["durable"], second["durable"]) == (False, True)
    # The kernel may have had the row already: then it is told again under its own id, as the same row.
    assert first["seq"] <= second["seq"]
    assert [i for i, m in meanings.items() if len(m) > 1] == []
    assert verify(rows) == []
    assert second["id"] in {r.id for r in rows}


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Apart]:
    """A small disk of the test's own where the store will be."""
    place = tmp_path / "state"
    place.mkdir()
    made = Apart("mount", f"mount -t tmpfs -o size={DISK_MIB}m,mode=700 nightrake-test '{place}'")
    yield made
    made.close()


def fill(filler: Path) -> None:
    """Leave nothing of the disk to anybody else."""
    with filler.open("ab", buffering=0) as file:
        for size in (65536, 4096):
            try:
                while True:
                    file.write(bytes(size))
            except OSError:
                continue


@pytest.mark.timeout(60)
def test_full_disk_silences_nobody_and_is_recovered_from(
    site: Site, disk: Apart, make_watch: Callable[..., HardWatch], plc: LibmodbusServer, heard: Ledger
) -> None:
    """Another program eats the disk to its last byte: a shutdown is told; freed, everything told is in the journal."""
    file = site.folder / "site.toml"
    file.write_text(file.read_text().replace("[store]\n", "[store]\nquota_mb = 8\nballast_mb = 1\n"))
    watch = make_watch(site, prefix=disk.prefix())
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    state = disk.root(site.state)
    until((state / "ballast").exists, "the ballast")

    def full() -> bool:
        fill(state / "filler")  # the watch gives up its ballast and its oldest scans; they are eaten too
        return not (state / "ballast").exists() and not watch.status()["store"]["up"]

    until(full, "the disk to be full")
    # Where the log could be folded in time scans are given up for events; else nothing at all can be written.
    until(lambda: watch.status()["store"]["trimmed"] > 0 or watch.status()["store"]["errors"] > 3, "the trouble")
    plc.set("d", 0, 0)
    until(lambda: len(heard.events("alarm_operated")) == 1, "the alarm on a full disk")
    plc.set("d", 1, 0)
    until(lambda: len(heard.events("shutdown_operated")) == 1, "the shutdown on a full disk")
    until(lambda: len(heard.events("still_running")) == 1, "the motor that runs on")
    until(lambda: any(e["data"]["link"] == "disk" for e in heard.events("link_down")), "the full disk to be said")
    words = [e["data"]["detail"] for e in heard.events("link_down") if e["data"]["link"] == "disk"]
    (state / "filler").unlink()
    until(lambda: watch.status()["store"]["up"] and watch.status()["store"]["queued"] == 0, "the store to recover")
    until(lambda: any(e["data"]["link"] == "disk" for e in heard.events("link_up")), "the recovery to be said")
    until((state / "ballast").exists, "the ballast to be back")
    counts = watch.status()["store"]
    assert watch.end() == 0

    copy = shutil.copy(state / "store.db", site.folder / "copy.db")  # SQLite itself would look for it out here
    rows, tail = kept_in(Path(copy))
    assert len(words) == 1
    assert "full" in words[0]
    assert "make room" in words[0]
    assert {e["id"] for e in heard.events()} <= {r.id for r in rows}
    assert verify(rows) == []
    assert counts["lost_rows"] == 0
    assert tail[-1].utc_ms >= next(r.utc_ms for r in reversed(rows) if r.event == "stopped") - 2000
