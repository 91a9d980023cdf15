"""History that is lost once more while the notice of the loss before stands: one row, over starts of the watch too."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from clocks import ManualClock
from nightrake.domain.rows import Entry
from nightrake.historyrows import MOST_LOSSES as TOLD
from nightrake.historyrows import LostAgain
from nightrake.keeping import DAMAGE
from nightrake.longterm import damage
from nightrake.workers.upkeep import MOST_LOSSES, all_losses
from shell.journal.makers import opened, until
from shell.longterm.histories import Past
from shell.longterm.test_keeping import Told, fake_worker, kept


def rows_of(notes: list[Entry]) -> list[tuple[str, object]]:
    """Event and number of losses of each row."""
    return [(entry.event, entry.data["losses"]) for entry in notes]


@pytest.mark.asyncio
async def test_each_further_loss_is_one_row(tmp_path: Path) -> None:
    """The first is the notice's own; what goes away, and what is said again in the next run, makes none."""
    notes: list[Entry] = []

    async def run(*said: object) -> None:
        async with opened(tmp_path) as (store, _):
            again = LostAgain(store, notes.append)
            for losses in said:
                again.take(losses, "a sentence")

    await run([], ["1000"], ["1000"], "nonsense", None)
    assert notes == []
    await run(["1000"], ["1000", "2000"], ["1000", "2000"])
    assert rows_of(notes) == [("lost_again", 2)]
    assert (notes[0].kind, notes[0].data["detail"]) == ("history", "a sentence")
    await run(["2000"], ["within", "2000", "3000", "4000"])
    assert rows_of(notes)[1:] == [("lost_again", 4)]
    await run([], ["5000"])
    assert len(notes) == 2, "nothing stood any more, so the notice is raised anew"
    await run(["6000", "5000"], [{"a": 1}, "x" * 500, "6000", "6000", "5000"])

    assert rows_of(notes)[2:] == [("lost_again", 2), ("lost_again", 3)]
    assert TOLD == MOST_LOSSES


def test_loss_is_the_same_when_its_file_goes_for_want_of_room(tmp_path: Path) -> None:
    """A file moved aside becomes a note; and the sentence says how often it happened."""
    for utc_ms in (1_000, 2_000):
        (tmp_path / "history.db").write_bytes(b"not a history")
        damage.move_aside(tmp_path, utc_ms)
    before = all_losses(None, tmp_path)
    assert damage.drop_oldest(tmp_path)
    assert all_losses(None, tmp_path) == before == ["1000", "2000"]

    assert damage.told(tmp_path).startswith("history was lost 2 times; the last: ")


@pytest.mark.asyncio
async def test_notice_and_row_come_of_what_the_worker_says(
    tmp_path: Path, manual_clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The notice's text goes on to the new sentence, and the row has it too."""
    past = Past()
    past.snapshot()
    past.go(20, 2.0)
    said = [
        {"sealed": 0, "error": "", "damage": "lost", "losses": ["1000"]},
        {"sealed": 5, "error": "", "damage": "lost 2 times", "losses": ["1000", "2000"]},
    ]
    heard: dict[str, Told] = {}
    notes: list[Entry] = []
    fake_worker(tmp_path, monkeypatch, *map(json.dumps, said))
    async with kept(tmp_path, past, manual_clock, heard, notes.append) as (made, _, _):
        await until(lambda: made.status()["sealed_seq"] == 5)
    assert heard[DAMAGE] == [(False, "lost"), (False, "lost 2 times")]
    assert [(e.event, e.data) for e in notes] == [("lost_again", {"losses": 2, "detail": "lost 2 times"})]
