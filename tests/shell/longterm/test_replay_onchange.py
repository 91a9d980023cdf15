"""A time in which points were recorded on change: replay refuses it, and says from when on it can."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import apsw
import pytest

from nightrake.beginning import on_change_told
from nightrake.cli.replay_run import Asked, run_replay
from nightrake.domain.onchange import facts_of
from nightrake.domain.onchangespec import OnChange
from nightrake.domain.tailcodec import unpack_scan
from nightrake.errors import NightrakeError
from nightrake.journal.store import Store
from nightrake.longterm.reading import History
from nightrake.settings import Settings
from recordeddays import CONFIG, NOON_MS, RecordedDay
from shell.longterm.histories import forget_tail, seal

WHOLE = "2026-09-01/2026-12-01"
ON_CHANGE = "points are recorded on change"


def on_change(settings: Settings) -> Settings:
    """All of PC1 and PC2, which share a PLC with each other only, on change; the heartbeat as seldom as may be."""
    drives = {
        name: replace(spec, on_change={role: OnChange(band(role), 4_000_000_000) for role in spec.points()})
        if name.startswith("PC")
        else spec
        for name, spec in settings.site.drives.items()
    }
    digest = "c" * 64
    return replace(settings, site=replace(settings.site, drives=drives, digest=digest), digest=digest, content="{}")


def band(role: str) -> float:
    """Bits have none."""
    return {"position": 0.05, "heartbeat": 1e9}.get(role, 0.0)


def run_of_a_reload(day: RecordedDay) -> Iterator[None]:
    """All recorded, then on change with a shutdown in it, then all again."""
    plain = day.settings
    yield from day.seconds(60)
    day.reload(on_change(plain))
    yield from day.seconds(120)
    for channel in "AB":
        day.works.operate("PC1", f"forward/shutdown/{channel}")
    yield from day.seconds(60)
    day.reload(plain)
    for channel in "AB":
        day.works.operate("PC1", f"forward/shutdown/{channel}", False)
    yield from day.seconds(60)


@pytest.fixture
def day(tmp_path: Path) -> Path:
    """The store of such a day."""
    RecordedDay(tmp_path).run(run_of_a_reload)
    return tmp_path


def refused(folder: Path, period: str) -> str:
    """Why a period is not replayed."""
    with pytest.raises(NightrakeError) as stop:
        run_replay(CONFIG, {"store.dir": str(folder)}, Asked(period, quiet=True))
    return str(stop.value)


def scans(folder: Path) -> list[int]:
    """Blocks recorded of PLCA in each third of the day: before, while and after it was recorded on change."""
    with History(folder) as history:
        records = list(history.records(*history.seq_span()))
        plans = {r.layout: history.plan_of(r.layout) for r in records if r.layout}
    cuts = [r.seq for r in records if r.kind == "settings"]
    found = [0, 0, 0]
    for record in records:
        if record.endpoint == "PLCA":
            found[sum(record.seq > cut for cut in cuts)] += len(unpack_scan(record, plans[record.layout]).blocks)
    return found


def told_at_start(folder: Path) -> Mapping[str, Any]:
    """What a start finds in the journal."""
    store = Store.open(folder, now_utc_ms=NOON_MS, boot_id="boot", ballast_mb=0)
    try:
        return on_change_told(store)
    finally:
        asyncio.run(store.close())


@pytest.mark.parametrize("sealed", [False, True])
def test_time_recorded_on_change_is_refused_and_the_rest_replayed(
    day: Path, sealed: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    """With the reason, and the time from which on it can: there it is the same bit for bit."""
    if sealed:
        seal(day)
        with History(day) as history:
            up_to = history.sealed_seq()
        forget_tail(day, up_to)
    text = refused(day, WHOLE)
    assert ON_CHANGE in text
    assert "\n" not in text
    again = text.rpartition("it can again from ")[2].removesuffix(" on").replace(" ", "T")
    assert ON_CHANGE in refused(day, f"{again[:-5]}00:00/{again}")
    capsys.readouterr()
    code = run_replay(CONFIG, {"store.dir": str(day)}, Asked(f"{again}/PT1H", as_json=True))
    said = json.loads(capsys.readouterr().out)
    assert code == 0
    assert said["difference"] is None
    assert said["inputs"] > 150


def test_less_is_recorded_and_what_matters_is(day: Path) -> None:
    """A fraction of the blocks while little changes; the input of every row is there; no number lacks."""
    before, within, after = scans(day)
    assert before == after == 60 * 6
    assert 0 < within < 0.35 * 180 * 6
    with History(day) as history:
        kept = {record.seq for record in history.records(*history.seq_span())}
    assert kept == set(range(min(kept), max(kept) + 1))
    db = apsw.Connection(str(day / "store.db"), flags=apsw.SQLITE_OPEN_READONLY)
    rows = list(db.execute("select event, input_seq from journal where input_seq > 0"))
    db.close()
    assert "shutdown_operated" in {event for event, _ in rows}
    assert {seq for _, seq in rows} <= kept


def test_other_plcs_are_recorded_as_ever(day: Path) -> None:
    """Only what was asked for is left out."""
    with History(day) as history:
        records = [r for r in history.records(*history.seq_span()) if r.endpoint == "PLCB"]
    assert len(records) == 300


def test_period_with_a_part_on_change_behind_its_begin_goes_up_to_there(
    day: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What came before is replayed; a period that ends before is no matter."""
    capsys.readouterr()
    assert run_replay(CONFIG, {"store.dir": str(day)}, Asked("2026-09-21T15:00/PT50S", as_json=True)) == 0
    assert json.loads(capsys.readouterr().out)["difference"] is None
    text = refused(day, "2026-09-21T15:00/PT2M")
    assert "beyond 2026-09-21 15:00:5" in text
    assert ON_CHANGE in text


def test_what_if_cannot_ask_how_was_recorded(day: Path) -> None:
    """Another band makes nothing of what is not there."""
    key = "drive.SCR1.speed.record_on_change.longest_s"
    with pytest.raises(NightrakeError, match=r"how drive SCR1 is recorded .* leave that out"):
        run_replay(CONFIG, {"store.dir": str(day), key: 4}, Asked("2026-09-21T15:00/PT50S", quiet=True))


def test_switch_that_nothing_ran_at_is_found_in_the_journal(tmp_path: Path) -> None:
    """A start asks the last row; damaged, it says nothing, and the row is written once more."""
    day = RecordedDay(tmp_path)
    assert told_at_start(tmp_path) == {}
    day.settings = on_change(day.settings)
    day.run(lambda day: day.seconds(3))
    facts = facts_of(day.settings.site)
    assert told_at_start(tmp_path) == facts
    db = apsw.Connection(str(tmp_path / "store.db"))
    db.execute("update journal set payload = cast('[1' as blob) where kind = 'history'")
    db.close()
    assert told_at_start(tmp_path) == {}
