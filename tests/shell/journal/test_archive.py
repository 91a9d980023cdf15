"""Closed segments in files: written once, read back, and only then may rows leave the store; read as one journal."""

from __future__ import annotations

import gzip
import json
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import apsw
import pytest

from nightrake.domain.rows import Row
from nightrake.errors import StoreError
from nightrake.journal import archivewrite, archivist, search
from nightrake.journal.archive import FOLDER, Where, rows_in
from nightrake.journal.audit import Audit
from nightrake.journal.chain import given_up_entry, verify
from nightrake.journal.reader import Reader
from nightrake.journal.salvage import Salvage
from nightrake.journal.schema import MIGRATIONS, migrate, schema_number
from nightrake.journal.search import Search, Wanted
from nightrake.journal.store import Store
from shell.journal.makers import UTC_MS, Chain, opened, until
from shell.journal.segments import ROWS, Shelf, small_segments


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shelf]:
    """A store with small segments."""
    small_segments(monkeypatch)
    made = Shelf(tmp_path)
    yield made
    made.close()


# --- writing ----------------------------------------------------------------------------------------------------------


def test_closed_segment_becomes_a_file_that_any_program_reads(shelf: Shelf) -> None:
    """gzip and JSON, by the standard library alone: which rows, the chain's ends, then the rows."""
    shelf.add_some(2 * ROWS + 5)
    shelf.write()

    assert [f.name.rpartition("-")[0] for f in shelf.files] == [
        "000000000001-000000000020",
        "000000000021-000000000040",
    ]
    first, *lines = gzip.decompress(shelf.files[1].read_bytes()).decode().splitlines()
    head = json.loads(first)
    assert (head["first_seq"], head["last_seq"], head["rows"], head["epoch"]) == (21, 40, ROWS, "e1")
    assert (head["prev_hash"], head["hash"]) == (shelf.rows[19].hash.hex(), shelf.rows[39].hash.hex())
    row = dict(zip(head["columns"], json.loads(lines[3]), strict=True))
    assert (row["seq"], row["event"], json.loads(row["payload"])) == (24, "alarm_operated", {"number": 24})
    assert row["hash"] == shelf.rows[23].hash.hex()
    assert shelf.left == list(range(1, 46))


def test_segment_is_closed_by_size_and_by_a_new_life_too(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    """Large rows make short segments, one row at least; one life of the store ends one."""
    monkeypatch.setattr(archivewrite, "BYTES", 1000)
    shelf.add([shelf.chain.row(words="x" * 400) for _ in range(5)])
    shelf.add([shelf.chain.row(words="x" * 4000)])
    shelf.chain.epoch = "e2"
    shelf.add(shelf.chain.rows(3))
    shelf.write()

    spans = [(k.segment.first_seq, k.segment.last_seq, k.segment.epoch) for k in shelf.archives()]
    assert spans == [(1, 2, "e1"), (3, 4, "e1"), (5, 5, "e1"), (6, 6, "e1")]


def test_segment_with_a_row_that_was_changed_stays_in_the_store(shelf: Shelf) -> None:
    """It is evidence; the segments after it are written and dropped all the same, and the chain shows the change."""
    shelf.add_some(3 * ROWS + 30)
    shelf.db.execute("update journal set payload = x'7b7d' where seq = 7")
    shelf.write()
    shelf.drop()

    assert [k.segment.first_seq for k in shelf.archives()] == [21, 41, 61]
    assert shelf.left == [*range(1, 21), *range(61, 91)]
    rows = shelf.searched()
    assert [r.seq for r in rows] == list(range(1, 91))
    assert verify(rows) == ["journal row 7 does not fit its own hash: it was changed"]


@pytest.mark.parametrize("value", ["cast(x'ff' as text)", "'x'", "null"])
def test_segment_with_a_damaged_column_stops_nothing(shelf: Shelf, value: str) -> None:
    """Text that is none, a text in the place of a number, nothing at all."""
    shelf.add_some(2 * ROWS + 1)
    shelf.db.execute("pragma ignore_check_constraints = 1")
    column = "kind" if "cast" in value else "utc_ms"
    if value != "null":
        shelf.db.execute(f"update journal set {column} = {value} where seq = 3")
    else:
        shelf.db.execute("update journal set payload = '' where seq = 3")
    shelf.write()

    assert [k.segment.first_seq for k in shelf.archives()] == [21]


def test_disk_that_is_full_costs_nothing_but_the_file(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    """No half file, no record, no row gone, and the reason can be asked for; later it is written."""
    shelf.add_some(ROWS + 1)
    (shelf.folder / FOLDER).mkdir()
    shelf.archive._tidy = True
    (shelf.folder / FOLDER / "segment.part").symlink_to("/dev/full")
    shelf.archive.go_on(shelf.db, time.monotonic() + 1.0)

    assert "no archive can be written (No space left on device)" in shelf.archive.detail
    assert list((shelf.folder / FOLDER).iterdir()) == []
    assert (shelf.archives(), len(shelf.left)) == ([], ROWS + 1)

    shelf.archive._next_look_s = 0.0
    monkeypatch.setattr(archivist, "LOOK_S", 60.0)
    shelf.archive.go_on(shelf.db, time.monotonic() + 5.0)
    assert (len(shelf.archives()), shelf.archive.detail) == (1, "")


def test_work_is_done_in_crumbs(shelf: Shelf) -> None:
    """A moment that has come already lets nothing be done; otherwise no more than a slice beyond it."""
    shelf.add_some(ROWS + 1)
    shelf.archive.go_on(shelf.db, time.monotonic() - 1.0)
    steps = sum(1 for _ in shelf.archive._run(shelf.db))

    assert steps > 2 * (ROWS // 7)


# --- dropping ---------------------------------------------------------------------------------------------------------


def test_rows_leave_the_store_oldest_first_and_the_newest_stay(shelf: Shelf) -> None:
    """As many of the newest as a segment has, whatever is in files."""
    shelf.add_some(5 * ROWS)
    shelf.write()
    dropped = shelf.drop()

    assert len(shelf.files) == 4  # the fifth may grow no more, but nobody has begun the sixth
    assert dropped == 4 * ROWS
    assert shelf.left == list(range(4 * ROWS + 1, 5 * ROWS + 1))
    assert [k.where for k in shelf.archives()] == [Where.FILE] * 4


def test_rows_that_a_cursor_has_not_passed_stay_until_nothing_else_helps(shelf: Shelf) -> None:
    """A cursor over scans has the row's number behind it; whoever is behind gets the rows from the file."""
    shelf.add_some(5 * ROWS)
    shelf.write()
    shelf.cursor("mqtt", 90)
    shelf.cursor("forward", 1_000_000, f"{2 * ROWS} used")
    assert shelf.drop() == 2 * ROWS
    shelf.cursor("forward", 1_000_000, "damaged")
    assert shelf.drop() == 0
    shelf.db.execute("delete from cursor where name = 'forward'")
    shelf.cursor("people", 3 * ROWS - 1)
    assert shelf.drop() == 0

    assert shelf.drop(at_any_rate=True) == 2 * ROWS
    assert shelf.read() == shelf.rows


@pytest.mark.parametrize("how", ["cut", "changed", "missing"])
def test_file_that_is_not_as_written_is_written_anew_before_a_row_goes(shelf: Shelf, how: str) -> None:
    """The rows are still in the store, so nothing is lost."""
    shelf.add_some(3 * ROWS)
    shelf.write()
    file = shelf.files[0]
    whole = file.read_bytes()
    spoil(file, how)

    assert shelf.drop() == 0
    assert len(shelf.left) == 3 * ROWS
    shelf.write()
    assert file.read_bytes() == whole
    assert shelf.drop() == 2 * ROWS
    assert shelf.searched() == shelf.rows


def spoil(file: Path, how: str) -> None:
    """Cut a file, change one byte in it, or take it away."""
    content = bytearray(file.read_bytes())
    if how == "missing":
        file.unlink()
    elif how == "cut":
        file.write_bytes(content[:-20])
    else:
        content[len(content) // 2] ^= 1
        file.write_bytes(content)


# --- reading ----------------------------------------------------------------------------------------------------------


def test_store_and_files_are_one_journal(shelf: Shelf) -> None:
    """Forward, backward, from any number on, and by every filter, as if nothing had been moved."""
    shelf.add_some(4 * ROWS)
    shelf.add([shelf.chain.row(kind="call", event="called", utc_ms=UTC_MS) for _ in range(ROWS + 3)])
    before = {w: found(shelf, w) for w in WANTED}
    shelf.write()
    assert shelf.drop() > 3 * ROWS

    assert shelf.searched() == shelf.rows
    assert shelf.searched(newest_first=True) == shelf.rows[::-1]
    assert shelf.read() == shelf.rows
    assert {w: found(shelf, w) for w in WANTED} == before
    reader = Reader(shelf.path)
    for after in (0, 5, ROWS - 1, ROWS, 3 * ROWS + 1, 5 * ROWS):
        for limit, until_seq in ((4, len(shelf.rows)), (1000, 1000), (1000, 2 * ROWS + 5), (0, 1000)):
            assert reader.rows_after(after, limit, until=until_seq) == shelf.rows[after:until_seq][:limit]
    reader.close()


WANTED = (
    Wanted(),
    Wanted(drive="PC1"),
    Wanted(drive="PC9"),
    Wanted(kinds=("call",)),
    Wanted(kinds=("call",), drive_events=("alarm_operated",)),
    Wanted(drive_events=("shutdown_operated",)),
    Wanted(since_utc_ms=UTC_MS + 25_000),
    Wanted(until_utc_ms=UTC_MS + 25_000),
    Wanted(drive="PC1", since_utc_ms=UTC_MS + 15_000, until_utc_ms=UTC_MS + 30_500),
)


def found(shelf: Shelf, wanted: Wanted) -> tuple[list[Row], list[Row]]:
    """Rows that fit, in both orders."""
    search = Search(shelf.path)
    try:
        return list(search.rows(wanted)), list(search.rows(wanted, newest_first=True))
    finally:
        search.close()


@pytest.mark.parametrize("newest_first", [False, True])
@pytest.mark.parametrize("taken", [1, 10, ROWS + 3, 3 * ROWS])
def test_rows_that_move_into_a_file_while_they_are_read_come_once(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch, taken: int, newest_first: bool
) -> None:
    """The watch makes room while somebody reads beside it."""
    monkeypatch.setattr(search, "SLICE", 4)
    shelf.add_some(5 * ROWS)
    shelf.write()
    looking = Search(shelf.path)
    rows = looking.raw(newest_first=newest_first)
    got = [next(rows) for _ in range(taken)]
    assert shelf.archive.drop(shelf.db) == 6  # not even a whole segment
    got += [next(rows) for _ in range(2)]
    shelf.drop()
    got += list(rows)
    looking.close()

    assert got == (shelf.rows[::-1] if newest_first else shelf.rows)


def test_archives_that_cannot_fit_are_not_opened(shelf: Shelf) -> None:
    """Last night is read without the years before it: a missing old file does not matter for it."""
    shelf.add_some(4 * ROWS)
    shelf.write()
    shelf.drop()
    shelf.files[0].unlink()
    rows, backward = found(shelf, Wanted(since_utc_ms=UTC_MS + 1000 * (ROWS + 1)))

    assert rows == backward[::-1] == shelf.rows[ROWS:]
    with pytest.raises(StoreError, match=r"000000000001-.*: is missing: journal rows 1 to 20 are nowhere else"):
        found(shelf, Wanted())


@pytest.mark.asyncio
async def test_telling_goes_on_over_a_file_that_is_gone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever is behind misses those rows; it is counted as damage, told once, and what follows comes."""
    small_segments(monkeypatch)
    shelf = Shelf(tmp_path)
    shelf.add_some(4 * ROWS)
    shelf.write()
    shelf.drop()
    shelf.files[1].unlink()
    shelf.close()
    async with opened(tmp_path) as (store, _):
        rows = await store.rows_after(0, 1000)
        more = await store.rows_after(ROWS, 1000)

        assert [r.seq for r in rows] == list(range(1, ROWS + 1))
        assert more[0].seq == 2 * ROWS + 1
        assert [e.data["what"] for e in store.damage.news()] == ["an archived part of the journal"]


# --- the oldest go last of all ----------------------------------------------------------------------------------------


def test_oldest_files_are_given_up_beyond_their_share_and_the_record_stays(shelf: Shelf) -> None:
    """Never one whose rows are in the store, too; its numbers and hashes stay, and so the chain holds."""
    shelf.add_some(6 * ROWS)
    shelf.write()
    shelf.archive._most_bytes = 1
    shelf.write()
    assert len(shelf.files) == 5
    shelf.archive._most_bytes = 0
    shelf.drop()
    shelf.archive._most_bytes = sum(file.stat().st_size for file in shelf.files[2:])
    shelf.write()

    assert shelf.archive.given_up == [(1, ROWS), (ROWS + 1, 2 * ROWS)]
    assert [k.where for k in shelf.archives()] == [Where.NOWHERE] * 2 + [Where.FILE] * 3
    assert len(shelf.files) == 3
    assert shelf.searched() == shelf.read() == shelf.rows[2 * ROWS :]
    audit = Audit({})
    for kept in shelf.archives()[:2]:
        audit.pass_over(kept.segment)
    for row in shelf.searched():
        audit.take(row)
    done = audit.done()
    assert done.wrong == ()
    assert [(n.first, n.last) for n in done.missing] == [(1, ROWS), (ROWS + 1, 2 * ROWS)]


def test_salvage_does_not_count_what_is_in_a_file_as_lost(shelf: Shelf) -> None:
    """The records come along; what the chain lacks in the store stands in the files."""
    shelf.add_some(5 * ROWS)
    shelf.write()
    shelf.drop()
    shelf.db.execute("insert into meta values('token', 'x')")
    saved = Salvage(shelf.path, 64, "", 5 * ROWS, 0).save(shelf.db, {})
    shelf.db = saved.db

    assert saved.lost == []
    assert shelf.searched() == shelf.rows


def test_salvage_takes_from_the_files_what_the_store_has_lost(shelf: Shelf) -> None:
    """Rows of a damaged store that are in a sound file are not gone; with a file that is not, they are."""
    shelf.add_some(5 * ROWS)
    shelf.write()
    spoil(shelf.files[2], "cut")
    shelf.db.execute("delete from journal where seq between 4 and 11")
    shelf.db.execute("delete from journal where seq between 42 and 43")
    shelf.db.execute("insert into meta values('token', 'x')")
    saved = Salvage(shelf.path, 64, "", 5 * ROWS, 0).save(shelf.db, {})
    shelf.db = saved.db

    assert saved.lost == [(42, 43)]
    assert shelf.searched() == [r for r in shelf.rows if r.seq not in (42, 43)]


@pytest.mark.asyncio
@pytest.mark.timeout(60)
async def test_journal_outgrows_its_quota_many_times(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The store as the watch runs it: every row stays to be had, the file within its quota, and states are kept."""
    small_segments(monkeypatch, 100)
    monkeypatch.setattr("nightrake.journal.writer.HOUSE_PERIOD_S", 0.02)
    rows: list[Row] = []
    async with opened(tmp_path, quota_mb=2) as (store, heard):
        chain = Chain.of(store)
        for _ in range(30):
            some = [chain.row(words=f"{chain.seq} " + "x" * 1500) for _ in range(100)]
            rows += some
            store.append(some, {"latch": str(chain.seq).encode()}, [])
            store.set_cursor("mqtt", store.epoch, some[-1].seq)
            assert await store.wait_durable(some[-1].seq, 10.0)
            written = len(rows) // 100 - 1
            await until(lambda n=written: store.stats().archived >= n)  # type: ignore[misc]

        assert (tmp_path / "store.db").stat().st_size <= 2 * 1024 * 1024
        assert [h for h in heard.health if not h[0]] == []
    looking = Search(tmp_path / "store.db")
    assert list(looking.raw()) == rows
    assert looking.archive_faults() == looking.strangers() == []
    assert sum(k.where is Where.FILE for k in looking.archives()) > 10
    looking.close()


@pytest.mark.asyncio
async def test_last_shutdown_is_found_in_a_file_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A start that has to make a latch good again from the journal finds its row wherever it is."""
    small_segments(monkeypatch)
    shelf = Shelf(tmp_path)
    shelf.add_some(5)
    shelf.add([shelf.chain.row(event="shutdown_operated")])
    shelf.add_some(3 * ROWS)
    shelf.write()
    shelf.drop()
    shelf.close()
    store = Store.open(tmp_path, now_utc_ms=UTC_MS, ballast_mb=0)
    row = store.last_row_of("PC1", "forward", ("shutdown_operated",))
    none = store.last_row_of("PC1", "reverse", ("shutdown_operated",))
    await store.close()

    assert row is not None
    assert (row.seq, none) == (6, None)


@pytest.mark.asyncio
async def test_watch_is_told_what_was_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """First and last number, on the loop, for a row of the journal."""
    small_segments(monkeypatch)
    monkeypatch.setattr("nightrake.journal.writer.HOUSE_PERIOD_S", 0.01)
    shelf = Shelf(tmp_path)
    shelf.add_some(4 * ROWS)
    shelf.write()
    shelf.drop()
    shelf.close()
    told: list[tuple[int, int]] = []
    store = Store.open(tmp_path, now_utc_ms=UTC_MS, ballast_mb=0)
    store._writer.archive._most_bytes = 1
    nothing = lambda *given: None  # noqa: E731
    store.start(nothing, nothing, on_given_up=lambda *seqs: told.append(seqs))
    await until(lambda: len(told) == 3)
    await store.close()

    assert told == [(1, ROWS), (ROWS + 1, 2 * ROWS), (2 * ROWS + 1, 3 * ROWS)]
    assert given_up_entry(*told[0]).data == {"first_seq": 1, "last_seq": ROWS}


def test_copy_of_the_store_reads_its_archive_under_its_new_place(shelf: Shelf, tmp_path: Path) -> None:
    """Store and files are copied together; nothing in them names a place."""
    shelf.add_some(3 * ROWS)
    shelf.write()
    shelf.drop()
    shelf.db.execute("pragma wal_checkpoint(truncate)")
    copy = tmp_path / "copy"
    copy.mkdir()
    shutil.copy(shelf.path, copy / "store.db")
    shutil.copytree(shelf.folder / FOLDER, copy / FOLDER)
    search = Search(copy / "store.db")

    assert list(search.raw()) == shelf.rows
    search.close()


def test_record_survives_only_with_its_file_read_back(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that gives back something else than was written gets no record, and no row leaves the store."""
    shelf.add_some(3 * ROWS)
    other = "nightrake.journal.archivewrite.rows_in"
    monkeypatch.setattr(other, lambda *a: (row._replace(mono_ns=1) for row in rows_in(*a)))
    shelf.write()

    assert (shelf.archives(), shelf.drop(), len(shelf.left)) == ([], 0, 3 * ROWS)


def test_store_of_an_earlier_version_gets_its_table_of_archives(tmp_path: Path) -> None:
    """At its opening, in a migration of its own."""
    db = apsw.Connection(str(tmp_path / "a.db"))
    migrate(db, "a", UTC_MS, MIGRATIONS[:1])

    assert migrate(db, "a", UTC_MS) == 1
    assert schema_number(db) == 2
    assert list(db.execute("select count(*) from archive")) == [(0,)]
    db.close()
