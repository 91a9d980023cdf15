"""A PLC port that never stops sending, and a watch that was stopped for a while: nothing grows, nothing is hidden."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from integration.hardship import HardWatch
from integration.ledger import Ledger
from integration.site import Site, until
from peers.mosquitto import Mosquitto
from plc.fixtures import LibmodbusServer

SCAN_S = 0.25
STREAM_S = 4.0
MOST_MB = 150.0
"""Field requirement: the watch never takes more than this."""
PAUSE_S = 3.0


@pytest.mark.timeout(40)
@pytest.mark.parametrize("kind", ["garbage", "frames"])
def test_endless_bytes_cost_no_memory_and_no_other_scan(
    kind: str,
    plc_program: Callable[..., int],
    plc: LibmodbusServer,
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    mosquitto: Mosquitto,
    tmp_path: Path,
) -> None:
    """Four seconds of bytes from D0's PLC: D0 is bad with the reason, memory stays, D1 is scanned in its time."""
    ports = [make_recorder(plc_program("firehose.py", kind)), make_recorder(plc.port)]
    watch = make_watch(Site(tmp_path, ports, mosquitto.port, scan_s=SCAN_S))
    watch.start()
    until(lambda: watch.stage("D1") == "normal", "D1 to be read")
    until(lambda: watch.drive("D0")["quality"] == "failure", "D0 to be bad")
    begin_s, before, most_mb = time.monotonic(), watch.status()["plcs"], 0.0
    while time.monotonic() < begin_s + STREAM_S:
        most_mb = max(most_mb, watch.status()["memory_mb"])
    plcs, took_s = watch.status()["plcs"], time.monotonic() - begin_s
    state, reasons = watch.stage("D0"), watch.drive("D0")["reasons"]
    assert watch.end() == 0

    assert most_mb < MOST_MB
    assert plcs["P1"]["done"] - before["P1"]["done"] >= 0.5 * took_s / SCAN_S  # a loaded machine may cost some
    assert (state, plcs["P0"]["outcomes"].get("GOOD", 0)) == ("unknown", 0)
    assert reasons
    assert plcs["P0"]["connects"] - before["P0"]["connects"] <= 2 + 2 * took_s


@pytest.mark.timeout(40)
def test_watch_stopped_for_a_while_marks_the_gap_and_reads_on(
    plc: LibmodbusServer,
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    mosquitto: Mosquitto,
    heard: Ledger,
    tmp_path: Path,
) -> None:
    """A paused machine: the missed time is a row, what happened meanwhile is told at the next scan, once."""
    watch = make_watch(Site(tmp_path, [make_recorder(plc.port)], mosquitto.port))
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    os.kill(watch.pid, signal.SIGSTOP)
    stopped_s = time.monotonic()
    try:
        plc.set("d", 1, 0)
        until(lambda: time.monotonic() > stopped_s + PAUSE_S, "the pause", PAUSE_S + 1.0)
    finally:
        os.kill(watch.pid, signal.SIGCONT)
    until(lambda: len(heard.events("gap")) == 1, "the gap to be told")
    until(lambda: len(heard.events("shutdown_operated")) == 1, "what happened meanwhile to be told")
    assert watch.stage("D0") == "shutdown"
    assert watch.end() == 0

    gap = heard.events("gap")[0]["data"]
    assert gap["seconds"] >= PAUSE_S - 0.2
    assert len(heard.events("shutdown_operated")) == 1
