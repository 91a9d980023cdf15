"""Trip records of a real store: what is in them; nothing is lost to clocks, restarts, retention or damage."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from nightrake.domain.inputs import Got
from nightrake.domain.registers import decoder
from nightrake.history.triprecord import Record
from nightrake.longterm.tripfile import TripFile
from nightrake.longterm.triproom import given_up
from nightrake.workers.trips import TripKeeping
from shell.longterm.histories import S, forget_tail, seal, unpacked
from shell.longterm.triphistories import TripPast, keeping, records, trip_file, turn

PLC = "PLCA"


def kept_seqs(file: TripFile, plc: str = PLC) -> list[int]:
    """Input numbers of one PLC's scans in a record."""
    return [int(seq) for part in file.readings() if part.plc == plc for seq in part.seq]


def everything_of(past: TripPast, low_ns: int, high_ns: int) -> dict[int, dict[str, tuple[object, int]]]:
    """Scans of PC1 between two moments, by the watch's own codec: input number -> role -> value, what came of it."""
    found: dict[int, dict[str, tuple[object, int]]] = {}
    plan = past.plans[PLC]
    for record in past.records:
        if record.kind != "scan" or record.endpoint != PLC or not low_ns <= record.mono_ns <= high_ns:
            continue
        replies = {reply.block: reply for reply in unpacked(record, plan)}
        for role, point in past.settings.site.drives["PC1"].points().items():
            number, offset = plan.places[point]
            if number in replies:
                reply = replies[number]
                value = decoder(point, offset)(reply.data) if reply.got == Got.GOOD else None
                found.setdefault(record.seq, {})[role] = (value, int(reply.got))
    return found


def past_with_a_trip() -> TripPast:
    """Two hours, a shutdown, its lockout released half an hour later, another hour."""
    past = TripPast()
    past.snapshot()
    past.go(7_200, 10.0)
    past.alarm("PC1", "shutdown", 1)
    past.lockout("PC1", "opened")
    past.go(1_800, 10.0)
    past.tell("command", "refused", "SC1", verb="reset")
    past.tell("link", "link_down", "", link="broker")
    past.lockout("PC1", "released")
    past.alarm("PC1", "shutdown", 1, "reset", "normal")
    past.go(3_600, 10.0)
    return past


@pytest.mark.parametrize("sealed", [False, True], ids=["tail", "blocks"])
def test_record_holds_every_scan_of_its_time(tmp_path: Path, sealed: bool) -> None:
    """An hour before to the release, each scan of the drive's PLC once, with the values of the watch's own decoder."""
    past = past_with_a_trip()
    past.keep(tmp_path)
    if sealed:
        seal(tmp_path)
        forget_tail(tmp_path, past.seq - 400)
    turn(tmp_path)
    (record,) = records(tmp_path).values()
    at = record.trip.at
    assert (record.is_whole, record.because) == (True, "the lockout was released")
    assert record.trip.over is not None
    assert record.after_ms == (record.trip.over.mono_ns - at.mono_ns) // 1_000_000
    with trip_file(tmp_path, "PC1") as file:
        assert file.faults() == []
        low, high = at.mono_ns - 3_600 * S, at.mono_ns + (record.after_ms or 0) * 1_000_000
        expected = everything_of(past, low, high)
        found = {}
        for part in file.readings():
            assert list(part.seq) == sorted(set(part.seq.tolist()))
            for i, seq in enumerate(part.seq.tolist()):
                found[seq] = {role: part.values[role][i] for role in past.settings.site.drives["PC1"].points()}
        assert set(found) == set(expected)
        for seq, values in found.items():
            for role, value in values.items():
                said, got = expected[seq].get(role, (None, 255))
                assert np.isnan(value) if got != 0 else value == said


def test_record_holds_events_settings_and_calibration(tmp_path: Path) -> None:
    """Rows of the drive and of no drive, whole; the drive as the settings had it, with its calibration record."""
    past = past_with_a_trip()
    past.keep(tmp_path)
    turn(tmp_path)
    with trip_file(tmp_path, "PC1") as file:
        rows = file.events()
        assert [(r.kind, r.event, r.drive) for r in rows] == [
            ("alarm", "raised", "PC1"),
            ("lockout", "opened", "PC1"),
            ("link", "link_down", ""),
            ("lockout", "released", "PC1"),
            ("alarm", "reset", "PC1"),
        ]
        assert json.loads(rows[0].payload)["torque_nm"] == 41_000.0
        (spec,) = file.drives().values()
        assert spec == past.settings.site.drives["PC1"]
        assert spec.calibrations
        assert list(file.drives()) == [past.settings.digest]
        assert file.record.peak is not None


def test_open_record_grows_and_can_be_read_meanwhile(tmp_path: Path) -> None:
    """Each turn adds what is new; whatever the number of turns and restarts, each scan is there once."""
    past = TripPast()
    past.snapshot()
    past.go(4_000, 10.0)
    past.alarm("PC1", "shutdown", 1)
    past.lockout("PC1", "opened")
    sizes = []
    for _ in range(4):
        past.go(1_200, 10.0)
        past.keep(tmp_path)
        turn(tmp_path)
        turn(tmp_path)
        with trip_file(tmp_path, "PC1") as file:
            seqs = kept_seqs(file)
            assert seqs == sorted(set(seqs))
            sizes.append(len(seqs))
            assert not file.record.is_whole
    assert sizes == sorted(sizes)
    assert sizes[-1] > sizes[0] + 200
    past.go(60, 10.0)
    past.lockout("PC1", "released")
    past.go(60, 10.0)
    past.keep(tmp_path)
    turn(tmp_path)
    with trip_file(tmp_path, "PC1") as file:
        assert file.record.is_whole
        assert len(kept_seqs(file)) > sizes[-1]
        assert len([n for n in file.names() if n.startswith("readings")]) == 1
    assert [p.name for p in (tmp_path / "trips").iterdir() if p.is_dir()] == []


def test_record_outlives_retention(tmp_path: Path) -> None:
    """What is in it stays when the readings it was made of are gone, also while it is open."""
    past = TripPast()
    past.snapshot()
    past.go(4_000, 10.0)
    past.alarm("PC1", "shutdown", 1)
    past.lockout("PC1", "opened")
    past.keep(tmp_path)
    turn(tmp_path)
    with trip_file(tmp_path, "PC1") as file:
        before = kept_seqs(file)
    forget_tail(tmp_path, past.seq - 1)
    past.go(7_200, 10.0)
    past.lockout("PC1", "released")
    past.keep(tmp_path)
    turn(tmp_path)
    with trip_file(tmp_path, "PC1") as file:
        after = kept_seqs(file)
    assert after[: len(before)] == before
    assert len(after) > len(before)


def test_clock_set_back_and_ahead_hides_nothing(tmp_path: Path) -> None:
    """A record goes by the monotonic clock: UTC set by an hour, and by ten years, within its time."""
    past = TripPast()
    past.snapshot()
    past.go(5_400, 10.0)
    past.step_clock(-3_600_000)
    past.go(600, 10.0)
    past.alarm("PC1", "shutdown", 1)
    past.lockout("PC1", "opened")
    past.go(600, 10.0)
    past.step_clock(10 * 365 * 86_400_000)
    past.go(1_200, 10.0)
    past.lockout("PC1", "released")
    past.go(60, 10.0)
    past.keep(tmp_path)
    seal(tmp_path)
    turn(tmp_path)
    (record,) = records(tmp_path).values()
    at = record.trip.at
    low, high = at.mono_ns - 3_600 * S, at.mono_ns + (record.after_ms or 0) * 1_000_000
    with trip_file(tmp_path, "PC1") as file:
        seqs = kept_seqs(file)
        assert file.events()[-1].event == "released"
    assert seqs == sorted(everything_of(past, low, high))


def test_changed_settings_stand_with_what_they_hold_for(tmp_path: Path) -> None:
    """A reload within a record's time: both are in it, and readings under each."""
    past = TripPast()
    past.snapshot()
    past.go(3_000, 10.0)
    past.keep(tmp_path)
    first = past.settings.digest
    past.reload("b")
    past.go(600, 10.0)
    past.alarm("PC1", "alarm", 1)
    past.go(300, 10.0)
    past.alarm("PC1", "alarm", 1, "cleared", "normal")
    past.go(900, 10.0)
    past.keep(tmp_path)
    turn(tmp_path)
    (record,) = records(tmp_path).values()
    assert [digest for digest, _ in record.settings] == [first, past.settings.digest]
    assert record.because == "the alarm was over"
    assert record.after_ms == 600_000
    with trip_file(tmp_path, "PC1") as file:
        assert list(file.drives()) == [first, past.settings.digest]


def test_chattering_alarm_is_one_record_and_each_shutdown_its_own(tmp_path: Path) -> None:
    """Alarms that come again while their record is open go into it; shutdowns never do."""
    past = TripPast()
    past.snapshot()
    past.go(600, 10.0)
    for number in range(1, 6):
        past.alarm("PC1", "alarm", number)
        past.go(30, 10.0)
        past.alarm("PC1", "alarm", number, "cleared", "normal")
        past.go(60, 10.0)
    for number in (1, 2):
        past.alarm("PC1", "shutdown", number, "raised" if number == 1 else "raised_again")
        past.lockout("PC1", "opened" if number == 1 else "shutdown_again")
        past.go(60, 10.0)
    past.keep(tmp_path)
    turn(tmp_path)
    found = records(tmp_path)
    assert set(found) == {"PC1-forward-alarm-1", "PC1-forward-shutdown-1", "PC1-forward-shutdown-2"}
    assert found["PC1-forward-alarm-1"].trip.occurrences == (1, 2, 3, 4, 5)


def test_longest_record_ends_after_a_day(tmp_path: Path) -> None:
    """A lockout that nobody releases does not keep a record open for ever; a worker that was away for days makes the
    same record."""
    past = TripPast()
    past.snapshot()
    past.go(600, 60.0)
    past.alarm("PC1", "shutdown", 1)
    past.lockout("PC1", "opened")
    past.go(30 * 3_600, 60.0)
    past.keep(tmp_path)
    seal(tmp_path)
    turn(tmp_path)
    (record,) = records(tmp_path).values()
    assert (record.after_ms, record.because) == (86_400_000, "that is as long as a record may be")
    with trip_file(tmp_path, "PC1") as file:
        last_ns = max(int(part.mono_ns[-1]) for part in file.readings())
        assert 0 <= record.trip.at.mono_ns + 86_400 * S - last_ns < 200 * S


def made(folder: Path, stages: list[str]) -> list[Record]:
    """Records of short trips, one after the other."""
    past = TripPast()
    past.snapshot()
    past.go(60, 10.0)
    for number, stage in enumerate(stages, 1):
        past.alarm("PC1", stage, number)
        past.go(30, 10.0)
        past.alarm("PC1", stage, number, "cleared", "normal")
        past.go(700, 10.0)
    past.keep(folder)
    turn(folder)
    return list(records(folder).values())


def test_quota_takes_the_oldest_alarms_and_no_shutdown(tmp_path: Path) -> None:
    """What goes is written down, and is not made anew when the journal is read from its beginning."""
    assert len(made(tmp_path, ["shutdown", "alarm", "alarm", "shutdown", "alarm"])) == 5
    folder = tmp_path / "trips"
    sizes = {p.name.split("-")[2] + p.name.split("-")[3]: p.stat().st_size for p in folder.glob("*.zip")}
    with keeping(tmp_path) as trips:
        trips._quota_bytes = sum(sizes.values()) - sizes["alarm2"] - 1
        trips.turn()
        assert trips.given_up == 2
    assert set(records(tmp_path)) == {f"PC1-forward-{n}" for n in ("shutdown-1", "shutdown-4", "alarm-5")}
    assert [one.occurrences for one in given_up(folder)] == [(2,), (3,)]
    (folder / "cursor.json").unlink()
    turn(tmp_path)
    assert len(records(tmp_path)) == 3
    with keeping(tmp_path, 0) as trips:
        trips.turn()
        assert trips.count == 0
    assert [one.name.split("-")[2] for one in given_up(folder)] == ["alarm", "alarm", "alarm", "shutdown", "shutdown"]


def test_records_that_go_are_named_to_the_watch(tmp_path: Path) -> None:
    """Once when they go, and once by each later worker: the watch may have heard nothing of the last one."""
    assert len(made(tmp_path, ["shutdown", "alarm"])) == 2
    keeper = TripKeeping(tmp_path, 0, lambda: None)
    assert keeper.facts()["trips_gone"] == []
    keeper.turn()
    gone = keeper.facts()["trips_gone"]
    assert [one[:2] for one in gone] == [(one.name, one.alarm) for one in given_up(tmp_path / "trips")]
    assert [one[1] for one in gone] == ["PC1/forward/alarm_contact", "PC1/forward/shutdown_contact"]
    keeper.turn()
    assert keeper.facts()["trips_gone"] == []
    keeper.close()
    again = TripKeeping(tmp_path, 0, lambda: None)
    again.turn()
    assert again.facts()["trips_gone"] == gone
    again.close()


def test_what_is_no_record_is_left_alone_and_told(tmp_path: Path) -> None:
    """A stranger's zip and a damaged record stay where they are; the others are kept as ever."""
    made(tmp_path, ["alarm"])
    folder = tmp_path / "trips"
    (whole,) = folder.glob("*.zip")
    (folder / "letters.zip").write_bytes(b"no zip at all")
    (folder / "damaged.zip").write_bytes(whole.read_bytes()[:-200])
    (folder / "PC9-forward-alarm-1-e").mkdir()
    with keeping(tmp_path) as trips:
        trips.turn()
        assert [fault.partition(": ")[0].rpartition("/")[2] for fault in trips.refused] == [
            "damaged.zip",
            "letters.zip",
        ]
        assert trips.count == 1
    assert (folder / "letters.zip").exists()


def test_damaged_part_of_an_open_record_is_left_out_and_told(tmp_path: Path) -> None:
    """One part that the disk spoilt, one that is gone: the rest becomes the record."""
    past = TripPast()
    past.snapshot()
    past.go(1_200, 10.0)
    past.alarm("PC1", "shutdown", 1)
    for seconds in (300, 300, 700):
        past.go(seconds, 10.0)
        past.keep(tmp_path)
        turn(tmp_path)
    (folder,) = (p for p in (tmp_path / "trips").iterdir() if p.is_dir())
    parts = sorted(p for p in folder.glob("*-readings-*.gz"))
    with trip_file(tmp_path, "PC1") as file:
        whole = kept_seqs(file)
    parts[0].write_bytes(parts[0].read_bytes()[:-30])
    parts[1].unlink()
    past.alarm("PC1", "shutdown", 1, "reset", "normal")
    past.go(60, 10.0)
    past.keep(tmp_path)
    turn(tmp_path)
    with trip_file(tmp_path, "PC1") as file:
        assert file.record.remarks == tuple(f"{p.name} was damaged on disk and is left out" for p in parts[:2])
        assert set(kept_seqs(file)) & set(whole)
        assert file.faults() == []


def test_trouble_with_records_is_told_and_passes(tmp_path: Path) -> None:
    """Something in the place of their folder: one sentence; when it is gone the records are made after all."""
    past = past_with_a_trip()
    past.keep(tmp_path)
    (tmp_path / "trips").write_text("a file")
    keeper = TripKeeping(tmp_path, 100, lambda: None)
    keeper.turn()
    assert keeper.error.startswith("trip records cannot be kept: ")
    assert "\n" not in keeper.error
    (tmp_path / "trips").unlink()
    keeper.turn()
    assert (keeper.error, keeper.facts()["trips"]) == ("", 1)
    keeper.close()
