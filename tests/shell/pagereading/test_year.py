"""A long time of one drive out of its summaries: the same as the rows that were put in, damaged days or not."""

from __future__ import annotations

import json
import math
import random
import shutil
from pathlib import Path
from typing import Any

import apsw
import numpy as np
import pytest

from nightrake.domain.site import Direction
from nightrake.history.basis import FORWARD, basis_of
from nightrake.history.histogram import histogram
from nightrake.history.kept import HourBytes
from nightrake.history.rows import DAY_MS, HOUR_MS, PARTS, Grain, Table, blank, columns_of
from nightrake.history.summaries import RUNNING, Entry
from nightrake.longterm.summaries import SummaryWriting, day_key
from nightrake.longterm.writing import Writing
from nightrake.pagereading import history as drawing
from nightrake.pagereading.answers import Answers
from nightrake.settings import load
from recordeddays import CONFIG, NOON_MS, RecordedDay

DAYS = 40
TODAY = NOON_MS // DAY_MS
SECOND_NS = 1_000_000_000
TIMES = {"normal": 30, "alarm": 15, "shutdown": 5, "unknown": 10}
"""Seconds of each minute."""
HOLE = 12
"""A day, counted from the first, in which nothing was read."""
Minute = tuple[int, float, float, float, int, int]
"""Where it begins, lowest, mean, highest torque, readings without a torque (of 60), readings past the span."""


def minutes_of(day: int, chance: random.Random) -> list[Minute]:
    """A day's minutes, torque in N.m; some readings bad, some past the calibrated span."""
    found: list[Minute] = []
    for minute in range(1_440):
        mean = 16_000.0 + 3_000.0 * math.sin(minute / 229.0) + chance.uniform(-400, 400)
        low, high = mean - chance.uniform(50, 500), mean + chance.uniform(50, 500)
        bad = chance.choice((0, 0, 0, 6))
        found.append((day * DAY_MS + minute * 60_000, low, mean, high, bad, chance.choice((0, 0, 12))))
    return found


def table_of(minutes: list[Minute], grain: Grain) -> Table:
    """Minutes as the rows of a summary; an hour is one row of all of them."""
    columns = columns_of([Direction.FORWARD])
    rows = [[m] for m in minutes] if grain is Grain.MINUTE else [minutes]
    table = blank(columns, grain, len(rows))
    for at, some in enumerate(rows):
        n = sum(60 - bad for *_, bad, _ in some)
        table["drive.readings"][at] = 60 * len(some)
        table["drive.absent"][at] = sum(bad for *_, bad, _ in some)
        table["forward.time.beyond"][at] = sum(past for *_, past in some)
        table["forward.all.n"][at] = n
        table["drive.running_ns"][at] = 45 * SECOND_NS * len(some)
        table["drive.stopped_ns"][at] = 15 * SECOND_NS * len(some)
        for stage, seconds in TIMES.items():
            table[f"forward.time.{stage}_ns"][at] = seconds * SECOND_NS * len(some)
        table["forward.all.min_nm"][at] = min(m[1] for m in some)
        table["forward.all.max_nm"][at] = max(m[3] for m in some)
        table["forward.all.mean_nm"][at] = math.fsum(m[2] * (60 - m[4]) for m in some) / n
    return table


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Minute]]:
    """Forty days of summaries of PC1 before a few minutes of readings, a day of them lacking."""
    folder = tmp_path_factory.mktemp("year")
    RecordedDay(folder, period_s=5.0).run(lambda day: day.seconds(300))
    spec = load(CONFIG).site.drives["PC1"]
    basis = basis_of(spec)
    assert basis is not None
    chance, minutes = random.Random(3), list[Minute]()
    writing = Writing(folder, NOON_MS)
    writing.begin("another", 1, NOON_MS)
    summaries = SummaryWriting(writing.db)
    counts = (Entry(basis.digest, FORWARD, RUNNING, histogram(np.array([2_000, 2_001]))),)
    writing.db.execute("begin immediate")
    for day in range(TODAY - DAYS, TODAY):
        if day == TODAY - DAYS + HOLE:
            continue
        mine = minutes_of(day, chance)
        hours = {}
        for hour in range(24):
            some = mine[hour * 60 : hour * 60 + 60]
            hours[hour] = HourBytes(table_of(some, Grain.MINUTE), table_of(some, Grain.HOUR), counts)
        summaries.put_day("PC1", day, hours, {basis.digest: basis})
        minutes += mine
    writing.db.execute("commit")
    writing.close()
    return folder, minutes


def ask(answers: Answers, begin: int, end: int, columns: int) -> dict[str, Any]:
    """Torque of PC1."""
    args = {"drive": "PC1", "signal": "torque", "begin": begin, "end": end, "columns": columns}
    told: dict[str, Any] = json.loads(answers.answer("history", args))
    return told


def check(told: dict[str, Any], minutes: list[Minute], without: range = range(0)) -> int:
    """Each column is made of the minutes in it; how many were compared."""
    step, compared = told["step_ms"], 0
    held: dict[int, list[Minute]] = {}
    for minute in minutes:
        if minute[0] // DAY_MS not in without:
            held.setdefault((minute[0] - told["begin_utc_ms"]) // step, []).append(minute)
    columns = told["columns"]
    for number in range(len(columns["utc_s"])):
        at_ms = columns["utc_s"][number] * 1000
        if at_ms + step > TODAY * DAY_MS:
            continue  # where readings follow
        mine = held.get(number, [])
        if not mine:
            assert columns["mean"][number] is None, number
            continue
        n = sum(60 - m[4] for m in mine)
        expected = {
            "min": min(m[1] for m in mine),
            "max": max(m[3] for m in mine),
            "mean": math.fsum(m[2] * (60 - m[4]) for m in mine) / n,
            "bad": sum(m[4] for m in mine) / (60 * len(mine)),
            "limit": sum(m[5] for m in mine) / n,
        }
        for name, value in expected.items():
            assert columns[name][number] == pytest.approx(value, rel=1e-5, abs=0.06), (name, number)
        compared += 1
    return compared


@pytest.mark.parametrize(
    ("days", "columns", "grain"), [(DAYS, 100, "hour"), (DAYS, 2_000, "minute"), (9, 80, "hour"), (2, 1_500, "minute")]
)
def test_columns_are_made_of_the_rows(made: tuple[Path, list[Minute]], days: int, columns: int, grain: str) -> None:
    """The coarsest rows that fit into a column, of any span; a day without rows is a hole; twice the same."""
    folder, minutes = made
    answers, end = Answers(folder), TODAY * DAY_MS
    for shift in (0, 0, 7 * HOUR_MS, DAY_MS):
        told = ask(answers, end - days * DAY_MS - shift, end - shift, columns)
        assert told["grain"] == grain
        assert check(told, minutes) >= min(len(told["columns"]["utc_s"]) - 40, 30)
        assert told["notes"] == []


def test_zoomed_in_where_readings_are_gone(made: tuple[Path, list[Minute]]) -> None:
    """Ten minutes of a month ago at two seconds a column: the minutes, each over its whole length."""
    folder, minutes = made
    at = minutes[700][0]
    told = ask(Answers(folder), at, at + 600_000, 300)
    assert (told["grain"], told["step_ms"]) == ("minute", 2_000)
    assert told["columns"]["max"] == [round(float(np.float32(m[3])), 1) for m in minutes[700:710] for _ in range(30)]


@pytest.mark.parametrize(
    ("signal", "share", "bad"),
    [("forward/alarm/A", 20 / 50, 10 / 60), ("forward/shutdown/B", 5 / 50, 10 / 60), ("running", 0.75, 0.0)],
)
def test_contacts_and_motor_by_the_time_they_were_on(
    made: tuple[Path, list[Minute]], signal: str, share: float, bad: float
) -> None:
    """Where readings are gone: the part of the known time; what was not known is told beside it."""
    folder, minutes = made
    args = {"drive": "PC1", "signal": signal, "begin": minutes[0][0], "end": minutes[0][0] + 3 * DAY_MS, "columns": 100}
    told = json.loads(Answers(folder).answer("history", args))
    assert told["grain"] == "hour" if told["step_ms"] >= HOUR_MS else told["grain"] == "minute"
    columns = told["columns"]
    assert columns["mean"] == pytest.approx([share] * len(columns["mean"]), abs=1e-4)
    assert columns["bad"] == pytest.approx([bad] * len(columns["bad"]), abs=1e-4)
    assert (set(columns["min"]), set(columns["max"])) == ({0.0}, {1.0})
    args |= {"begin": NOON_MS, "end": NOON_MS + 300_000}
    assert json.loads(Answers(folder).answer("history", args))["grain"] == "reading"


def test_damaged_day_costs_that_day_only(made: tuple[Path, list[Minute]], tmp_path: Path) -> None:
    """All other days are drawn, and a sentence says what cannot be read."""
    folder, minutes = made
    shutil.copytree(folder, tmp_path / "state")
    db = apsw.Connection(str(tmp_path / "state" / "history.db"))
    broken = TODAY - DAYS + 20
    for grain in Grain:
        key = day_key(1, grain, PARTS.index("forward.all"), broken)
        db.execute("update summary_day set data = x'00112233' where id = ?", (key,))
        assert db.changes() == 1
    db.close()
    told = ask(Answers(tmp_path / "state"), (TODAY - DAYS) * DAY_MS, TODAY * DAY_MS, 2_000)
    assert "history.db" in told["notes"][0]
    assert told["grain"] == "minute"
    assert check(told, minutes, range(broken, broken + 1)) > 1_500


def test_more_than_there_is_time_for(made: tuple[Path, list[Minute]], monkeypatch: pytest.MonkeyPatch) -> None:
    """The newest is drawn, a sentence says that more comes, and asked again it is there."""
    folder, _ = made
    monkeypatch.setattr(drawing, "BUDGET_S", -1.0)
    answers, end = Answers(folder), TODAY * DAY_MS
    told = ask(answers, end - DAY_MS, end, 1_000)
    assert drawing.LATE in told["notes"]
    assert all(v is None for v in told["columns"]["mean"])
    monkeypatch.setattr(drawing, "BUDGET_S", 60.0)
    told = ask(answers, end - DAY_MS, end, 1_000)
    assert told["notes"] == []
    assert any(v is not None for v in told["columns"]["mean"])
