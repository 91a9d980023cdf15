"""Journal, marks and trips for the page over a night on the simulated plant; damaged ones are told."""

from __future__ import annotations

import json
import shutil
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import apsw
import pytest

from clocks import ManualClock
from nightrake.errors import StoreError
from nightrake.longterm.tripfile import TripFile
from nightrake.pagereading import marks as marking
from nightrake.pagereading import trips as recording
from nightrake.pagereading.answers import Answers
from nightrake.pagereading.limit import SHARED_S
from nightrake.pagereading.rows import BUDGET_S
from plantnights import CONFIG
from recordeddays import NOON_MS, RecordedDay, with_alarm_point
from shell.longterm.test_replay import both

SHUTDOWN = "PC1-forward-shutdown-1"
DAY_MS = 86_400_000


@pytest.fixture
def answers(night: Path) -> Iterator[Answers]:
    """Of that night."""
    found = Answers(night, CONFIG, now_utc_ms=lambda: NOON_MS)
    yield found
    found.forget()


def ask(answers: Answers, what: str, **args: Any) -> dict[str, Any]:
    """One answer."""
    told: dict[str, Any] = json.loads(answers.answer(what, args))
    return told


def trips(answers: Answers, drive: str = "", stage: str = "", skip: int = 0, limit: int = 100) -> dict[str, Any]:
    """A list of trips."""
    return ask(answers, "trips", drive=drive, stage=stage, skip=skip, limit=limit)


# --- journal ----------------------------------------------------------------------------------------------------------


def test_journal_page_by_page_is_the_whole_of_it(answers: Answers, night: Path) -> None:
    """Newest first, without a hole and nothing twice; the words name people, the rows are as they were told."""
    found: list[dict[str, Any]] = []
    before, more = 0, True
    while more:
        page = ask(answers, "journal", drive="PC1", before=before, limit=7)
        assert len(page["rows"]) <= 7
        found, more, before = found + page["rows"], page["more"], page["rows"][-1]["seq"]
    db = apsw.Connection(str(night / "store.db"))
    expected = list(db.execute("select seq, event from journal where drive = 'PC1' order by seq desc"))
    db.close()
    assert [(row["seq"], row["event"]) for row in found] == expected
    words = {row["event"]: f"{row['about']}: {row['text']}" for row in found}
    assert words["released"].startswith("PC1 Primary clarifier 1: lockout: Day shift operator (supervisor): RELEASED")
    assert "a plank" in words["cause"]
    assert all(row["text"] for row in found)


def test_journal_of_all_drives_and_of_none(answers: Answers) -> None:
    """Without a drive everything; of a drive that nothing happened to nothing."""
    assert len(ask(answers, "journal", drive="", before=0, limit=500)["rows"]) >= 50
    assert ask(answers, "journal", drive="PC2", before=0, limit=500) == {"rows": [], "more": False, "notes": []}


def test_journal_row_that_is_damaged_says_so(night: Path, tmp_path: Path) -> None:
    """It stands at its number; all others are told."""
    shutil.copy(night / "store.db", tmp_path)
    db = apsw.Connection(str(tmp_path / "store.db"))
    db.execute("update journal set payload = 'text' where seq = 20")
    db.execute("update journal set payload = x'7b' where seq = 21")
    db.close()
    rows = {row["seq"]: row for row in ask(Answers(tmp_path), "journal", drive="", before=0, limit=500)["rows"]}
    assert [rows[seq]["event"] for seq in (20, 21)] == ["row_damaged"] * 2
    assert "damaged" in rows[20]["text"]
    assert rows[22]["event"] == "opened"


def test_journal_that_takes_too_long_goes_on_where_it_stopped(night: Path, manual_clock: ManualClock) -> None:
    """A clock that runs out at the first page: what is there is told, and that there is more."""
    ticks = iter(range(10**6))
    slow = Answers(night, now_s=lambda: next(ticks) * BUDGET_S * 2)
    told = ask(slow, "journal", drive="PC1", before=0, limit=5)
    assert "more in the journal than could be looked through" in told["notes"][0]


@pytest.mark.parametrize("what", ["journal", "marks"])
def test_less_is_looked_through_while_others_wait(night: Path, what: str) -> None:
    """Time that would be enough for one alone is too much where somebody else waits, and a note says so."""
    asked = {"journal": {"before": 0, "limit": 500}, "marks": {"begin": 0, "end": 2**45}}[what]
    notes = {}
    for waits in (False, True):
        ticks = iter(range(10**6))
        slow = Answers(night, now_s=lambda: next(ticks) * SHARED_S * 1.2, others_wait=lambda: waits)  # noqa: B023
        notes[waits] = ask(slow, what, drive="PC1", **asked)["notes"]

    assert notes[False] == []
    assert "more in the journal than could be looked through" in notes[True][0]


# --- marks ------------------------------------------------------------------------------------------------------------


def test_marks_of_a_night(answers: Answers) -> None:
    """Contacts, the alarm before them, lockout and reset; each at its row's time, in order, none twice."""
    told = ask(answers, "marks", drive="PC1", begin=0, end=2**45)["marks"]
    ended = [mark["text"] for mark in told if mark["kind"] == "released"]
    assert ended == ["shutdown contact released", "alarm contact released"]
    assert [mark["kind"] for mark in told if mark["kind"] not in ("alarm", "released")] == [
        "trip",
        "lockout",
        "shutdown",
        "lockout",
        "reset",
    ]
    assert [mark["utc_ms"] for mark in told] == sorted(mark["utc_ms"] for mark in told)
    rows = {row["seq"]: row for row in ask(answers, "journal", drive="PC1", before=0, limit=500)["rows"]}
    assert all(rows[mark["seq"]]["utc_ms"] == mark["utc_ms"] for mark in told)
    middle = told[2]["utc_ms"]
    assert ask(answers, "marks", drive="PC1", begin=middle, end=middle + 1)["marks"] == [
        mark for mark in told if mark["utc_ms"] == middle
    ]
    assert ask(answers, "marks", drive="PC2", begin=0, end=2**45)["marks"] == []


def of_all_kinds(day: RecordedDay) -> Iterator[None]:
    """Test, standby, alarm, shutdown, other settings, another calibration record."""
    yield from day.seconds(30)
    assert day.command("test", "PC1", "60")[0]
    yield from day.seconds(30)
    assert day.command("test_end", "PC1")[0]
    assert day.command("standby", "PC1", for_s=600, reason="cleaning")[0]
    yield from day.seconds(30)
    assert day.command("standby_end", "PC1")[0]
    day.works.operate("PC1", "forward/alarm/A")
    yield from day.seconds(20)
    both(day, "PC1", True)
    yield from day.seconds(20)
    day.reload(with_alarm_point(day.settings, "PC2", 21_000.0))
    yield from day.seconds(10)
    day.reload(with_alarm_point(day.settings, "PC1", 31_000.0))
    yield from day.seconds(10)
    spec = day.settings.site.drives["PC1"]
    curves = {side: replace(c, ref="PC1-later", digest="e" * 64) for side, c in spec.calibrations.items()}
    drives = {**day.settings.site.drives, "PC1": replace(spec, calibrations=curves)}
    site = replace(day.settings.site, drives=drives, digest="c" * 64)
    day.reload(replace(day.settings, site=site, digest="c" * 64))
    yield from day.seconds(10)


def gap_of_two_hours(day: RecordedDay) -> Iterator[None]:
    """The process stood still: the engine says how long nobody watched."""
    day.clock.advance(7_200)
    yield from day.seconds(5)


def test_marks_of_every_kind(tmp_path: Path) -> None:
    """Of settings only what changed this drive; a calibration record by its name; a gap with its begin."""
    day = RecordedDay(tmp_path)
    day.run(of_all_kinds)
    day.run(gap_of_two_hours)
    told = ask(Answers(tmp_path), "marks", drive="PC1", begin=0, end=2**45)
    texts = [mark["text"] for mark in told["marks"]]
    for text in (
        "test began",
        "test ended",
        "standby began",
        "standby ended",
        "alarm contact operated",
        "shutdown contact operated",
        "lockout opened",
        "settings of this drive changed",
        "calibration record now in force: PC1-later",
    ):
        assert texts.count(text) == 1, (text, texts)
    (gap,) = [mark for mark in told["marks"] if mark["kind"] == "gap"]
    assert 7_100_000 < gap["utc_ms"] - gap["from_utc_ms"] < 7_300_000
    assert "not watched for 2 h" in gap["text"]
    others = ask(Answers(tmp_path), "marks", drive="PC2", begin=0, end=2**45)["marks"]
    assert [mark["kind"] for mark in others if mark["kind"] != "alarm"] == ["settings", "gap"]


def test_too_many_marks_keep_what_weighs_most(answers: Answers, monkeypatch: pytest.MonkeyPatch) -> None:
    """Shutdown and trip stay; a sentence counts what is left out."""
    monkeypatch.setattr(marking, "MOST", 2)
    told = ask(answers, "marks", drive="PC1", begin=0, end=2**45)
    assert {mark["kind"] for mark in told["marks"]} == {"shutdown", "trip"}
    assert "lesser marks are left out" in told["notes"][0]


def test_marks_without_a_store(night: Path, tmp_path: Path) -> None:
    """One sentence."""
    with pytest.raises(StoreError, match="no readable store"):
        ask(Answers(tmp_path), "marks", drive="PC1", begin=0, end=2**45)


# --- trips ------------------------------------------------------------------------------------------------------------


def test_trips_are_listed_newest_first_and_by_page(answers: Answers) -> None:
    """Both records with their peak, filtered by drive and stage, page by page."""
    told = trips(answers)
    assert [one["stage"] for one in told["trips"]] == ["shutdown", "alarm"]
    shutdown, alarm = told["trips"]
    assert (shutdown["because"], shutdown["open"]) == ("the lockout was released", False)
    assert shutdown["peak"]["torque_nm"] > 40_000.0
    assert alarm["open"]
    assert trips(answers, stage="alarm")["trips"] == [alarm]
    assert trips(answers, drive="PC2")["trips"] == []
    assert (trips(answers, limit=1)["trips"], trips(answers, limit=1)["more"]) == ([shutdown], True)
    assert (trips(answers, skip=1)["trips"], trips(answers, skip=1)["more"]) == ([alarm], False)


def test_trip_with_what_happened(answers: Answers) -> None:
    """Calibration, set points and the rows of its time in words, in order."""
    name = trips(answers)["trips"][0]["trip"]
    told = ask(answers, "trip", trip=name)
    assert told["trip"] == name
    assert told["calibrations"][0]["ref"] == "PC1-forward-2026-03-14"
    assert [row["seq"] for row in told["events"]] == sorted(row["seq"] for row in told["events"])
    assert len(told["events"]) == told["rows"]
    assert any("RELEASED" in row["text"] for row in told["events"])


def test_trip_readings_are_those_of_the_record(answers: Answers, night: Path) -> None:
    """Every reading of the ten minutes around it, bit for bit but for rounding; contacts as spans."""
    head = trips(answers)["trips"][0]
    begin, end = head["utc_ms"] - 600_000, head["utc_ms"] + 600_000
    told = ask(answers, "trip_readings", trip=head["trip"], begin=begin, end=end, columns=40_000)
    torque = told["signals"]["torque_nm"]
    assert torque["grain"] == "reading"
    with TripFile(night / "trips" / f"{head['trip']}.zip") as file:
        expected = [
            (int(ms) / 1000, round(float(nm), 1))
            for part in file.readings()
            for ms, nm in zip(part.utc_ms, part.values["torque_nm"], strict=True)
            if begin <= ms < end
        ]
    assert list(zip(torque["utc_s"], torque["mean"], strict=True)) == expected
    assert len(expected) > 600
    assert max(torque["limit"]) == 0
    whole = ask(answers, "trip_readings", trip=head["trip"], begin=0, end=0, columns=40_000)["signals"]["torque_nm"]
    assert max(whole["limit"]) == 1  # unwound, the arm rests below the calibrated span
    lanes = {lane["name"]: lane for lane in told["lanes"]}
    assert lanes["shutdown A"]["on"][0][0] == head["utc_ms"] / 1000
    assert lanes["motor runs"]["on"][-1][1] == head["utc_ms"] / 1000


def test_trip_thinned_hides_no_extreme(answers: Answers) -> None:
    """The whole record in 50 columns has its lowest and its highest torque."""
    name = trips(answers)["trips"][0]["trip"]
    whole = ask(answers, "trip_readings", trip=name, begin=0, end=0, columns=40_000)["signals"]["torque_nm"]
    thin = ask(answers, "trip_readings", trip=name, begin=0, end=0, columns=50)["signals"]["torque_nm"]
    assert (thin["grain"], len(thin["utc_s"])) == ("column", 50)
    assert max(v for v in thin["max"] if v is not None) == max(whole["mean"])
    assert min(v for v in thin["min"] if v is not None) == min(whole["mean"])


@pytest.mark.parametrize("name", ["", ".", "..", "../store", "../../etc/passwd", "/etc/passwd", "x\0y", "no-such-trip"])
def test_only_what_is_listed_is_opened(answers: Answers, name: str) -> None:
    """Whatever a name looks like."""
    for what in ("trip", "trip_readings"):
        with pytest.raises(LookupError, match="there is no trip record"):
            ask(answers, what, trip=name, begin=0, end=0, columns=10)


def test_damaged_trip_is_left_out_and_named(night: Path, tmp_path: Path) -> None:
    """One that is no zip and one that was changed cost only themselves, a sentence each."""
    shutil.copytree(night, tmp_path / "state")
    folder = tmp_path / "state" / "trips"
    (folder / "PC1-forward-shutdown-9-abc.zip").write_bytes(b"no zip")
    whole = next(folder.glob(f"{SHUTDOWN}-*.zip"))
    answers = Answers(tmp_path / "state")
    told = trips(answers)
    assert len(told["trips"]) == 2
    assert "PC1-forward-shutdown-9-abc.zip: is no trip record" in told["notes"][0]
    with zipfile.ZipFile(whole) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    with zipfile.ZipFile(whole, "w") as packed:
        for name, data in parts.items():
            packed.writestr(name, b"broken\n" if name.startswith("readings") else data)
    with pytest.raises(StoreError, match="cannot be read"):
        ask(answers, "trip_readings", trip=whole.stem, begin=0, end=0, columns=10)
    with pytest.raises(StoreError, match="is no trip record"):
        ask(answers, "trip", trip="PC1-forward-shutdown-9-abc")


def test_no_trips_folder(tmp_path: Path) -> None:
    """An empty list."""
    assert trips(Answers(tmp_path)) == {"trips": [], "total": 0, "more": False, "notes": []}


def test_long_record_is_read_in_parts(night: Path, answers: Answers, monkeypatch: pytest.MonkeyPatch) -> None:
    """Unasked an hour around the trip, and a note; asked, any time of it: the same readings as of the whole."""
    head = trips(answers)["trips"][0]
    asked = {"trip": head["trip"], "columns": 40_000}
    at = head["utc_ms"]
    spans = [(at - 900_000, at + 60_000), (at + 60_000, head["to_utc_ms"] + 1), (head["from_utc_ms"], at)]
    whole = [ask(answers, "trip_readings", begin=begin, end=end, **asked) for begin, end in spans]
    monkeypatch.setattr(recording, "LONG", 100)
    monkeypatch.setattr(recording, "AROUND_MS", 120_000)
    for (begin, end), expected in zip(spans, whole, strict=True):
        told = ask(answers, "trip_readings", begin=begin, end=end, **asked)
        assert told["signals"] == expected["signals"]
        assert len(told["signals"]["torque_nm"]["utc_s"]) > 50
        assert told["notes"] == []
    told = ask(answers, "trip_readings", begin=0, end=0, **asked)
    assert (told["begin_utc_ms"], told["end_utc_ms"]) == (at - 120_000, at + 120_000)
    assert told["from_utc_ms"] == head["from_utc_ms"]
    assert "the record is long" in told["notes"][0]
