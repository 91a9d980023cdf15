"""From the hot tail into sealed history and out again: everything comes back, each record once, in order."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import apsw
import pytest

from nightrake.errors import StoreError
from nightrake.longterm.reading import History, Samples
from nightrake.longterm.sealing import Sealing
from nightrake.longterm.tail import Tail
from nightrake.longterm.writing import Writing
from shell.longterm.histories import MONO_NS, NOON_MS, Past, forget_tail, seal

LAST = 2**40


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Past, Path]:
    """Two hours and a half with failures and a clock that is set back by half an hour; in a store."""
    past, folder = Past(), tmp_path_factory.mktemp("past")
    past.snapshot()
    past.go(3_000, 6.0)
    past.step_clock(-1_800_000)
    past.go(6_100, 6.0)
    past.store(folder)
    return past, folder


@pytest.fixture
def past(made: tuple[Past, Path], tmp_path: Path) -> Past:
    """The same, its store in the test's own folder."""
    shutil.copy(made[1] / "store.db", tmp_path)
    return made[0]


def columns(parts: list[Samples]) -> list[tuple[int, object, int]]:
    """UTC, value and quality of all samples; None for a value that is not there."""
    return [
        (int(utc), None if quality else float(value), int(quality))
        for part in parts
        for utc, value, quality in zip(part.utc_ms, part.value, part.quality, strict=True)
    ]


@pytest.mark.parametrize("sealed", ["nothing", "some", "everything"])
def test_records_come_back_bit_for_bit(past: Past, tmp_path: Path, sealed: str) -> None:
    """Whether they are in the tail, in blocks, or in both."""
    if sealed != "nothing":
        assert seal(tmp_path, everything=sealed == "everything") >= 1
    with History(tmp_path) as history:
        up_to = history.sealed_seq()
        assert {"nothing": up_to == 0, "some": 0 < up_to < past.seq - 1, "everything": up_to == past.seq - 1}[sealed]
    if up_to:
        forget_tail(tmp_path, up_to)
    with History(tmp_path) as history:
        assert list(history.records(0, LAST)) == past.records
        assert list(history.records(100, 2_100)) == past.records[99:2_100]
        assert history.seq_span() == (1, past.seq - 1)


@pytest.mark.parametrize("sealed", [False, True])
def test_samples_are_what_the_watch_decodes(past: Past, tmp_path: Path, sealed: bool) -> None:
    """Every role of two drives, over the whole time and within bounds, across the end of what is sealed."""
    if sealed:
        seal(tmp_path, everything=False)
        with History(tmp_path) as history:
            forget_tail(tmp_path, history.sealed_seq() - 500)  # part of it is in both
    with History(tmp_path) as history:
        for drive in ("PC1", "SC2"):
            for role in history.roles(drive):
                for low, high in ((0, 2**60), (NOON_MS + 600_123, NOON_MS + 1_700_456)):
                    found = columns(list(history.samples(drive, role, low, high, rows=777)))
                    assert found == past.expected(drive, role, low, high), (drive, role)
        assert history.damaged == []


def test_hours_make_blocks(past: Past, tmp_path: Path) -> None:
    """A cut ends with its hour; a clock that is set begins another block; the rest waits in the tail."""
    cuts = seal(tmp_path, everything=False)
    with History(tmp_path) as history:
        file = history._file()
        assert file is not None
        rows = file.ask("select low_utc_ms, high_utc_ms, records from block order by first_place")
    assert cuts == 2
    assert all(low // 3_600_000 == high // 3_600_000 for low, high, _ in rows)
    assert max(count for _, _, count in rows) > 350


def test_settings_follow_a_reload(tmp_path: Path) -> None:
    """Each record is read by the settings of its time, sealed or not; they come back with their calibration curves."""
    past = Past()
    past.snapshot()
    past.go(300)
    past.store(tmp_path)
    begin, before = past.seq, past.settings
    past.reload("Fennmark two")
    past.go(300)
    past.store(tmp_path, begin - 1)
    for _ in range(2):
        with History(tmp_path) as history:
            first, second = history.settings_at(begin - 1), history.settings_at(begin)
            assert first is not None
            assert second is not None
            assert (first.site, first.response) == (before.site, before.response)
            assert second.site.name == "Fennmark two"
            parts = list(history.samples("PC1", "position", 0, 2**60))
            assert {part.digest for part in parts} == {before.digest, past.settings.digest}
            assert history.drives() == list(before.site.drives)
        seal(tmp_path)


def test_sealing_twice_changes_nothing(past: Past, tmp_path: Path) -> None:
    """What is sealed is sealed once."""
    seal(tmp_path)
    content = (tmp_path / "history.db").read_bytes()
    assert seal(tmp_path) == 0
    assert (tmp_path / "history.db").read_bytes()[4096:] == content[4096:]


def test_two_workers_seal_nothing_twice(past: Past, tmp_path: Path) -> None:
    """One of a watch that was killed, which commits a last time, and the next one: the later looks anew."""
    tail = Tail(tmp_path)
    writers = [Writing(tmp_path, NOON_MS) for _ in range(2)]
    try:
        for writing in writers:
            writing.begin("e", 1, NOON_MS)
        first, second = (Sealing(tail, writing) for writing in writers)
        assert first.seal(NOON_MS) > 0
        with pytest.raises(StoreError, match="another process has sealed meanwhile"):
            second.seal(NOON_MS)
        writers[1].begin("e", 1, NOON_MS)
        while second.seal(NOON_MS):
            pass
    finally:
        tail.close()
        for writing in writers:
            writing.close()
    with History(tmp_path) as history:
        assert list(history.records(0, LAST)) == past.records


def test_numbers_that_recur_are_another_life(past: Past, tmp_path: Path) -> None:
    """After the store was lost numbers begin anew: what was sealed stays, and is not mixed up with what comes."""
    seal(tmp_path)
    for name in ("store.db", "store.db-wal", "store.db-shm", "token"):
        (tmp_path / name).unlink(missing_ok=True)
    after = Past(seed=2, utc_ms=NOON_MS + 86_400_000)
    after.go(600)
    after.store(tmp_path)
    seal(tmp_path)
    with History(tmp_path) as history:
        assert list(history.records(0, LAST)) == after.records
        found = columns(list(history.samples("PC1", "position", 0, 2**60)))
    wanted = past.expected("PC1", "position", 0, 2**60) + after.expected("PC1", "position", 0, 2**60)
    assert found == wanted


def test_reader_follows_a_worker_that_seals_meanwhile(past: Past, tmp_path: Path) -> None:
    """Sealing and retention between two slices lose and double nothing."""
    whole = columns(_read(tmp_path, []))
    assert whole == past.expected("PC1", "position", 0, 2**60)
    steps: list[Callable[[], object]] = [
        lambda: seal(tmp_path, everything=False),
        lambda: seal(tmp_path),
        lambda: forget_tail(tmp_path, past.seq),
    ]
    assert columns(_read(tmp_path, steps)) == whole


def _read(folder: Path, steps: list[Callable[[], object]]) -> list[Samples]:
    with History(folder) as history:
        parts = []
        for number, part in enumerate(history.samples("PC1", "position", 0, 2**60, rows=300)):
            parts.append(part)
            if number % 4 == 3 and steps:
                steps.pop(0)()
        return parts


def test_snapshots_and_stamps(past: Past, tmp_path: Path) -> None:
    """What a replay begins with, and where a time lies."""
    with History(tmp_path) as history:
        before = history.snapshot_before(50)
        seal(tmp_path)
        forget_tail(tmp_path, past.seq)
        assert history.snapshot_before(50) == before
        assert history.snapshots() == [(0, NOON_MS)]
        assert history.span() == (min(r.utc_ms for r in past.records), max(r.utc_ms for r in past.records))
        middle = past.records[len(past.records) // 2]
        mine = [r.seq for r in past.records if middle.utc_ms <= r.utc_ms < middle.utc_ms + 60_000]
        assert history.stretch(middle.utc_ms, middle.utc_ms + 60_000) == (min(mine), max(mine))
        assert history.boots() == [(1, "boot")]
        assert history.segments() == [("boot", MONO_NS, NOON_MS, True)]


def test_damage_is_named_and_passed_over(past: Past, tmp_path: Path) -> None:
    """A sealed hour that was changed on disk: samples go on without it and say so, a replay is refused."""
    seal(tmp_path)
    db = apsw.Connection(str(tmp_path / "history.db"))
    db.execute("update column_data set data = zeroblob(200) where id % 16777216 = 1")
    db.close()
    with History(tmp_path) as history:
        assert columns(list(history.samples("PC1", "position", 0, 2**60))) == []
        assert history.damaged
        with pytest.raises(StoreError, match=r"history\.db: a sealed hour cannot be read"):
            list(history.records(0, LAST))


def test_damaged_tail_records_are_left_out_and_named(past: Past, tmp_path: Path) -> None:
    """Columns of wrong types do not stop sealing; which inputs are missing stands in the file."""
    db = apsw.Connection(str(tmp_path / "store.db"))
    db.execute("update tail set payload = 'text' where seq between 40 and 90")
    db.execute("update tail set endpoint = x'ff00' where seq = 200")
    db.close()
    assert seal(tmp_path) > 0
    gone = {*range(40, 91), 200}
    with History(tmp_path) as history:
        assert list(history.records(0, LAST)) == [r for r in past.records if r.seq not in gone]
        file = history._file()
        assert file is not None
        missing = file.ask("select first_place, last_place, why from missing order by first_place")
    assert missing == [(seq, seq, "damaged in the store") for seq in sorted(gone)]


def test_damaged_text_in_the_tail_is_kept_with_a_mark(past: Past, tmp_path: Path) -> None:
    """Everything else of that record, and all others, come back."""
    db = apsw.Connection(str(tmp_path / "store.db"))
    db.execute("update tail set layout = cast(x'fffe' as text) where seq = 300")
    db.close()
    assert seal(tmp_path) > 0
    with History(tmp_path) as history:
        found = list(history.records(0, LAST))
    assert found == [r._replace(layout="\ufffd\ufffd") if r.seq == 300 else r for r in past.records]


def test_no_store_at_all(tmp_path: Path) -> None:
    """One sentence."""
    with pytest.raises(StoreError, match="no readable store"):
        History(tmp_path)


def test_values_are_floats_with_quality(past: Past, tmp_path: Path) -> None:
    """Types as promised to whoever computes with them."""
    with History(tmp_path) as history:
        part = next(history.samples("PC1", "position", 0, 2**60))
    assert [column.dtype.name for column in part[:3]] == ["int64", "float64", "uint8"]
