"""`nightrake history` in the first minutes of a store: readings win over summaries that hold no more than they do."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from nightrake.longterm.reading import History
from recordeddays import RecordedDay
from shell.longterm.histories import forget_tail
from shell.longterm.test_history_command import Command
from shell.longterm.test_replay import change
from shell.longterm.test_summarising import seal_and_build

TEN_TO = 3_030


def rising(day: RecordedDay) -> Iterator[None]:
    """Another torque each ten seconds."""
    for share in range(30, 60):
        day.position("PC1", share / 100)
        yield from day.seconds(10)


def more(day: RecordedDay) -> Iterator[None]:
    """Two minutes later, not sealed yet: higher than all before."""
    day.position("PC1", 0.8)
    yield from day.seconds(70)


@pytest.fixture
def command(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Command:
    """Begun at ten to four and a half; five minutes sealed and summarised, then a gap, then what is not."""
    day = RecordedDay(tmp_path)
    day.clock.advance(TEN_TO)
    day.run(rising)
    seal_and_build(tmp_path, build_each=False)
    day.clock.advance(120)
    day.run(more)
    return Command(tmp_path, capsys, monkeypatch)


def rows(out: str) -> list[list[str]]:
    """Cells of each row: time, lowest, mean, highest, uncertainty."""
    return [[line[11:19], *line[19:].split()] for line in out.splitlines() if line.startswith("2026-")]


def test_readings_win_over_minutes_that_hold_no_more(command: Command) -> None:
    """Rows of ten seconds show what was read in each, with its uncertainty, and nothing where nothing was read."""
    done = command.run("PC1", "2026-09-21T15:50/PT5M", "--signal", "torque")
    assert "summaries" not in done.out
    shown = rows(done.out)
    assert [row for row in shown if row[1] != "-"]
    for _, low, _, high, wide in (row for row in shown if row[1] != "-"):
        assert float(high) - float(low) < 1.5
        assert float(wide) > 0
    highest = [float(row[3]) for row in shown if row[1] != "-"]
    assert highest == sorted(highest)
    silent = rows(command.run("PC1", "2026-09-21T15:49/PT9M", "--signal", "torque").out)
    assert {row[0] for row in silent if row[1] == "-"} >= {"15:56:00", "15:56:30"}


def test_newest_readings_are_shown_behind_the_summaries(command: Command) -> None:
    """What is not summarised yet, in columns of minutes; the title says how far it goes, which is not the future."""
    done = command.run("PC1", "2026-09-21T15:00/PT1H", "--signal", "torque", "--every", "2min")
    said = " ".join(done.out.split())
    assert "torque from summaries by minute" in said
    assert "to 2026-09-21 15:58:4" in said
    shown = rows(done.out)
    assert shown[-1][0].startswith("15:58")
    assert max(float(row[3]) for row in shown[-2:]) > 35
    assert float(shown[-1][4]) > 0


def test_minutes_whose_readings_are_gone_are_shown(command: Command) -> None:
    """Summaries hold more then: they are taken, though a column is narrower."""
    with History(command.folder) as history:
        sealed = history.sealed_seq()
    forget_tail(command.folder, sealed)
    change(command.folder, "history.db", "delete from block")
    done = command.run("PC1", "2026-09-21T15:50/PT5M", "--signal", "torque")
    assert "torque from summaries by minute" in " ".join(done.out.split())
    assert len([row for row in rows(done.out) if row[1] != "-"]) > 20
