"""A machine so busy that the record cannot be read in time: forwarding waits or reads less at once, and passes over
nothing."""

from __future__ import annotations

import asyncio
from contextlib import closing
from pathlib import Path

import pytest

from nightrake.historian.dating import Dating
from nightrake.historian.stamps import Stamps
from nightrake.longterm import blocks, tail
from nightrake.longterm.sql import Slow
from nightrake.longterm.tail import SLICE, Tail
from nightrake.workers import drawing as drawing_module
from nightrake.workers.drawing import Drawing
from nightrake.workers.extent import extent_of
from shell.forward.hourglass import Many, many
from shell.longterm.histories import seal

SECONDS = 480
NO_TIME_S = -1.0


async def recorded(at: Many) -> int:
    """Some minutes of one PLC; gives how many records there are."""
    begin_ms = at.clock.utc_ms() // 3_600_000 * 3_600_000 - 3_600_000
    await at.record(begin_ms, SECONDS)
    await at.kept()
    return at.seq


def no_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever takes some of SQLite's steps takes too long."""
    monkeypatch.setattr(tail, "QUERY_S", NO_TIME_S)
    monkeypatch.setattr(blocks, "QUERY_S", NO_TIME_S)


@pytest.mark.asyncio
async def test_less_is_read_at_once_where_so_much_cannot_be_read_in_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Slices get smaller until one is given; together they are everything, and an extent is what it was."""
    async with many(tmp_path, "http://127.0.0.1:1", 8) as at:
        last, state = await recorded(at), at.settings.store_dir
        before = extent_of(state, 0, last, Dating((), ()))
        no_time(monkeypatch)
        with closing(Tail(state)) as opened:
            found, slices = list[int](), list[int]()
            while part := opened.after(found[-1] if found else 0):
                slices.append(len(part))
                found += [record.seq for record in part]
        after = extent_of(state, 0, last, Dating((), ()))

    assert found == list(range(1, last + 1))
    assert max(slices) < SLICE
    assert before == after


@pytest.mark.asyncio
async def test_sealed_part_that_takes_too_long_is_not_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sentence, and the worker is begun again; nothing becomes a dead letter, and later all of it is drawn."""
    monkeypatch.setattr(drawing_module, "TRY_S", 0.0)
    monkeypatch.setattr(drawing_module, "SLOW_TRIES", 5)
    monkeypatch.setattr(blocks, "STEPS", 1)
    async with many(tmp_path, "http://127.0.0.1:1", 8) as at:
        last, state = await recorded(at), at.settings.store_dir
        assert await asyncio.to_thread(seal, state) > 0
        drawing = Drawing(state, last, Dating((), ()), at.settings.site, 100_000)
        drawing.begin(0, Stamps())
        first = drawing.chunk()
        assert first is not None
        drawing.begin(0, Stamps())
        with monkeypatch.context() as patch:
            no_time(patch)
            with pytest.raises(Slow, match="no answer within"):
                drawing.chunk()
        drawing.begin(0, Stamps())
        again = drawing.chunk()
        drawing.close()

    assert again is not None
    assert (again.lines, again.damaged) == (first.lines, {})
