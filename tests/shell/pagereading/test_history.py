"""One signal over time as the page draws it: the same as every reading taken one by one, from wherever it comes."""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import apsw
import pytest

from clocks import ManualClock
from nightrake.cli.history_read import DriveHistory
from nightrake.errors import StoreError
from nightrake.history.period import Period
from nightrake.longterm.drivereading import lanes_of
from nightrake.pagereading.answers import Answers
from recordeddays import NOON_MS, RecordedDay
from shell.longterm.histories import forget_tail
from shell.longterm.test_replay import both
from shell.longterm.test_summarising import seal_and_build

SIGNALS = ("torque", "position", "forward/alarm/A", "forward/shutdown/B", "running", "power")
HOUR_MS = 3_600_000


def two_hours(day: RecordedDay) -> Iterator[None]:
    """Torque that climbs past the calibrated span, an alarm, a shutdown, a PLC that is silent for a while."""
    for share in range(20, 100, 4):
        day.position("PC1", share / 100)
        yield from day.seconds(114)
    day.position("PC1", 0.99)
    yield from day.seconds(120)
    day.works.operate("PC1", "forward/alarm/A")
    yield from day.seconds(60)
    both(day, "PC1", True)
    day.works.set("PC1", "running", 0)
    yield from day.seconds(600)
    day.silent = set(day.works.site.endpoints)
    yield from day.seconds(300)
    day.silent = set()
    day.position("PC1", 0.5)
    yield from day.seconds(2_400)


def more(day: RecordedDay) -> Iterator[None]:
    """A minute, higher than what was just before."""
    day.position("PC1", 0.7)
    yield from day.seconds(60)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two hours, all in the hot tail."""
    folder = tmp_path_factory.mktemp("hours")
    RecordedDay(folder, period_s=4.0).run(two_hours)
    return folder


@pytest.fixture(params=["tail", "both", "sealed"])
def store(made: Path, tmp_path: Path, request: pytest.FixtureRequest) -> Path:
    """The same store: not sealed, sealed but for its last hour, sealed and summarised whole."""
    folder = tmp_path / "state"
    folder.mkdir()
    shutil.copy(made / "store.db", folder)
    if request.param != "tail":
        seal_and_build(folder, build_each=False)
        forget_tail(folder, 2**40 if request.param == "sealed" else 0)
    return folder


def asked(answers: Answers, signal: str, begin_ms: int, end_ms: int, columns: int = 100) -> dict[str, Any]:
    """The answer, and that it is what a chart takes."""
    args = {"drive": "PC1", "signal": signal, "begin": begin_ms, "end": end_ms, "columns": columns}
    told: dict[str, Any] = json.loads(answers.answer("history", args))
    count = len(told["columns"]["utc_s"])
    assert count <= max(columns, 2)
    assert all(len(column) == count for column in told["columns"].values())
    assert told["columns"]["utc_s"][0] * 1000 == told["begin_utc_ms"] <= begin_ms
    assert told["end_utc_ms"] - told["begin_utc_ms"] == count * told["step_ms"]
    return told


def slowly(folder: Path, signal: str, told: dict[str, Any]) -> list[dict[str, float | None]]:
    """The same columns, reading by reading, as `nightrake history` reads them."""
    step, begin = told["step_ms"], told["begin_utc_ms"]
    held: dict[int, list[tuple[float, float]]] = {}
    with DriveHistory(folder, "PC1") as drive:
        (lane,) = lanes_of([one for one in drive.signals if one.name == signal])
        for piece in drive.pieces(lane, Period(begin, told["end_utc_ms"])):
            codes = piece.columns[2] if signal == "torque" else [0] * len(piece.utc_ms)
            for utc_ms, value, code in zip(piece.utc_ms, piece.columns[0], codes, strict=True):
                held.setdefault((int(utc_ms) - begin) // step, []).append((float(value), float(code)))
    rows: list[dict[str, float | None]] = []
    for number in range(len(told["columns"]["utc_s"])):
        mine = held.get(number, [])
        good = [v for v, _ in mine if not math.isnan(v)]
        rows.append(
            {
                "min": min(good, default=None),
                "max": max(good, default=None),
                "mean": math.fsum(good) / len(good) if good else None,
                "bad": (len(mine) - len(good)) / len(mine) if mine else None,
                "limit": sum(abs(c) == 1 for _, c in mine) / len(good) if good else None,
            }
        )
    return rows


def compare(told: dict[str, Any], rows: list[dict[str, float | None]], within: float) -> int:
    """Both say the same, but where a gap between two readings was bridged; how many columns were compared."""
    compared = 0
    for number, row in enumerate(rows):
        if row["bad"] is None:
            continue
        for name, expected in row.items():
            if name in told["columns"]:
                found = told["columns"][name][number]
                assert (found is None) == (expected is None), (name, number)
                assert expected is None or abs(found - expected) <= within, (name, number, found, expected)
        compared += 1
    return compared


@pytest.mark.parametrize("signal", SIGNALS)
def test_columns_are_those_of_every_reading(store: Path, signal: str) -> None:
    """Lowest, mean, highest, share without a value, share outside the calibrated span: each column, several widths."""
    answers, low, high = Answers(store), NOON_MS, NOON_MS + 2 * HOUR_MS
    for begin, end, columns in ((low, high, 500), (low + 900_000, low + 1_300_000, 100), (low - HOUR_MS, high, 2_000)):
        told = asked(answers, signal, begin, end, columns)
        assert told["grain"] == "reading"
        assert compare(told, slowly(store, signal, told), 0.06) > 20
    answers.forget()


def test_bad_limit_and_holes(store: Path) -> None:
    """A silent PLC is a hole with all its readings bad; past the calibrated span is said, with the uncertainty."""
    told = asked(Answers(store), "torque", NOON_MS, NOON_MS + 2 * HOUR_MS, 2_000)["columns"]
    silent = [i for i, bad in enumerate(told["bad"]) if bad == 1.0]
    assert len(silent) > 30
    assert all(told["mean"][i] is None for i in silent)
    assert {0.0, 1.0} <= set(told["limit"])
    assert all(u > 0 for u, m in zip(told["uncertainty"], told["mean"], strict=True) if m is not None and u is not None)


def test_contact_tells_the_share_of_readings_in_which_it_had_operated(store: Path) -> None:
    """0 before the alarm, 1 after it, between them where it came in the middle of a column."""
    told = asked(Answers(store), "forward/alarm/A", NOON_MS, NOON_MS + 2 * HOUR_MS, 30)
    assert told["kind"] == "contact"
    shares = [v for v in told["columns"]["mean"] if v is not None]
    assert shares[0] == 0.0
    assert shares[-1] == 1.0
    assert shares == sorted(shares)


def test_minutes_stand_for_readings_and_the_newest_are_read(made: Path, tmp_path: Path) -> None:
    """From summaries the same to a ten-thousandth of the torque, and what came since the last row is there too."""
    folder = tmp_path / "state"
    folder.mkdir()
    shutil.copy(made / "store.db", folder)
    seal_and_build(folder, build_each=False)
    answers = Answers(folder)
    told = asked(answers, "torque", NOON_MS, NOON_MS + 2 * HOUR_MS, 60)
    assert (told["grain"], told["step_ms"]) == ("minute", 120_000)
    assert compare(told, slowly(folder, "torque", told), 5.0) > 20
    day = RecordedDay(folder, period_s=4.0)
    day.clock.advance(2 * 3_600)
    day.run(more)
    told = asked(answers, "torque", NOON_MS, NOON_MS + 3 * HOUR_MS, 100)
    assert told["grain"] == "minute"
    assert told["until_utc_ms"] > NOON_MS + 2 * HOUR_MS
    assert compare(told, slowly(folder, "torque", told), 5.0) > 20
    last = [m for m in told["columns"]["max"] if m is not None][-1]
    earlier = zip(told["columns"]["max"], told["columns"]["utc_s"], strict=True)
    before = [m for m, at in earlier if m is not None and at * 1000 < NOON_MS + 2 * HOUR_MS]
    assert last > before[-1]


def test_what_is_settled_is_read_once_and_again_after_ten_minutes(
    made: Path, tmp_path: Path, manual_clock: ManualClock
) -> None:
    """Panning back gives what is at hand, though the file has it no more; later it is read anew."""
    folder = tmp_path / "state"
    folder.mkdir()
    shutil.copy(made / "store.db", folder)
    seal_and_build(folder, build_each=False)
    answers = Answers(folder, now_s=lambda: manual_clock.mono_ns() / 1e9)
    first = asked(answers, "position", NOON_MS, NOON_MS + HOUR_MS, 2_000)
    assert any(v is not None for v in first["columns"]["mean"])
    db = apsw.Connection(str(folder / "history.db"))
    db.execute("delete from column_data")
    db.close()
    assert asked(answers, "position", NOON_MS, NOON_MS + HOUR_MS, 2_000)["columns"] == first["columns"]
    part = asked(answers, "position", NOON_MS + HOUR_MS // 2, NOON_MS + HOUR_MS, 1_000)
    assert part["step_ms"] == first["step_ms"]
    assert part["columns"]["mean"] == first["columns"]["mean"][-len(part["columns"]["mean"]) :]
    manual_clock.advance(601.0)
    again = asked(answers, "position", NOON_MS, NOON_MS + HOUR_MS, 2_000)
    assert all(v is None for v in again["columns"]["mean"])
    assert "cannot be read" in again["notes"][0]


def test_time_without_records_is_empty(store: Path) -> None:
    """Long before, long after, and two hundred years around it."""
    answers = Answers(store)
    for begin, end in ((0, 1_000), (NOON_MS + 90 * 86_400_000, NOON_MS + 91 * 86_400_000)):
        told = asked(answers, "torque", begin, end)
        assert all(v is None for v in told["columns"]["mean"])
        assert told["from_utc_ms"] is None
    told = asked(answers, "torque", 0, 200 * 366 * 86_400_000, 2_000)
    assert sum(v is not None for v in told["columns"]["mean"]) == 1


@pytest.mark.parametrize(
    ("args", "words"),
    [
        ({"drive": "PC9"}, "there is no drive 'PC9'"),
        ({"signal": "torqe"}, "PC1 has no signal 'torqe'; it has torque, "),
        ({"begin": 5, "end": 5}, "no such span of time"),
        ({"begin": -5, "end": 5}, "no such span of time"),
        ({"begin": 0, "end": 2**60}, "no such span of time"),
    ],
)
def test_no_such_thing(made: Path, args: dict[str, Any], words: str) -> None:
    """One sentence each."""
    asked_for = {"drive": "PC1", "signal": "torque", "begin": NOON_MS, "end": NOON_MS + 1_000, "columns": 10, **args}
    with pytest.raises(LookupError, match=r"drive|signal|span") as refused:
        Answers(made).answer("history", asked_for)
    assert words in refused.value.args[0]


def test_signals_of_a_drive(store: Path) -> None:
    """What can be drawn, set points with their direction, and since when."""
    told = json.loads(Answers(store).answer("signals", {"drive": "PC1"}))
    assert {"torque", "position", "forward/shutdown/B", "running"} <= {s["name"] for s in told["signals"]}
    assert [(p["stage"], p["torque_nm"]) for p in told["set_points"]] == [("alarm", 32_000.0), ("shutdown", 40_000.0)]
    assert NOON_MS - 60_000 <= told["from_utc_ms"] <= NOON_MS + 60_000
    assert told["until_utc_ms"] > NOON_MS + HOUR_MS
    assert told["notes"] == []


# --- faults -----------------------------------------------------------------------------------------------------------


def test_damaged_history_leaves_the_hot_tail(made: Path, tmp_path: Path) -> None:
    """One sentence says that the sealed part is not shown; what is in store.db is."""
    shutil.copy(made / "store.db", tmp_path)
    (tmp_path / "history.db").write_bytes(b"no database at all" * 500)
    told = asked(Answers(tmp_path), "torque", NOON_MS, NOON_MS + HOUR_MS)
    assert "history.db" in told["notes"][0]
    assert "only what is still in store.db" in told["notes"][0]
    assert any(v is not None for v in told["columns"]["mean"])


def test_history_of_a_newer_program(made: Path, tmp_path: Path) -> None:
    """Likewise, and it names both schemas."""
    shutil.copy(made / "store.db", tmp_path)
    seal_and_build(tmp_path, build_each=False)
    db = apsw.Connection(str(tmp_path / "history.db"))
    db.execute("insert into migration values(99, 1)")
    db.close()
    told = asked(Answers(tmp_path), "torque", NOON_MS, NOON_MS + HOUR_MS)
    assert "schema 99" in told["notes"][0]
    assert any(v is not None for v in told["columns"]["mean"])


def test_no_store_then_one(made: Path, tmp_path: Path) -> None:
    """No store is one sentence; when it is there, the next question is answered."""
    answers = Answers(tmp_path)
    with pytest.raises(StoreError, match="no readable store"):
        answers.answer("signals", {"drive": "PC1"})
    shutil.copy(made / "store.db", tmp_path)
    assert json.loads(answers.answer("signals", {"drive": "PC1"}))["drive"] == "PC1"


def test_store_that_was_replaced_is_opened_anew(made: Path, tmp_path: Path) -> None:
    """Nothing of the old one is told, neither readings nor what was at hand of them."""
    shutil.copy(made / "store.db", tmp_path)
    answers = Answers(tmp_path)
    before = asked(answers, "torque", NOON_MS, NOON_MS + HOUR_MS)
    assert any(v is not None for v in before["columns"]["mean"])
    day = RecordedDay(tmp_path / "other", period_s=4.0)
    day.clock.advance(3_600)
    day.run(more)
    (tmp_path / "other" / "store.db").replace(tmp_path / "store.db")
    for beside in ("store.db-wal", "store.db-shm"):
        (tmp_path / beside).unlink(missing_ok=True)
    told = asked(answers, "torque", NOON_MS, NOON_MS + HOUR_MS)
    assert all(v is None for v in told["columns"]["mean"][:50])


def test_clock_that_was_ahead_makes_nothing_stale(tmp_path: Path) -> None:
    """Stamps of a hundred years ahead are left behind; what is read now is told at once all the same."""
    day = RecordedDay(tmp_path)

    def ahead(day: RecordedDay) -> Iterator[None]:
        yield from day.seconds(60)
        day.clock.step_utc(3e9)
        yield from day.seconds(10)
        day.clock.step_utc(-3e9)
        yield from day.seconds(30)

    day.run(ahead)
    seal_and_build(tmp_path, build_each=False)
    answers = Answers(tmp_path, now_utc_ms=lambda: day.utc_ms)
    begin = NOON_MS // 1_000_000 * 1_000_000
    before = asked(answers, "position", begin, begin + 4_000_000, 2_000)["columns"]["mean"]
    day.run(more)
    after = asked(answers, "position", begin, begin + 4_000_000, 2_000)["columns"]["mean"]
    assert sum(v is not None for v in after) > sum(v is not None for v in before) + 20


GAP_MS = 7_000
"""Shorter than the longest silence of any point, so that nothing but the journal tells of it."""


@pytest.mark.parametrize("event", ["gap", "started"])
@pytest.mark.parametrize("signal", ["torque", "forward/alarm/A", "running"])
def test_nothing_is_told_of_a_time_in_which_nobody_watched(tmp_path: Path, event: str, signal: str) -> None:
    """A watch that was away for seven seconds: columns of a tenth of a second are known up to it and after it only."""

    def first(day: RecordedDay) -> Iterator[None]:
        yield from day.seconds(60)

    def second(day: RecordedDay) -> Iterator[None]:
        day.note(event, **{"gap": {"seconds": GAP_MS / 1000}, "started": {"missed_s": GAP_MS / 1000}}[event])
        yield from day.seconds(60)

    day = RecordedDay(tmp_path)
    day.run(first)
    died_ms = day.utc_ms
    day.clock.advance(GAP_MS / 1000)
    day.run(second)
    answers = Answers(tmp_path, now_utc_ms=lambda: day.utc_ms)
    told = asked(answers, signal, died_ms - 30_000, died_ms + 30_000, 600)
    answers.forget()

    known = {
        round(s * 1000): v is not None for s, v in zip(*(told["columns"][k] for k in ("utc_s", "mean")), strict=True)
    }
    begun_ms = died_ms + GAP_MS
    assert not any(there for at, there in known.items() if died_ms <= at < begun_ms - 100)
    for begin, end in ((died_ms - 20_000, died_ms - 200), (begun_ms + 2_000, begun_ms + 20_000)):
        assert all(there for at, there in known.items() if begin <= at < end), (begin, end)
