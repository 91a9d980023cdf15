"""A thousand alarms in one second: bounded, all in the journal, shutdowns first, nobody flooded, nobody forgotten."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from integration import alarmflood
from integration.alarmflood import GROWTH_MB, PER_PLC, has_all, has_calls, memory_mb
from integration.crew import called, calls, rings, rung, write_crew
from integration.hardship import HardWatch
from integration.ledger import Ledger
from integration.site import Site, until
from peers.mosquitto import Mosquitto
from peers.webhook import Webhook
from plc.fixtures import LibmodbusServer

PLCS = 5
DRIVES = PLCS * PER_PLC


@pytest.mark.timeout(60)
def test_thousand_alarms_in_a_second(
    make_libmodbus: Callable[[], LibmodbusServer],
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    mosquitto: Mosquitto,
    heard: Ledger,
    phone: Webhook,
    tmp_path: Path,
) -> None:
    """Of five hundred drives, with three out of four shut down and their motors running on: 1 250 alarms."""
    plcs = [make_libmodbus() for _ in range(PLCS)]
    alarmflood.all_healthy(plcs)
    site = Site(tmp_path, [make_recorder(p.port) for p in plcs], mosquitto.port, per_plc=PER_PLC, scan_s=0.25)
    (site.folder / "alarms.toml").write_text(alarmflood.ALARMS)
    write_crew(site, phone, limit=(10, 600.0))
    watch = make_watch(site)
    watch.start()
    until(lambda: all(d["directions"]["forward"]["known_now"] for d in watch.status()["drives"]), "all drives read")
    until(lambda: watch.status()["store"]["queued"] == 0, "the first rows to be on disk")
    before_mb = memory_mb(watch.pid)["VmRSS"]

    alarmflood.operate_all(plcs)
    urgent, every = len(alarmflood.urgent_of(DRIVES)), sorted(alarmflood.alarms_of(DRIVES))
    until(lambda: alarmflood.raised_by(heard.events()) == every, "every alarm", 30.0)
    until(lambda: has_calls(called(heard, "night1"), heard, "night1", urgent), "every call over the broker", 40.0)
    until(lambda: has_calls(rung(phone, "night1"), heard, "night1", urgent), "every call by telephone", 40.0)
    until(lambda: len(heard.events("delivered")) == len(phone.got), "what came of each call by telephone", 30.0)
    until(lambda: has_all(heard, watch), "every row at the subscriber", 30.0)
    late = Ledger(mosquitto.port, tmp_path / "late.txt")
    until(lambda: alarmflood.is_retained(late, watch), "the retained alarms to be those that stand")
    late.close()
    most_mb = memory_mb(watch.pid)["VmHWM"]
    assert watch.end() == 0

    rows, _ = watch.kept()
    until(lambda: len(heard.events()) >= len(rows), "the last rows at the subscriber")
    print(f"{before_mb:.0f} MB before, {most_mb:.0f} MB at most, {len(rows)} rows")
    assert most_mb - before_mb < GROWTH_MB
    alarmflood.judge_rows(rows, heard, DRIVES)
    alarmflood.judge_calls(rows, heard, phone, "night1")
    assert (calls(heard, "night2"), rings(phone, "night2")) == ([], [])
