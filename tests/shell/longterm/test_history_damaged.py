"""`nightrake history` where summaries are damaged: drawn is what can be read, from readings where there are any."""

from __future__ import annotations

import shutil
from contextlib import closing
from pathlib import Path

import pytest

from nightrake.longterm.room import Room
from nightrake.longterm.writing import Writing
from shell.longterm.carestores import seal
from shell.longterm.histories import NOON_MS, Past
from shell.longterm.test_history_command import Command
from shell.longterm.test_replay import change

pytestmark = pytest.mark.timeout(60)  # four days to seal and summarise
DAYS = 4
GARBAGE = (
    "update summary_day set data = x'00' where id % 4294967296 = (select max(id) % 4294967296 - ? from summary_day)"
)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four days, a reading in ten minutes, sealed and summarised; the tail is not kept."""
    folder = tmp_path_factory.mktemp("made")
    past = Past()
    past.snapshot()
    past.go(DAYS * 86_400, 600.0)
    past.store(folder)
    seal(folder, 24 * DAYS + 1)
    change(folder, "store.db", "delete from tail where seq < (select max(seq) from tail)")
    return folder


@pytest.fixture
def command(made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Command:
    """On a copy."""
    return Command(shutil.copytree(made, tmp_path / "state"), capsys, monkeypatch)


def means(out: str) -> dict[str, str]:
    """Mean torque by the day in the site's zone."""
    rows = [line.split() for line in out.splitlines() if line.startswith("2026-")]
    return {row[0]: row[2] for row in rows}


def asked(command: Command) -> tuple[dict[str, str], str]:
    """The table by days, and what is said besides; it always ends well."""
    done = command.run("PC1", "last 3 weeks", "--signal", "torque", "--every", "1d")
    assert done.code == 0, done
    assert "Traceback" not in done.err
    return means(done.out), " ".join(done.err.split())


@pytest.fixture(autouse=True)
def now(monkeypatch: pytest.MonkeyPatch) -> None:
    """Soon after the last day."""
    monkeypatch.setattr("nightrake.cli.history_run.now_utc_ms", lambda: NOON_MS + (DAYS + 1) * 86_400_000)


@pytest.mark.parametrize("age", [2, 0])
def test_damaged_day_is_drawn_from_readings(command: Command, age: int) -> None:
    """In the middle and at the end: every day has its row, and the damage is told."""
    whole, said = asked(command)
    assert said == ""
    assert len([mean for mean in whole.values() if mean != "-"]) >= DAYS
    change(command.folder, "history.db", GARBAGE, age)
    shown, said = asked(command)
    assert shown.keys() == whole.keys()
    assert all((shown[day] != "-") == (whole[day] != "-") for day in whole)
    assert "Beware: history.db" in said
    assert "restore the file from a backup" in said


def test_damaged_day_without_readings_is_a_gap(command: Command) -> None:
    """All others are drawn."""
    with closing(Writing(command.folder, NOON_MS)) as writing:
        room = Room(writing, 30.0, 0)
        while room.trim():
            pass
    whole, _ = asked(command)
    change(command.folder, "history.db", GARBAGE, 2)
    shown, said = asked(command)
    assert sum(shown[day] != whole[day] for day in shown) in (1, 2)  # a day of the zone lies in two of UTC
    assert sum(mean != "-" for mean in shown.values()) >= DAYS - 2
    assert "of 1 day are not shown" in said
