"""The whole watch on a machine whose clock is stepped under it, or has lost its date: kept in order, marked, forwarded.

libfaketime gives the watch, and nobody else, another UTC; the monotonic clock is the machine's own.
"""

from __future__ import annotations

import glob
import json
import os
import urllib.parse
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import apsw
import pytest

from integration.hardship import HardWatch
from integration.ledger import Ledger
from integration.site import Site, until
from nightrake.domain.rows import Row
from nightrake.journal.chain import verify
from peers.mosquitto import Mosquitto
from peers.victoria import Victoria
from plc.fixtures import LibmodbusServer

LIBRARY = "/usr/lib/*/faketime/libfaketimeMT.so.1"
HOUR_MS = 3_600_000
YEAR_MS = 365 * 24 * HOUR_MS


class WrongClock:
    """UTC as one process sees it; `set` steps it."""

    def __init__(self, folder: Path) -> None:
        found = glob.glob(LIBRARY)
        if not found:
            pytest.fail(
                "libfaketime is not installed; it is in the Debian package libfaketime: apt-get install libfaketime"
            )
        self._file = folder / "clock.txt"
        self.environment = {
            "LD_PRELOAD": found[0],
            "FAKETIME_TIMESTAMP_FILE": str(self._file),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "NO_FAKE_STAT": "1",
        }
        self.set("+0")

    def set(self, text: str) -> None:
        """Step it: an offset such as +3600 (seconds) or +10y, or a date after @ from which it then goes on."""
        new = self._file.with_suffix(".new")
        new.write_text(text + "\n")
        os.replace(new, self._file)


@pytest.fixture
def clock(tmp_path: Path) -> WrongClock:
    """The machine's clock until it is set."""
    return WrongClock(tmp_path)


@pytest.fixture
def plc(make_libmodbus: Callable[[], LibmodbusServer]) -> LibmodbusServer:
    """A PLC with one healthy drive."""
    server = make_libmodbus()
    for table, address, value in (("d", 0, 1), ("d", 1, 1), ("d", 2, 1), ("i", 0, 10_400)):
        server.set(table, address, value)
    return server


@pytest.fixture
def watch(
    plc: LibmodbusServer,
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    mosquitto: Mosquitto,
    victoria: Victoria,
    clock: WrongClock,
    tmp_path: Path,
) -> HardWatch:
    """A watch that lives by that clock and forwards to a store with a clock of its own; not started."""
    site = Site(tmp_path, [make_recorder(plc.port)], mosquitto.port, forward_url=victoria.url)
    return make_watch(site, environment=clock.environment)


def forwarded(watch: HardWatch) -> int:
    """How many lines the far store has taken."""
    return int(watch.status()["forward"]["lines"])


def segments(path: Path) -> list[tuple[int, int, int]]:
    """The store's clock segments: (monotonic ns, UTC ms, trusted), in order."""
    db = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)
    try:
        found = db.execute("select start_mono_ns, start_utc_ms, trusted from clock_segment order by start_mono_ns")
        return [(int(m), int(u), int(t)) for m, u, t in found]
    finally:
        db.close()


def far_positions(victoria: Victoria) -> list[tuple[int, float]]:
    """Every position sample in the far store, also those stamped later than now: (UTC ms, mm)."""
    query = {"match[]": 'nightrake_drive_position_mm{drive="D0"}', "start": "0", "end": "4000000000"}
    samples: list[tuple[int, float]] = []
    for line in victoria.get("/api/v1/export?" + urllib.parse.urlencode(query)).splitlines():
        series = json.loads(line)
        samples += zip(series["timestamps"], series["values"], strict=True)
    return sorted(samples)


def changes(values: list[float]) -> list[float]:
    """The values without repetitions."""
    return [v for n, v in enumerate(values) if not n or values[n - 1] != v]


HOURS = ("+3600", "+0", "-3600", "+0")
YEARS = ("+10y", "+0")


@pytest.mark.timeout(90)
def test_clock_stepped_in_mid_run(
    watch: HardWatch, plc: LibmodbusServer, clock: WrongClock, heard: Ledger, victoria: Victoria
) -> None:
    """An hour forward and back, an hour back and forward, ten years and back: nothing lost, doubled or out of order.

    Each time a contact operates or releases after the step, and each is told. Before each step the arm stands at a
    place of its own: what the far store holds says whether anything there was overwritten.
    """
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    for n, step in enumerate((*HOURS, *YEARS)):
        plc.set("i", 0, 8_000 + 800 * n)  # uA: 6.25 mm, then 1.25 mm further each time
        if step in HOURS:
            lines = forwarded(watch)
            until(lambda lines=lines: forwarded(watch) >= lines + 8, "lines to be forwarded")
        clock.set(step)
        until(lambda n=n: len(heard.events("clock_stepped")) == n + 1, f"the step to {step} to be told")
        plc.set("d", 0, n % 2)
        event = "alarm_released" if n % 2 else "alarm_operated"
        until(lambda n=n, event=event: len(heard.events(event)) == n // 2 + 1, f"the contact after {step}")
        assert watch.drive("D0")["quality"] == "good"
    assert watch.end() == 0

    rows, tail = watch.kept()
    kept = segments(watch.site.state / "store.db")
    far = far_positions(victoria)
    stepped = [json.loads(r.payload)["by_s"] for r in rows if r.event == "clock_stepped"]
    assert [round(s / 3600) for s in stepped[:4]] == [1, -1, -1, 1]
    assert [round(s / 3600 / 8766, 1) for s in stepped[4:]] == [10.0, -10.0]
    assert verify(rows) == []
    assert [r.seq for r in rows] == sorted({r.seq for r in rows})
    assert all(b.mono_ns > a.mono_ns - 1e9 for a, b in pairwise(rows))  # stamps are read at the door, before the queue
    assert sum(b.utc_ms < a.utc_ms for a, b in pairwise(rows)) == 3
    assert [r.seq for r in tail] == sorted({r.seq for r in tail})
    assert all(b.mono_ns > a.mono_ns - 1e9 for a, b in pairwise(tail))
    assert len(kept) == 1 + len(HOURS) + len(YEARS)
    told_ms = [r.utc_ms for r in with_event(rows, "clock_stepped")]
    assert [u for _, u, _ in kept[1:]] == pytest.approx(told_ms, rel=0, abs=1000)
    await_all(heard, rows)
    assert [t for t, _ in far] == sorted({t for t, _ in far})
    assert changes([v for _, v in far])[: 1 + len(HOURS)] == [10.0, 6.25, 7.5, 8.75, 10.0]


def with_event(rows: list[Row], event: str) -> list[Row]:
    """The rows of one event."""
    return [r for r in rows if r.event == event]


def await_all(heard: Ledger, rows: list[Row]) -> None:
    """Wait until every row is heard, and see that nothing else was.

    The link's own news while a watch says good-bye may wait for the next start.
    """
    late = {b.id for a, b in pairwise(rows) if a.event == "stopped" and b.kind == "link"}
    until(
        lambda: {r.id for r in rows} - late <= {e["id"] for e in heard.events()},
        f"{[(r.seq, r.event) for r in rows]} to be heard",
    )
    assert {e["id"] for e in heard.events()} <= {r.id for r in rows}


@pytest.mark.timeout(60)
def test_clock_without_a_date_at_start(
    watch: HardWatch, plc: LibmodbusServer, clock: WrongClock, heard: Ledger
) -> None:
    """Started in 1970 the watch tells all the same, marks its rows and forwards nothing until the date is there.

    The clock is right a while later, and at the next start an hour slow: the numbers go on rising.
    """
    clock.set("@1970-01-01 00:05:00")
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    plc.set("d", 1, 0)
    until(lambda: len(heard.events("shutdown_operated")) == 1, "the shutdown in 1970")
    waiting = watch.status()["forward"]
    clock.set("+0")
    until(lambda: forwarded(watch) > 0, "forwarding to begin")
    plc.set("d", 1, 1)
    until(lambda: len(heard.events("shutdown_released")) == 1, "the release")
    assert watch.end() == 0
    clock.set("-3600")
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read again")
    until(lambda: len(heard.events("started")) == 2, "the second start to be told")
    latched = watch.drive("D0")["directions"]["forward"]["latched"]
    assert watch.end() == 0

    rows, tail = watch.kept()
    first, second = with_event(rows, "started")
    early = [r for r in rows if r.utc_ms < YEAR_MS]
    assert (waiting["lines"], waiting["up"]) == (0, False)
    assert waiting["detail"] == "waiting for a clock that can be believed"
    assert heard.events("shutdown_operated")[0]["occurred"].startswith("1970-01-01T00:0")
    assert [r.clock_trusted for r in rows] == [r not in early for r in rows]
    assert {"started", "shutdown_operated", "shutdown_latched"} <= {r.event for r in early}
    assert [t for _, _, t in segments(watch.site.state / "store.db")] == [0, 1, 1]
    assert second.utc_ms < with_event(rows, "shutdown_released")[0].utc_ms
    assert (json.loads(first.payload)["missed_s"], json.loads(second.payload)["missed_s"]) == (0.0, 0.0)
    assert latched
    assert verify(rows) == []
    assert [r.seq for r in tail] == sorted({r.seq for r in tail})
    await_all(heard, rows)
