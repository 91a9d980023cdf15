"""`nightrake journal` over a store of which most is in files: the same answers as before, and every damage is named."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from alarmnights import scripted
from journals import Journal, rechained
from nightrake.journal.archive import FOLDER
from nightrake.messages.payloads import other_bytes
from shell.journal.segments import Shelf, small_segments

pytestmark = pytest.mark.timeout(60)  # a journal is written, and many commands are run on it

PERIOD = ("--from", "2025-02-11T18:00", "--to", "2025-02-12T08:00")
ROWS = 15
COMMANDS = (
    ("read", "--last", "0"),
    ("read", "--last", "7", "--json"),
    ("read", "--drive", "PC1", "--last", "3"),
    ("read", "--since", "2025-02-12T00:00", "--kind", "alarm"),
    ("export", "--csv", "-"),
    ("export", "--json", "-", "--kind", "call"),
    ("account", *PERIOD),
    ("figures", *PERIOD),
)


class Archived:
    """The scripted night, of which all but the newest rows is in files."""

    def __init__(self, journal: Journal) -> None:
        self.journal, self.night = journal, scripted("2025-02-11", "2025-02-12")
        journal.folder.mkdir(parents=True, exist_ok=True)
        self.shelf = Shelf(journal.folder)
        self.shelf.add(self.night.rows)

    def archive(self) -> None:
        """Into files, and out of the store."""
        self.shelf.write()
        assert self.shelf.drop() > len(self.night.rows) - 3 * ROWS

    @property
    def files(self) -> list[Path]:
        """Of the archive."""
        return self.shelf.files


@pytest.fixture
def archived(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Archived:
    """See there; nothing is in files yet."""
    small_segments(monkeypatch, ROWS)
    return Archived(Journal(tmp_path / "state", capsys, monkeypatch))


def test_every_command_says_the_same_as_before(archived: Archived) -> None:
    """Word for word."""
    before = [archived.journal.run(*command) for command in COMMANDS]
    archived.archive()
    after = [archived.journal.run(*command) for command in COMMANDS]

    assert after == before
    assert all(done.code == 0 and done.out for done in after)
    assert len(archived.files) >= 3


def test_verify_counts_rows_in_store_and_files_as_one_chain(archived: Archived) -> None:
    """And says what is in files only."""
    archived.archive()
    done = archived.journal.run("verify")
    text = done.out.replace("\n", " ")
    count = len(archived.night.rows)

    assert (done.code, done.err) == (0, "")
    assert f"{count} rows, from 1 to {count};" in text
    assert "The chain holds" in text
    assert f"3 archives are as written; {2 * ROWS} rows are there only." in text


def missing(files: list[Path]) -> None:
    """Take the second file away."""
    files[1].unlink()


def cut(files: list[Path]) -> None:
    """Cut its end."""
    files[1].write_bytes(files[1].read_bytes()[:-9])


def changed(files: list[Path]) -> None:
    """Change one bit of it."""
    content = bytearray(files[1].read_bytes())
    content[-20] ^= 4
    files[1].write_bytes(content)


def exchanged(files: list[Path]) -> None:
    """Let two of them change places."""
    first, second = files[0].read_bytes(), files[1].read_bytes()
    files[0].write_bytes(second)
    files[1].write_bytes(first)


def twice(files: list[Path]) -> None:
    """Put a copy of the first in the place of the second."""
    shutil.copy(files[0], files[1])


def no_file(files: list[Path]) -> None:
    """Put something else there."""
    files[1].write_bytes(b"x" * files[1].stat().st_size)


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (missing, "000000000016-000000000030-.*: is missing: journal rows 16 to 30 are nowhere else"),
        (cut, r"000000000016-.*: was cut from \d+ to \d+ bytes: journal rows 16 to 30"),
        (changed, "000000000016-.*: was changed, for its hash is not the one kept in the store"),
        (exchanged, "000000000001-.*: was exchanged: it holds rows 16 to 30: .*; 1 more file is wrong after it"),
        (twice, "000000000016-.*: was exchanged: it holds rows 1 to 15: journal rows 16 to 30"),
        (no_file, "000000000016-.*: was changed"),
    ],
)
def test_damage_to_a_file_is_named(archived: Archived, damage: Callable[[list[Path]], None], words: str) -> None:
    """By every command that needs its rows, in one sentence; what does not need them goes on."""
    archived.archive()
    damage(archived.files)
    found = archived.journal.refused("verify")
    read = archived.journal.refused("read", "--last", "0")

    assert re.search(words, found)
    assert "state/archive/0000000000" in read
    assert archived.journal.run("read", "--last", "5").code == 0


def test_files_of_another_journal_are_refused(archived: Archived, tmp_path: Path) -> None:
    """In the place of one of ours, or beside them: another site's file never becomes part of this journal."""
    archived.archive()
    other = Shelf(_made(tmp_path / "other"))
    other.chain.epoch = "0ther1234567"
    other.add_some(3 * ROWS)
    other.write()
    before = archived.journal.run("read", "--last", "0")
    shutil.copy(other.files[0], archived.journal.folder / FOLDER)
    beside, read = archived.journal.run("verify"), archived.journal.run("read", "--last", "0")
    shutil.copy(other.files[0], archived.files[2])
    other.close()
    inside = archived.journal.refused("verify")

    text = beside.out.replace("\n", " ")
    assert beside.code == 0
    assert "holds rows 1 to 15 of the life 0ther1234567; the store has no record of it, so it was not read." in text
    assert read == before
    assert "was exchanged: it holds rows 1 to 15 of another journal, or of another life of this one" in inside


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder


def test_forger_who_writes_file_and_record_anew_is_found_by_a_published_head(
    archived: Archived, tmp_path: Path
) -> None:
    """Whoever has the program can make files, records and hashes fit; the heads that went out are out of reach."""
    honest = archived.night.rows[20]
    whole = {"instance": "i", "count": 1, "head_seq": honest.seq, "head_hash": honest.hash.hex()}
    canary = other_bytes(
        id="c", epoch=honest.epoch, seq=1, utc_ms=0, site="fennmark", kind="canary", event="canary", data=whole
    )
    heads = tmp_path / "heads.txt"
    heads.write_bytes(canary + b"\n")
    forged = list(archived.night.rows)
    forged[4] = forged[4]._replace(payload=b'{"n":1}')
    archived.shelf.db.execute("delete from journal")
    archived.shelf.rows.clear()
    archived.shelf.add(rechained(forged, 4))
    archived.archive()

    assert archived.journal.run("verify").code == 0
    assert "journal row 21 is not the one whose hash was published" in archived.journal.refused(
        "verify", "--heads", str(heads)
    )


def test_given_up_files_are_told(archived: Archived) -> None:
    """The journal begins later then, and its chain still holds from its first day."""
    archived.archive()
    archived.shelf.archive._most_bytes = sum(f.stat().st_size for f in archived.files[1:])
    archived.shelf.write()
    done = archived.journal.run("verify")
    text = done.out.replace("\n", " ")

    assert done.code == 0, done.err
    assert "Numbers 1 to 15 were in an archive, given up for room." in text
    assert "The chain holds" in text
