"""While the sealed history cannot be read, the last hours in the store are still shown and replayed, with a warning."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import apsw
import pytest

from nightrake.cli.replay_run import Asked, run_replay
from nightrake.errors import NightrakeError, StoreError
from nightrake.longterm.reading import History
from recordeddays import CONFIG, RecordedDay
from shell.longterm.histories import forget_tail, seal
from shell.longterm.test_history_command import Command
from shell.longterm.test_replay import change, replayed


def evening(day: RecordedDay) -> Iterator[None]:
    """A shutdown contact, an hour later another alarm: the first gets sealed, the second stays in the tail."""
    yield from day.seconds(600)
    day.works.operate("PC1", "forward/alarm/A")
    yield from day.seconds(60)
    day.works.operate("PC1", "forward/alarm/A", False)
    yield from day.seconds(3_600)
    day.works.operate("GT1", "forward/alarm/A")
    yield from day.seconds(900)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Such an evening, what is over sealed and dropped from the tail."""
    folder = tmp_path_factory.mktemp("evening")
    RecordedDay(folder, period_s=5.0).run(evening)
    assert seal(folder, everything=False) >= 1
    with History(folder) as history:
        forget_tail(folder, history.sealed_seq())
    return folder


def newer(folder: Path) -> None:
    """Another program wrote it."""
    change(folder, "history.db", "update migration set number = 99 where number = (select max(number) from migration)")


def cut(folder: Path) -> None:
    """Half of it is gone."""
    path = folder / "history.db"
    os.truncate(path, path.stat().st_size // 2)


def overwritten(folder: Path) -> None:
    """Its beginning is something else."""
    with (folder / "history.db").open("r+b") as file:
        file.write(b"\x55" * 4096)


def torn(folder: Path) -> None:
    """The pages that list what is sealed are worn out."""
    path = folder / "history.db"
    db = apsw.Connection(str(path))
    try:
        list(db.execute("pragma wal_checkpoint(truncate)"))
        ((size,),) = list(db.execute("pragma page_size"))
        pages = [int(v[0]) for v in db.execute("select pageno from dbstat where name in ('block', 'block_time')")]
    finally:
        db.close()
    with path.open("r+b") as file:
        for page in pages:
            file.seek((page - 1) * size)
            file.write(b"\xff" * size)


@pytest.fixture(params=[newer, cut, overwritten, torn])
def command(
    made: Path,
    tmp_path: Path,
    request: pytest.FixtureRequest,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> Command:
    """The history command on that store, its sealed part unreadable."""
    state = tmp_path / "state"
    shutil.copytree(made, state)
    damage: Callable[[Path], None] = request.param
    damage(state)
    return Command(state, capsys, monkeypatch)


def test_last_hours_are_shown_with_a_warning(command: Command) -> None:
    """What lies whole in the store; the warning names the file and what is not shown."""
    done = command.run("GT1", "2026-09-21T16:11/PT10M", "--signal", "torque")
    assert done.code == 0
    assert len([line for line in done.out.splitlines() if line.startswith("2026-09-21")]) > 10
    told = " ".join(done.err.split())
    assert told.startswith("Beware: ")
    assert "history.db" in told
    assert "what is sealed is not shown, only what is still in store.db" in told


def test_what_only_the_sealed_part_has_is_not_shown_as_nothing(command: Command) -> None:
    """An hour that is no longer in the store, or was before everything: the reason is said, too."""
    done = command.run("GT1", "2026-09-21T15:05/PT10M", "--signal", "torque")
    assert "history.db" in done.err
    said = command.refused("GT1", "1999-09-21T15:05/PT10M")
    assert "nothing is recorded" in said
    assert "history.db" in said


def test_replay_goes_as_far_as_the_store_and_says_so(command: Command, capsys: pytest.CaptureFixture[str]) -> None:
    """The last hours come again as they were; a period that reaches further back is not called the same."""
    said = replayed(command.folder, "2026-09-21T16:05/PT10M", capsys=capsys)
    assert said["same"] is True
    assert int(str(said["rows"])) >= 2
    assert int(str(said["inputs"])) > 300
    with pytest.raises(NightrakeError, match=r"it can from 2026-09-21 16:00.*history\.db"):
        run_replay(CONFIG, {"store.dir": str(command.folder)}, Asked("2026-09-21T15:59/PT1M1S"))
    said = replayed(command.folder, "2026-09-21", capsys=capsys)
    assert said["difference"] is None
    assert said["same"] is False
    assert "history.db" in str(said["unread"])


def test_whatever_goes_on_with_the_records_is_not_given_a_part(command: Command) -> None:
    """Forwarding and trip records wait for the file to be put right."""
    with pytest.raises(StoreError, match=r"history\.db"), History(command.folder) as history:
        list(history.records(1, 2**40))
