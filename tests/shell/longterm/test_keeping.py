"""The worker as the watch supervises it: heard, asked, outlived; whatever it says is held against what can be."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import apsw
import pytest

from clocks import ManualClock
from nightrake import forwardprocess, keeping
from nightrake.domain.rows import Entry
from nightrake.errors import ControlError
from nightrake.journal.store import Store
from nightrake.keeping import CURSOR, Keeping
from nightrake.longterm.reading import History
from nightrake.settings.models import HistoryTable
from shell.journal.makers import Chain, opened, until
from shell.journal.sickdisk import sick_disk
from shell.longterm.histories import Past

Told = list[tuple[bool, str]]


@asynccontextmanager
async def kept(
    folder: Path,
    past: Past,
    clock: ManualClock,
    heard: dict[str, Told] | None = None,
    note: Callable[[Entry], object] = lambda entry: None,
    **history: object,
) -> AsyncIterator[tuple[Keeping, Store, Told]]:
    """A store with a past, and the supervision of its worker at work; `heard`: what is told of each link."""
    async with opened(folder, keep_hours=1_000.0) as (store, _):
        past.hand_over(store, past.records)
        await until(lambda: store.stats().tail_rows >= len(past.records))
        links: dict[str, Told] = {} if heard is None else heard
        settings = replace(
            past.settings,
            store=past.settings.store.model_copy(update={"dir": str(folder)}),
            history=HistoryTable.model_validate(history),
        )

        def link_of(link: str) -> Callable[[bool, str], None]:
            links[link] = []
            return lambda up, detail: links[link].append((up, detail))

        made = Keeping(settings, store, clock, lambda: past.seq - 1, link_of, note)
        task = asyncio.create_task(made.run())
        try:
            yield made, store, links["history"]
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


@pytest.fixture
def past() -> Past:
    """Some minutes."""
    made = Past()
    made.snapshot()
    made.go(200, 2.0)
    return made


@pytest.mark.asyncio
async def test_worker_is_asked_to_seal_and_the_cursor_follows(
    tmp_path: Path, past: Past, manual_clock: ManualClock
) -> None:
    """What it says stands in the store's cursor, and from there the next run begins."""
    async with kept(tmp_path, past, manual_clock) as (made, store, told):
        await until(lambda: bool(made.status()["up"]))
        assert await made.ask(seal=True) == {"ok": True, "text": "done"}
        await until(lambda: made.status()["sealed_seq"] == past.seq - 1)
        assert store.get_cursor(CURSOR) == (store.epoch, past.seq - 1, store.epoch)
        assert told == []
        refused = await made.ask(recompute="no wish at all", actor="night1")
        assert refused["ok"] is False
    with pytest.raises(ControlError, match="no history worker runs now"):
        await made.ask(seal=True)
    with History(tmp_path) as history:
        assert list(history.records(0, 2**40)) == past.records


@pytest.mark.asyncio
async def test_worker_switched_off(tmp_path: Path, past: Past, manual_clock: ManualClock) -> None:
    """Then none runs, and age alone empties the tail."""
    async with kept(tmp_path, past, manual_clock, enabled=False) as (made, store, told):
        with pytest.raises(ControlError):
            await made.ask(seal=True)
        assert (made.status()["enabled"], made.status()["starts"], told) == (False, 0, [])
        assert store._room.sealed_seq is None


FAKE = "#!/bin/sh\n"


def fake_worker(folder: Path, monkeypatch: pytest.MonkeyPatch, *lines: str, then: str = "exec cat") -> None:
    """Another program in the worker's place."""
    script = folder / "worker"
    script.write_text(FAKE + "".join(f"printf '%s\\n' '{line}'\n" for line in lines) + then + "\n")
    script.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(script))


@pytest.mark.asyncio
@pytest.mark.parametrize("claim", [10**9, -1, 2.5, "9", None, True])
async def test_claims_that_cannot_be_are_not_believed(
    tmp_path: Path, past: Past, manual_clock: ManualClock, monkeypatch: pytest.MonkeyPatch, claim: object
) -> None:
    """More than was recorded, or no number at all: nothing may go for it."""
    fake_worker(tmp_path, monkeypatch, json.dumps({"sealed": claim, "error": "", "answer": [1]}))
    async with kept(tmp_path, past, manual_clock) as (made, store, _):
        await until(lambda: bool(made.status()["up"]))
        assert (made.status()["sealed_seq"], store._room.sealed_seq) == (0, 0)
        assert store.get_cursor(CURSOR) is None


@pytest.mark.asyncio
async def test_worker_that_ends_at_once_is_started_later_and_later(
    tmp_path: Path, past: Past, manual_clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And that is told once; nonsense is as good as an end."""
    fake_worker(tmp_path, monkeypatch, "no json", then="exit 0")
    monkeypatch.setattr(keeping, "BACKOFF_S", (0.01, 0.08))
    async with kept(tmp_path, past, manual_clock) as (made, _, told):
        await until(lambda: made.status()["starts"] >= 6)
        assert made.status()["up"] is False
    assert [up for up, _ in told] == [False]
    assert "said what nobody understands" in told[0][1]


@pytest.mark.asyncio
async def test_silent_worker_is_ended(
    tmp_path: Path, past: Past, manual_clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that hangs is no better than none; whoever waits for its answer is told."""
    fake_worker(tmp_path, monkeypatch, json.dumps({"sealed": 0, "error": ""}), then="exec sleep 60")
    monkeypatch.setattr(keeping, "SILENT_S", 0.3)
    monkeypatch.setattr(forwardprocess, "END_S", 0.1)
    async with kept(tmp_path, past, manual_clock) as (made, _, _):
        await until(lambda: bool(made.status()["up"]))
        with pytest.raises(ControlError, match="has ended"):
            await made.ask(seal=True)
        await until(lambda: made.status()["starts"] >= 2)


@pytest.mark.asyncio
async def test_nothing_is_sealed_under_an_epoch_that_may_end(
    tmp_path: Path, past: Past, manual_clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A store that could not be written at its start has its epoch for this run only, until the first commit."""
    monkeypatch.setattr(keeping, "NO_EPOCH_S", 0.02)
    async with opened(tmp_path, keep_hours=1_000.0) as (store, _):
        past.hand_over(store, past.records)
    told: Told = []
    with sick_disk() as disk:
        disk.error = apsw.FullError
        async with opened(tmp_path, keep_hours=1_000.0, vfs=disk.name) as (store, _):
            settings = replace(
                past.settings,
                store=past.settings.store.model_copy(update={"dir": str(tmp_path)}),
            )
            link = lambda up, detail: told.append((up, detail))  # noqa: E731
            made = Keeping(settings, store, manual_clock, lambda: past.seq - 1, lambda _: link)
            task = asyncio.create_task(made.run())
            await until(lambda: bool(told))
            assert told == [(False, "nothing is sealed before the disk takes what the store has to write")]
            assert made.status()["starts"] == 0
            assert not (tmp_path / "history.db").exists()
            disk.error = None
            store.append(Chain.of(store).rows(1), {}, ())
            await until(lambda: bool(made.status()["up"]))
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


@pytest.mark.asyncio
async def test_readings_that_go_unsealed_are_told(
    tmp_path: Path, past: Past, manual_clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However well the worker itself is; some minutes after the last of them it is over."""
    fake_worker(tmp_path, monkeypatch, json.dumps({"sealed": 0, "error": ""}))
    async with kept(tmp_path, past, manual_clock) as (made, store, told):
        await until(lambda: bool(made.status()["up"]))
        assert told == []
        store._room.lost_unsealed = 7
        await made.ask(error="", answer=1)  # it says whatever it is asked
        assert [up for up, _ in told] == [False]
        assert "before they are sealed" in made.status()["detail"]
        manual_clock.advance(keeping.LOSING_NS / 1e9)
        await made.ask(error="", answer=2)
        assert told[1:] == [(True, "")]


@pytest.mark.asyncio
async def test_trouble_and_its_end_are_told(
    tmp_path: Path, past: Past, manual_clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the worker says is wrong, that it is far behind, and that all is well again."""
    said = [
        {"sealed": 0, "error": "the disk is full"},
        {"sealed": 0, "error": "", "behind_s": 3_000.0},
        {"sealed": 0, "error": "", "behind_s": 7_200.0},
        {"sealed": 5, "error": "", "behind_s": 0.0},
    ]
    fake_worker(tmp_path, monkeypatch, *map(json.dumps, said))
    async with kept(tmp_path, past, manual_clock) as (made, _, told):
        await until(lambda: made.status()["sealed_seq"] == 5)
    behind = "what was recorded 120 minutes ago is not sealed yet"
    assert told == [(False, "the disk is full"), (True, ""), (False, behind), (True, "")]


@pytest.mark.asyncio
async def test_damage_is_a_notice_of_its_own(
    tmp_path: Path, past: Past, manual_clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It stands while the worker says so, whatever else goes well, and its end is told; status shows it."""
    said = [
        {"sealed": 0, "error": "", "damage": "history.db.damaged-1: was moved aside"},
        {"sealed": 1, "error": "", "damage": "history.db.damaged-1: was moved aside"},
        {"sealed": 2, "error": "", "damage": ["no sentence"]},
        {"sealed": 5, "error": "", "damage": ""},
    ]
    heard: dict[str, Told] = {}
    fake_worker(tmp_path, monkeypatch, *map(json.dumps, said[:3]), then='read line\nprintf "%s\\n" "$line"\nexec cat')
    async with kept(tmp_path, past, manual_clock, heard) as (made, _, told):
        await until(lambda: made.status()["sealed_seq"] == 2)
        assert made.status()["damage"] == said[0]["damage"]
        asking = asyncio.create_task(made.ask(**said[3]))
        await until(lambda: made.status()["sealed_seq"] == 5)
        asking.cancel()
        await asyncio.gather(asking, return_exceptions=True)
        assert made.status()["damage"] == ""
    assert heard["notice:history_damaged"] == [(False, said[0]["damage"]), (True, "")]
    assert told == []


@pytest.mark.asyncio
async def test_sound_history_ends_what_stood_in_the_run_before(
    tmp_path: Path, past: Past, manual_clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first word of the worker is told, although nothing has changed in this run."""
    fake_worker(tmp_path, monkeypatch, *[json.dumps({"sealed": 5, "error": "", "damage": ""})] * 2)
    heard: dict[str, Told] = {}
    async with kept(tmp_path, past, manual_clock, heard) as (made, _, _):
        await until(lambda: made.status()["sealed_seq"] == 5)
    assert heard["notice:history_damaged"] == [(True, "")]


async def _sealed(made: Keeping, seq: int) -> None:
    await until(lambda: made.status()["sealed_seq"] == seq)


GONE = ["PC1-forward-alarm-1", "PC1/forward/alarm_contact", 1_790_000_000_000, 4711]


@pytest.mark.asyncio
async def test_trip_record_that_was_given_up_is_one_row(
    tmp_path: Path, past: Past, manual_clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The worker names the last ones at each of its starts; each is journalled once, over runs of the watch too."""
    other = ["SC1-forward-alarm-2", "SC1/-/alarm_contact", 1_790_000_100_000, 42]
    notes: list[Entry] = []
    for sealed, gone in enumerate(([GONE], [GONE, other], [GONE, other]), 5):
        said = {"sealed": sealed, "error": "", "trips_gone": [*gone, "no record", [1]]}
        fake_worker(tmp_path, monkeypatch, json.dumps(said))
        async with kept(tmp_path, past, manual_clock, None, notes.append) as (made, _, _):
            await _sealed(made, sealed)
        monkeypatch.undo()
    assert [(e.kind, e.event, e.drive, e.direction) for e in notes] == [
        ("history", "trip_given_up", "PC1", "forward"),
        ("history", "trip_given_up", "SC1", ""),
    ]
    assert notes[0].data["record"] == GONE[0]


@pytest.mark.asyncio
async def test_worker_is_waited_for_although_the_watch_is_cancelled_twice(
    tmp_path: Path, past: Past, manual_clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that takes no notice of its end is killed, and leaves nothing to be buried."""
    fake_worker(tmp_path, monkeypatch, json.dumps({"sealed": 5, "error": ""}), then="exec sleep 60")
    async with kept(tmp_path, past, manual_clock) as (made, _, _):
        await until(lambda: bool(made.status()["up"]))
        process = made._process
        (task,) = [t for t in asyncio.all_tasks() if "Keeping.run" in repr(t)]
        task.cancel()
        await until(lambda: made._process is None)
        await asyncio.sleep(0)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        assert process is not None
        assert process.returncode is not None
