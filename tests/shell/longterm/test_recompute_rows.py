"""What a person has recomputed through the watch is a row of the journal, whatever becomes of whoever asked."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from clocks import ManualClock
from nightrake import forwardprocess
from nightrake.domain.rows import Entry
from nightrake.errors import ControlError
from nightrake.historyrows import HOUR_MS, entry_of
from nightrake.keeping import Keeping
from nightrake.longterm.recomputing import Wish
from shell.journal.makers import opened, until
from shell.longterm.histories import Past
from shell.longterm.test_keeping import fake_worker

HOUR = 497_222


@pytest.fixture
def past() -> Past:
    """The example site."""
    return Past()


@pytest.fixture
def wish(past: Past) -> str:
    """Two days of a drive under the record that it has."""
    (curve, *_) = past.settings.site.drives["PC1"].calibrations.values()
    return Wish("PC1", curve, HOUR, HOUR + 48).text()


@asynccontextmanager
async def noted(folder: Path, past: Past, clock: ManualClock) -> AsyncIterator[tuple[Keeping, list[Entry]]]:
    """The supervision at work, and what it notes."""
    async with opened(folder) as (store, _):
        told: list[Entry] = []
        settings = replace(past.settings, store=past.settings.store.model_copy(update={"dir": str(folder)}))
        made = Keeping(settings, store, clock, lambda: 0, lambda link: lambda up, detail: None, told.append)
        task = asyncio.create_task(made.run())
        try:
            await until(lambda: bool(made.status()["up"]))
            yield made, told
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


def answers(monkeypatch: pytest.MonkeyPatch, folder: Path, *, ok: bool, wait: str = "") -> None:
    """A worker that answers the first wish once it has read it."""
    said = json.dumps({"answer": 1, "ok": ok, "text": "2 days of PC1 forward were written under record R."})
    ready = json.dumps({"sealed": 0, "error": ""})
    fake_worker(folder, monkeypatch, ready, then=f"read line\n{wait}\nprintf '%s\\n' '{said}'\nexec cat > /dev/null")


@pytest.mark.asyncio
@pytest.mark.parametrize("ok", [True, False])
async def test_answer_of_the_worker_is_a_row(
    tmp_path: Path, past: Past, wish: str, manual_clock: ManualClock, monkeypatch: pytest.MonkeyPatch, ok: bool
) -> None:
    """Done, or broken off; with who asked, and which hours."""
    answers(monkeypatch, tmp_path, ok=ok)
    async with noted(tmp_path, past, manual_clock) as (made, told):
        assert (await made.ask(recompute=wish, actor="anna"))["ok"] is ok
        (entry,) = told
    assert (entry.kind, entry.event) == ("history", "recomputed" if ok else "recompute_failed")
    assert (entry.drive, entry.direction) == ("PC1", "forward")
    assert (entry.data["actor"], entry.data["from_utc_ms"], entry.data["to_utc_ms"]) == (
        "anna",
        HOUR * HOUR_MS,
        (HOUR + 48) * HOUR_MS,
    )
    assert "were written" in str(entry.data["detail"])


@pytest.mark.asyncio
async def test_row_comes_although_whoever_asked_has_left(
    tmp_path: Path, past: Past, wish: str, manual_clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The command was stopped by Ctrl-C; the worker goes on."""
    answers(monkeypatch, tmp_path, ok=True, wait=f"while [ ! -e {tmp_path}/go ]; do sleep 0.02; done")
    async with noted(tmp_path, past, manual_clock) as (made, told):
        asking = asyncio.create_task(made.ask(recompute=wish, actor="anna"))
        await until(lambda: bool(made._wishes))
        asking.cancel()
        await asyncio.gather(asking, return_exceptions=True)
        (tmp_path / "go").touch()
        await until(lambda: len(told) == 1)
    assert told[0].event == "recomputed"


@pytest.mark.asyncio
async def test_worker_that_ends_in_the_middle_is_a_row_too(
    tmp_path: Path, past: Past, wish: str, manual_clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A part may be written: that is said, once."""
    fake_worker(tmp_path, monkeypatch, json.dumps({"sealed": 0, "error": ""}), then="read line")
    monkeypatch.setattr(forwardprocess, "END_S", 0.1)
    async with noted(tmp_path, past, manual_clock) as (made, told):
        with pytest.raises(ControlError, match="has ended"):
            await made.ask(recompute=wish, actor="anna")
        await until(lambda: len(told) == 1)
    assert [entry.event for entry in told] == ["recompute_failed"]


@pytest.mark.parametrize("text", ["", "{", "[]", '{"drive": "PC1"}', '{"drive": "PC1", "curve": 3}'])
def test_wish_that_is_none_is_no_row(text: str) -> None:
    """The worker has refused it, and nothing was done."""
    assert entry_of(text, "anna", ok=False, text="no wish") is None
