"""Trip records of a running watch: made by its worker while it watches, read beside it, whole after kills."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from integration.site import Site, Watch, healthy, until
from nightrake.longterm.tripfile import TripFile
from nightrake.longterm.tripfolder import RECORD
from peers.mosquitto import Mosquitto
from plc.fixtures import LibmodbusServer


@pytest.fixture
def watch(tmp_path: Path, plc: LibmodbusServer, mosquitto: Mosquitto) -> Iterator[Watch]:
    """A watch of one drive."""
    healthy(plc)
    running = Watch(Site(tmp_path, [plc.port], mosquitto.port))
    try:
        yield running
    finally:
        if running.running:
            running.end(signal.SIGKILL)


def record(watch: Watch) -> TripFile | None:
    """The shutdown's record, as far as it goes; a folder in the making is none yet."""
    there = sorted((watch.site.state / "trips").glob("D0-forward-shutdown-1-*"))
    found = [path for path in there if path.is_file() or (path / RECORD).is_file()]
    return TripFile(found[0]) if found else None


def scans_after_trip(watch: Watch) -> int:
    """Scans in it that came after the trip; 0 = there is no record yet."""
    file = record(watch)
    if file is None:
        return 0
    with file:
        trip_ns = file.record.trip.at.mono_ns
        return sum(int((part.mono_ns >= trip_ns).sum()) for part in file.readings())


def is_whole(watch: Watch) -> bool:
    """Whether the record has come as far as the highest torque, and has the alarm."""
    file = record(watch)
    if file is None:
        return False
    with file:
        peak = file.record.peak
        return peak is not None and peak.torque_nm > 45_000.0 and "raised" in [row.event for row in file.events()]


@pytest.mark.timeout(90)
def test_shutdown_is_in_a_record_within_seconds(watch: Watch, plc: LibmodbusServer) -> None:
    """Before any hour is sealed; the watch is killed and goes on; the record is listed beside it and counted.

    Torque climbs from 24 kN.m past both contacts; the contacts operate and the motor stops, as hard-wired.
    """
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the first scans")
    plc.set("i", 0, 17_000)
    plc.set("d", 0, 0)
    until(lambda: watch.stage("D0") == "alarm", "the alarm")
    plc.set("i", 0, 19_000)
    plc.set("d", 1, 0)
    plc.set("d", 2, 0)
    until(lambda: watch.stage("D0") == "shutdown", "the shutdown")
    until(lambda: record(watch) is not None, "its record", 20.0)
    watch.end(signal.SIGKILL)
    before = scans_after_trip(watch)
    watch.start()
    until(lambda: watch.status()["history"].get("trips", 0) >= 2, "alarm and shutdown to be counted", 20.0)
    until(lambda: is_whole(watch), "its record to hold the highest torque and the alarm")
    assert watch.status()["history"]["trips_given_up"] == 0
    listed = subprocess.run(
        [sys.executable, "-m", "nightrake.cli", "trips", "list", "--config", str(watch.site.folder)],
        capture_output=True,
        text=True,
        timeout=20,
        check=True,
        env=os.environ,
    )
    assert "D0-forward-shutdown-1" in listed.stdout
    assert "open" in listed.stdout
    file = record(watch)
    assert file is not None
    with file:
        assert file.record.peak is not None
        assert file.record.peak.torque_nm == pytest.approx(45_500.0)
        (drive,) = file.drives().values()
        assert drive.shutdown_nm == 40_000.0
        assert "raised" in [row.event for row in file.events()]
        seqs = [int(seq) for part in file.readings() for seq in part.seq]
        assert seqs == sorted(set(seqs))
    assert scans_after_trip(watch) >= before
    watch.end(signal.SIGTERM)
