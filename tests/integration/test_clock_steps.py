"""The whole watch on a machine whose clock is stepped under it, or has lost its date: kept in order, marked, forwarded.

libfaketime gives the watch, and nobody else, another UTC; the monotonic clock is the machine's own.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import apsw
import pytest

from integration.hardship import HardWatch, WrongClock, far_samples
from integration.ledger import Ledger, told_by_the_end
from integration.site import Site, until
from nightrake.domain.rows import Row
from nightrake.journal.chain import verify
from peers.mosquitto import Mosquitto
from peers.victoria import Victoria
from plc.fixtures import LibmodbusServer

POSITION = 'nightrake_drive_position_mm{drive="D0"}'
HOUR_MS = 3_600_000
YEAR_MS = 365 * 24 * HOUR_MS


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


def forwarded(watch: HardWatch) -> tuple[int, int]:
    """Up to which input the far store has everything, and the newest one."""
    forward = watch.status()["forward"]
    return int(forward["cursor"]), int(forward["cursor"] + forward["lag_rows"])


def segments(path: Path) -> list[tuple[int, int, int]]:
    """The store's clock segments: (monotonic ns, UTC ms, trusted), in order."""
    db = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)
    try:
        found = db.execute("select start_mono_ns, start_utc_ms, trusted from clock_segment order by start_mono_ns")
        return [(int(m), int(u), int(t)) for m, u, t in found]
    finally:
        db.close()


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
            newest = forwarded(watch)[1] + 12  # some scans further
            until(lambda newest=newest: forwarded(watch)[0] >= newest, "the new place to be forwarded")
        clock.set(step)
        until(lambda n=n: len(heard.events("clock_stepped")) == n + 1, f"the step to {step} to be told")
        plc.set("d", 0, n % 2)
        event = "alarm_released" if n % 2 else "alarm_operated"
        until(lambda n=n, event=event: len(heard.events(event)) == n // 2 + 1, f"the contact after {step}")
        assert watch.drive("D0")["quality"] == "good"
    assert watch.end() == 0

    rows, tail = watch.kept()
    kept = segments(watch.site.state / "store.db")
    far: list[tuple[int, float]] = []

    def look() -> bool:
        far[:] = far_samples(victoria, POSITION)
        return len(changes([v for _, v in far])) >= 1 + len(HOURS)

    until(look, "what was forwarded to be visible there", 12.0)
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
    """Wait until every row is heard that is told before the end, and see that nothing else was."""
    heard.await_rows(told_by_the_end(rows))
    assert {e["id"] for e in heard.events()} <= {r.id for r in rows}


@pytest.mark.timeout(60)
def test_clock_without_a_date_at_start(
    watch: HardWatch, plc: LibmodbusServer, clock: WrongClock, heard: Ledger, victoria: Victoria
) -> None:
    """Started in 1970 the watch tells all the same, marks its rows and forwards nothing until the date is there.

    The clock is right a while later, and what waited is forwarded under the time that it really was. At the next start
    it is an hour slow: the numbers go on rising.
    """
    clock.set("@1970-01-01 00:05:00")
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    plc.set("d", 1, 0)
    until(lambda: len(heard.events("shutdown_operated")) == 1, "the shutdown in 1970")
    until(lambda: watch.status()["plcs"]["P0"]["done"] > 10, "some scans in 1970")
    until(lambda: "clock" in watch.status()["forward"]["detail"], "forwarding to wait")
    waiting = watch.status()["forward"]
    clock.set("+0")
    until(lambda: forwarded(watch)[0] > 0, "forwarding to begin")
    plc.set("d", 1, 1)
    until(lambda: len(heard.events("shutdown_released")) == 1, "the release")
    newest = forwarded(watch)[1]
    until(lambda: forwarded(watch)[0] >= newest, "what waited to be forwarded")
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
    assert {"started", "shutdown_operated", "raised"} <= {r.event for r in early}
    kept = segments(watch.site.state / "store.db")
    right_ns, right_ms = kept[1][:2]
    scans = [r for r in tail if r.kind == "scan" and r.utc_ms < YEAR_MS]
    due = {right_ms + (r.mono_ns - right_ns) // 1_000_000 for r in scans}
    far: set[int] = set()

    def look() -> bool:
        far.update(stamp for stamp, _ in far_samples(victoria, POSITION))
        return due <= far

    until(look, "the scans of 1970 to be visible in the far store", 12.0)
    assert [t for _, _, t in kept] == [0, 1, 1]
    assert len(scans) > 5
    assert min(far) > YEAR_MS
    assert second.utc_ms < with_event(rows, "shutdown_released")[0].utc_ms
    assert (json.loads(first.payload)["missed_s"], json.loads(second.payload)["missed_s"]) == (0.0, 0.0)
    assert latched
    assert verify(rows) == []
    assert [r.seq for r in tail] == sorted({r.seq for r in tail})
    await_all(heard, rows)


@pytest.mark.timeout(40)
def test_start_under_a_clock_ten_years_ahead_deletes_no_scan(watch: HardWatch, clock: WrongClock) -> None:
    """What the run before has read is ten years old by UTC and seconds by the machine's own count: it is kept."""
    watch.start()
    until(lambda: watch.status()["plcs"]["P0"]["done"] > 10, "some scans")
    assert watch.end() == 0
    _, before = watch.kept()
    clock.set("+10y")
    watch.start()
    until(lambda: watch.status()["plcs"]["P0"]["done"] > 30, "some scans, ten years ahead")
    trimmed = watch.status()["store"]["trimmed"]
    assert watch.end() == 0

    _, after = watch.kept()
    assert trimmed == 0
    assert after[: len(before)] == before
    assert after[-1].utc_ms - before[0].utc_ms > 9 * YEAR_MS
