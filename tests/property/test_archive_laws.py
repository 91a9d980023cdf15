"""The chain over segments: however a journal is cut into files and store, it reads as one, and any change is seen."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightrake.domain.rows import Row, chain_hash
from nightrake.errors import StoreError
from nightrake.journal.archive import fault_of
from nightrake.journal.audit import Audit, Audited
from nightrake.journal.search import Search, Wanted
from property.test_journal_chain import FIELDS, rows_of
from shell.journal.segments import Shelf, small_segments

SEQS = st.lists(st.integers(1, 2**62), min_size=1, max_size=30, unique=True).map(sorted)


def kept(shelf: Shelf, data: st.DataObject, *, lives: bool = False) -> list[Row]:
    """Rows of any content under any numbers, in one life of the store or two, some in files only."""
    seqs = data.draw(SEQS)
    rows = rows_of(data.draw(st.lists(FIELDS, min_size=len(seqs), max_size=len(seqs))), seqs, "e")
    if lives and len(rows) > 1:
        at = data.draw(st.integers(1, len(rows) - 1))
        for index in range(at, len(rows)):
            row = rows[index]._replace(epoch="f", prev_hash=rows[index - 1].hash)
            rows[index] = row._replace(hash=chain_hash(row.prev_hash, row))
    shelf.add(rows)
    shelf.write()
    for _ in range(data.draw(st.integers(0, 12))):
        shelf.archive.drop(shelf.db)
    return rows


def audited(shelf: Shelf) -> Audited:
    """What `journal verify` makes of it."""
    search, audit = Search(shelf.path), Audit({})
    try:
        for row in search.raw():
            audit.take(row)
    finally:
        search.close()
    return audit.done()


@settings(max_examples=60)
@given(st.data())
def test_store_and_files_read_as_one_journal(data: st.DataObject) -> None:
    """Forward, backward, in slices, filtered; as it was written, bit for bit."""
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        small_segments(patch, data.draw(st.integers(1, 7)))
        patch.setattr("nightrake.journal.search.SLICE", data.draw(st.integers(1, 5)))
        shelf = Shelf(Path(folder))
        try:
            rows = kept(shelf, data, lives=True)
            drive = data.draw(st.sampled_from([r.drive for r in rows]))
            search = Search(shelf.path)
            filtered = list(search.raw(Wanted(drive=drive), newest_first=True))
            search.close()

            assert shelf.searched() == shelf.read() == rows
            assert shelf.searched(newest_first=True) == rows[::-1]
            assert filtered == [r for r in rows if not drive or r.drive == drive][::-1]
            assert not [w for w in audited(shelf).wrong if "skipped" not in w.text]
        finally:
            shelf.close()


@settings(max_examples=60)
@given(st.data())
def test_any_change_to_any_file_is_found(data: st.DataObject) -> None:
    """One bit, a cut end, another file in its place: by the record at once, and no row of it is read."""
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        small_segments(patch, 2)
        shelf = Shelf(Path(folder))
        try:
            shelf.add_some(12)
            shelf.write()
            shelf.drop()
            at = data.draw(st.integers(0, len(shelf.files) - 1))
            file = shelf.files[at]
            content = bytearray(file.read_bytes())
            how = data.draw(st.sampled_from(["bit", "cut", "other", "more"]))
            if how == "bit":
                content[data.draw(st.integers(0, len(content) - 1))] ^= 1 << data.draw(st.integers(0, 7))
            elif how == "cut":
                del content[data.draw(st.integers(0, len(content) - 1)) :]
            elif how == "more":
                content += data.draw(st.binary(min_size=1, max_size=5))
            else:
                content = bytearray(shelf.files[at - 1].read_bytes())
            file.write_bytes(content)

            faults = [fault_of(shelf.archive.folder, kept) for kept in shelf.archives()]
            assert [bool(fault) for fault in faults] == [number == at for number in range(len(faults))]
            with pytest.raises(StoreError):
                shelf.searched()
        finally:
            shelf.close()


@settings(max_examples=40)
@given(st.data())
def test_row_that_is_taken_out_of_a_file_breaks_the_chain_though_its_record_fits(data: st.DataObject) -> None:
    """A forger who writes file and record anew, but not every later hash, is found by the chain."""
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        small_segments(patch, 3)
        shelf = Shelf(Path(folder))
        try:
            shelf.add_some(13)
            out = data.draw(st.integers(2, 9))
            shelf.db.execute("delete from journal where seq = ?", (out,))
            shelf.write()
            shelf.drop()

            assert not [fault for k in shelf.archives() if (fault := fault_of(shelf.archive.folder, k))]
            assert [w.seq for w in audited(shelf).wrong] == [out + 1]
        finally:
            shelf.close()
