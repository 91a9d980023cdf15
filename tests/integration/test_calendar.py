"""Days on which local time jumps, and a second that UTC has twice: no trace of it in what is kept, told, forwarded.

The watch runs in a zone that changes its clocks, under a date of the test's own (libfaketime): the last such days that
have been, since the far store drops what lies days ahead of its own clock.
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from integration.hardship import HardWatch, WrongClock, far_samples
from integration.ledger import Ledger
from integration.site import Site, until
from nightrake.domain.rows import Row, TailRecord
from nightrake.journal.chain import verify
from peers.mosquitto import Mosquitto
from peers.victoria import Victoria
from plc.fixtures import LibmodbusServer

ZONE = "Europe/Berlin"
BEFORE_S = 15.0
"""So long before the moment the watch is started, which takes its time on a busy machine."""
SLACK_MS = 800
"""UTC and the monotonic clock are read one after the other; a loaded machine may come between."""
STAMP = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?Z")


def last_change(month: int) -> datetime:
    """When the clocks of the zone were last changed in March or October.

    Source: directive 2000/84/EC, the last Sunday of the month at 01:00 UTC.
    """
    now = datetime.now(UTC)
    for year in (now.year, now.year - 1):
        last = datetime(year, month, 31, 1, tzinfo=UTC)
        change = last - timedelta(days=(last.weekday() + 1) % 7)
        if change < now - timedelta(days=1):
            return change
    raise AssertionError("two years without a change")


class Night:
    """A watch that lives through a moment of the calendar."""

    def __init__(self, watch: HardWatch, clock: WrongClock, moment: datetime) -> None:
        self.watch, self._clock = watch, clock
        self._at_s = time.time() + BEFORE_S
        self._offset_s = moment.timestamp() - self._at_s
        clock.set(f"{self._offset_s:+.3f}")

    def repeat_the_second(self) -> None:
        """As a kernel does that inserts a leap second: UTC goes back by one."""
        self._clock.set(f"{self._offset_s - 1.0:+.3f}")

    def wait(self, after_s: float = 0.0) -> None:
        """Until the moment is there, or a while after it."""
        until(lambda: time.time() >= self._at_s + after_s, "the moment", BEFORE_S + after_s + 1.0)


@pytest.fixture
def make_night(
    plc: LibmodbusServer,
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    mosquitto: Mosquitto,
    victoria: Victoria,
    heard: Ledger,  # it listens before anything is told
    clock: WrongClock,
    tmp_path: Path,
) -> Callable[[datetime], Night]:
    """Starts a watch shortly before a moment, and gives it at work."""

    def make(moment: datetime) -> Night:
        site = Site(tmp_path, [make_recorder(plc.port)], mosquitto.port, forward_url=victoria.url)
        watch = make_watch(site, environment={**clock.environment, "TZ": ZONE})
        night = Night(watch, clock, moment)
        watch.start()
        until(lambda: watch.stage("D0") == "normal", "the drive to be read")
        return night

    return make


def changed_around(night: Night, plc: LibmodbusServer, heard: Ledger) -> None:
    """A contact operates before the moment and releases after it."""
    plc.set("d", 0, 0)
    until(lambda: len(heard.events("alarm_operated")) == 1, "the alarm before the moment")
    night.wait()
    plc.set("d", 0, 1)
    until(lambda: len(heard.events("alarm_released")) == 1, "the release after it")


def ended(night: Night, victoria: Victoria) -> tuple[list[Row], list[TailRecord], list[int]]:
    """End the watch when it has forwarded everything; its rows, its scans, and the stamps in the far store.

    Those of the scans that were read until then are there; some of the last ones may be.
    """
    night.wait(1.0)
    forward = night.watch.status()["forward"]
    newest = forward["cursor"] + forward["lag_rows"]
    until(lambda: night.watch.status()["forward"]["cursor"] >= newest, "what was read until now to be forwarded")
    assert night.watch.end() == 0
    rows, tail = night.watch.kept()
    scans = [r for r in tail if r.kind == "scan"]
    last_ms, due = next(r.utc_ms for r in reversed(scans) if r.seq <= newest), sum(r.seq <= newest for r in scans)
    far: list[int] = []

    def look() -> bool:
        far[:] = [stamp for stamp, _ in far_samples(victoria, 'nightrake_drive_position_mm{drive="D0"}', 1)]
        return far[-1] >= last_ms and len(far) >= due

    until(look, "what was forwarded to be visible there", 12.0)
    return rows, scans, far


def drift_ms(records: list[Row] | list[TailRecord]) -> list[int]:
    """How far UTC and the monotonic clock have come apart since the first record, for each."""
    first = records[0]
    return [(r.utc_ms - first.utc_ms) - (r.mono_ns - first.mono_ns) // 1_000_000 for r in records]


def gaps_s(rows: list[Row]) -> list[float]:
    """Gaps that a jump of the clock would make; a busy machine makes shorter ones."""
    return [s for r in rows if r.event == "gap" and (s := json.loads(r.payload)["seconds"]) > 30.0]


@pytest.mark.timeout(60)
@pytest.mark.parametrize("month", [3, 10])
def test_change_of_the_local_clocks_leaves_no_trace(
    make_night: Callable[[datetime], Night], plc: LibmodbusServer, heard: Ledger, victoria: Victoria, month: int
) -> None:
    """Spring and autumn: no step, no gap, no hour lost or doubled; stamps and log lines are UTC."""
    moment = last_change(month)
    night = make_night(moment)
    changed_around(night, plc, heard)
    rows, scans, far = ended(night, victoria)

    moment_ms = int(moment.timestamp() * 1000)
    operated, released = (next(r for r in rows if r.event == e) for e in ("alarm_operated", "alarm_released"))
    lines = [datetime.fromisoformat(s) for s in STAMP.findall(night.watch.log.read_text())]
    assert operated.utc_ms < moment_ms <= released.utc_ms < moment_ms + 15_000
    assert not [r.event for r in rows if r.event in ("clock_stepped", "clock_trust_changed")]
    assert gaps_s(rows) == []
    assert max(map(abs, drift_ms(rows) + drift_ms(scans))) < SLACK_MS
    assert verify(rows) == []
    # Of two scans in one millisecond the second has the next one.
    assert set(far) <= {r.utc_ms + more for r in scans for more in (0, 1)}
    assert min(far) < moment_ms < max(far)
    occurred = [datetime.fromisoformat(e["occurred"]) for e in heard.events()]
    assert all(abs((o - moment).total_seconds()) < 30.0 for o in occurred)
    assert lines
    assert all(abs((at - moment).total_seconds()) < 30.0 for at in lines)


@pytest.mark.timeout(60)
def test_second_that_comes_twice_costs_no_row_and_no_sample(
    make_night: Callable[[datetime], Night], plc: LibmodbusServer, heard: Ledger, victoria: Victoria
) -> None:
    """A leap second as a kernel shows it, UTC a second back: told as a step, in order, and nothing is overwritten."""
    night = make_night(datetime(datetime.now(UTC).year, 1, 1, tzinfo=UTC))
    night.wait()
    night.repeat_the_second()
    until(lambda: len(heard.events("clock_stepped")) == 1, "the step to be told")
    changed_around(night, plc, heard)
    rows, scans, far = ended(night, victoria)

    assert heard.events("clock_stepped")[0]["data"]["by_s"] == pytest.approx(-1.0, abs=0.5)
    assert not [r.event for r in rows if r.event == "clock_trust_changed"]
    assert gaps_s(rows) == []
    assert verify(rows) == []
    assert [r.seq for r in scans] == sorted({r.seq for r in scans})
    assert len(far) == len(set(far))
    assert len(far) <= len(scans)
