"""A replay over a clock that was set far: all of the period comes again, and what was not reached is said."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import apsw
import pytest

from nightrake.cli.replay_run import Asked, run_replay
from nightrake.longterm.reading import History
from recordeddays import CONFIG, RecordedDay
from shell.longterm.histories import forget_tail, seal
from shell.longterm.test_replay import WHOLE, change, replayed

DAY_S = 86_400
ROWS = "select input_seq from journal where utc_ms >= ? and utc_ms < ? and input_seq > 0"
TIMES = {"of that day": "2026-09-21", "all": WHOLE, "a whole hour": "2026-09-21T16:00/PT1H"}


def act(day: RecordedDay, away_s: int) -> Iterator[None]:
    """An alarm, then a minute with the clock far off, then right again, and another alarm."""
    yield from day.seconds(4_200)
    yield from alarm(day, "PC1")
    day.clock.step_utc(away_s)
    yield from day.seconds(60)
    day.clock.step_utc(-away_s)
    yield from day.seconds(3_600)
    yield from alarm(day, "GT1")
    yield from day.seconds(1_200)


def alarm(day: RecordedDay, drive: str) -> Iterator[None]:
    """It comes and goes."""
    day.works.operate(drive, "forward/alarm/A")
    yield from day.seconds(120)
    day.works.operate(drive, "forward/alarm/A", False)
    yield from day.seconds(120)


@pytest.fixture(scope="module", params=["1970", "41 days back", "1000 years on"])
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Such a day; at 1970 a clock stands whose battery is dead."""
    folder = tmp_path_factory.mktemp("clock")
    day = RecordedDay(folder, period_s=6.0)
    away_s = {"1970": -(day.utc_ms // 1000), "41 days back": -41 * DAY_S, "1000 years on": 365_000 * DAY_S}
    day.run(lambda day: act(day, away_s[request.param]))
    return folder


@pytest.fixture(params=["in the tail", "sealed"])
def day(made: Path, tmp_path: Path, request: pytest.FixtureRequest) -> Path:
    """The same in the test's own folder."""
    shutil.copy(made / "store.db", tmp_path)
    if request.param == "sealed":
        seal(tmp_path)
        with History(tmp_path) as history:
            forget_tail(tmp_path, history.sealed_seq())
    return tmp_path


def rows_of(folder: Path, from_ms: int, to_ms: int) -> list[int]:
    """Inputs of the journal's rows with stamps in a time."""
    db = apsw.Connection(str(folder / "store.db"))
    try:
        return [int(v[0]) for v in db.execute(ROWS, (from_ms, to_ms))]
    finally:
        db.close()


@pytest.mark.parametrize("period", TIMES.values(), ids=TIMES.keys())
def test_whole_period_comes_again_over_a_clock_that_was_far_off(
    day: Path, period: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each input by its own stamp, each row of the journal, both alarms, whatever lies in between."""
    if period == "2026-09-21":
        assert run_replay(CONFIG, {"store.dir": str(day)}, Asked(period)) == 0
        out = capsys.readouterr().out
        assert out.count("alarm operated") == 2
        assert "The same as the journal to the last" in out
        return
    said = replayed(day, period, capsys=capsys)
    low, high = int(str(said["from_utc_ms"])), int(str(said["to_utc_ms"]))
    with History(day) as history:
        mine = [record.seq for record in history.records(1, 2**40) if low <= record.utc_ms < high]
    assert said["inputs"] == len(mine) > 500
    assert said["same"] is True
    assert int(str(said["rows"])) >= len(rows_of(day, low, high)) >= 4


def test_rows_whose_inputs_are_gone_are_no_same(day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Readings of the first alarm have been given up, its rows stand: the replay says how many it has not reached."""
    with History(day) as history:
        second = next(seq for seq, utc_ms in history.snapshots() if seq > 4_700)
    change(day, "store.db", "delete from snapshot where input_seq < ?", second)
    change(day, "store.db", "delete from tail where seq <= ?", second - 100)
    if (day / "history.db").exists():
        change(day, "history.db", "delete from snapshot where place < ?", second)
        change(day, "history.db", "delete from block where last_place < ?", second)
        change(day, "history.db", "delete from cut where last_place < ?", second)
    said = replayed(day, WHOLE, capsys=capsys)
    unreached = said["unreached"]
    assert said["difference"] is None
    assert said["same"] is False
    assert isinstance(unreached, dict)
    low, high = int(str(said["from_utc_ms"])), int(str(said["to_utc_ms"]))
    assert unreached["rows"] == len([seq for seq in rows_of(day, low, high) if seq <= second]) > 1

    assert run_replay(CONFIG, {"store.dir": str(day)}, Asked(WHOLE, quiet=True)) == 1
    out = " ".join(capsys.readouterr().out.split())
    assert "NOT THE WHOLE PERIOD" in out
    assert f"{unreached['rows']} rows of the period were not reached, the first at input" in out
