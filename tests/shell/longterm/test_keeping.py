"""The worker as the watch supervises it: heard, asked, outlived; whatever it says is held against what can be."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from clocks import ManualClock
from nightrake import keeping
from nightrake.errors import ControlError
from nightrake.journal.store import Store
from nightrake.keeping import CURSOR, Keeping
from nightrake.longterm.reading import History
from nightrake.settings.models import HistoryTable
from shell.journal.makers import opened, until
from shell.longterm.histories import Past

Told = list[tuple[bool, str]]


@asynccontextmanager
async def kept(
    folder: Path, past: Past, clock: ManualClock, **history: object
) -> AsyncIterator[tuple[Keeping, Store, Told]]:
    """A store with a past, and the supervision of its worker at work."""
    async with opened(folder, keep_hours=1_000.0) as (store, _):
        past.hand_over(store, past.records)
        await until(lambda: store.stats().tail_rows >= len(past.records))
        told: Told = []
        settings = replace(
            past.settings,
            store=past.settings.store.model_copy(update={"dir": str(folder)}),
            history=HistoryTable.model_validate(history),
        )
        made = Keeping(settings, store, clock, lambda: past.seq - 1, lambda up, detail: told.append((up, detail)))
        task = asyncio.create_task(made.run())
        try:
            yield made, store, told
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
        assert store.get_cursor(CURSOR) == (store.epoch, past.seq - 1, "")
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
    monkeypatch.setattr(keeping, "END_S", 0.1)
    async with kept(tmp_path, past, manual_clock) as (made, _, _):
        await until(lambda: bool(made.status()["up"]))
        with pytest.raises(ControlError, match="has ended"):
            await made.ask(seal=True)
        await until(lambda: made.status()["starts"] >= 2)


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
