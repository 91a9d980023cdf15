"""More at once than anybody can mean: commands without end, and a site on which every contact changes in one scan."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from integration.hardship import HardWatch
from integration.ledger import Ledger
from integration.site import Site, healthy, until
from nightrake.domain.chatter import TOLD_SINGLY
from nightrake.journal.chain import verify
from peers.mosquitto import Mosquitto
from plc.fixtures import LibmodbusServer

CLIENTS = 20
FLOOD_S = 6.0
SCAN_S = 0.1
MOST_MB = 150.0
"""Field requirement: the watch never takes more than this."""
KINDS = 4
"""Kinds of rows that refusals may be counted under: one for each drive named, and one for none."""


@pytest.mark.timeout(40)
def test_commands_without_end_are_answered_in_order_and_hold_up_nothing(
    plc: LibmodbusServer,
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    mosquitto: Mosquitto,
    heard: Ledger,
    tmp_path: Path,
) -> None:
    """Twenty clients write as fast as the socket takes it; a shutdown in the middle is told, a check is begun."""
    watch = make_watch(Site(tmp_path, [make_recorder(plc.port)], mosquitto.port, scan_s=SCAN_S))
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    before, begin_s, most_mb = watch.status(), time.monotonic(), 0.0
    command = [sys.executable, str(Path(__file__).with_name("flood.py")), str(watch.site.socket)]
    flood = subprocess.Popen([*command, str(CLIENTS), str(FLOOD_S)], stdout=subprocess.PIPE, text=True)
    try:
        until(lambda: watch.status()["store"]["last_seq"] > before["store"]["last_seq"] + 3, "the flood to begin")
        answer = watch.ask("command", what="test", drive="D0", arg="30")
        plc.set("d", 0, 0)
        until(lambda: len(heard.events("alarm_operated")) == 1, "the contact to be told")
        assert flood.poll() is None, "told only when the flood was over"
        while flood.poll() is None:
            most_mb = max(most_mb, watch.status()["memory_mb"])
    finally:
        out, _ = flood.communicate(timeout=15.0)
    after, took_all_s = watch.status(), time.monotonic() - begin_s
    assert watch.end() == 0

    counts = json.loads(out)
    rows, _ = watch.kept()
    refusals = [r for r in rows if r.event == "refused"]
    assert counts["answered"] == counts["in_order"] == counts["refused"] > CLIENTS
    assert counts["sent"] > 5 * counts["answered"]  # the rest stayed outside, in the sockets of those who wrote it
    assert (answer["ok"], answer["durable"]) == (True, True)
    assert most_mb < MOST_MB
    plcs = (before["plcs"]["P0"], after["plcs"]["P0"])
    assert plcs[1]["done"] - plcs[0]["done"] >= 0.5 * took_all_s / SCAN_S  # a loaded machine may cost some
    assert after["store"]["lost_tail"] == 0
    assert 0 < len(refusals) <= KINDS * TOLD_SINGLY
    counted = [json.loads(r.payload)["events"] for r in rows if r.event == "refusals_counted"]
    assert counted == [] or min(counted) > TOLD_SINGLY


DRIVES = 100


@pytest.mark.timeout(60)
def test_every_drive_at_once_is_told_shutdowns_first_and_kept_whole(
    make_libmodbus: Callable[[], LibmodbusServer],
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    mosquitto: Mosquitto,
    heard: Ledger,
    tmp_path: Path,
) -> None:
    """A hundred drives: the alarm contact operates on the even ones, the shutdown contact on the odd ones."""
    plc = make_libmodbus()
    for at in range(DRIVES):
        healthy(plc, at)
    site = Site(tmp_path, [make_recorder(plc.port)], mosquitto.port, per_plc=DRIVES, scan_s=0.25)
    watch = make_watch(site)
    watch.start()
    until(lambda: all(watch.stage(f"D{n}") == "normal" for n in (0, DRIVES - 1)), "the drives to be read")
    until(lambda: watch.status()["store"]["queued"] == 0, "the first rows to be on disk")
    for at in range(DRIVES):
        plc.set("d", 10 * at + at % 2, 0)
    until(lambda: len(heard.events("alarm_operated")) == DRIVES // 2, "every alarm to be told")
    until(lambda: len(heard.events("still_running")) == DRIVES // 2, "every motor that runs on to be told")
    after = watch.status()
    assert watch.end() == 0

    rows, _ = watch.kept()
    order = [e["event"] + e["data"].get("alarm", "").partition("/forward")[2] for e in heard.events()]
    alarms, shutdowns = (
        [n for n, e in enumerate(order) if e == name] for name in ("alarm_operated", "raised/shutdown_contact")
    )
    assert len(shutdowns) == DRIVES // 2
    assert sum(shutdowns) / len(shutdowns) < sum(alarms) / len(alarms)
    assert {e["drive"] for e in heard.events("shutdown_operated")} == {f"D{n}" for n in range(1, DRIVES, 2)}
    assert {e["drive"] for e in heard.events("alarm_operated")} == {f"D{n}" for n in range(0, DRIVES, 2)}
    assert {e["id"] for e in heard.events() if e["durable"]} <= {r.id for r in rows}
    assert verify(rows) == []
    assert after["memory_mb"] < MOST_MB
