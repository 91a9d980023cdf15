"""`historian compact --leave-out-damaged`: what can be read goes on in a new file, and what is told of it ends."""

from __future__ import annotations

import shutil
from contextlib import closing
from pathlib import Path

import apsw
import pytest

from nightrake.errors import StoreError
from nightrake.longterm import damage
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.checking import Checking
from nightrake.longterm.reading import History
from nightrake.longterm.room import Room
from nightrake.longterm.sealing import Sealing
from nightrake.longterm.tail import Tail
from nightrake.longterm.writing import LIFE, Writing
from shell.longterm.carestores import a_store, command, historian
from shell.longterm.histories import NOON_MS, forget_tail
from shell.longterm.test_care_damage import change
from shell.longterm.test_history_lost import overwrite

pytestmark = pytest.mark.timeout(60)  # each runs several commands, which are slow to begin on a busy machine

HOURS = 8
GONE = {
    "2": "within 2026-09-21 16:59:56 to 2026-09-21 18:00:01 (Europe/London)",
    "(select count(*) - 1 from cut)": "after 2026-09-21 21:59:",
}
"""The third hour, and the last: between what is left on both sides."""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of eight hours, all sealed and no longer in the tail."""
    folder = tmp_path_factory.mktemp("made") / "state"
    a_store(folder, HOURS, HOURS)
    with closing(Tail(folder)) as tail:
        epoch, last = tail.meta("epoch"), tail.span()[1]
    change(folder / "store.db", "insert into cursor values('history', ?, ?, '')", epoch, last)
    change(folder / "history.db", "update meta set value = ? where key = 'epoch'", epoch)
    forget_tail(folder, last - 10)
    with closing(Blocks(folder)) as file:
        assert file.sealed()[1] == last
    return folder


@pytest.fixture
def state(made: Path, tmp_path: Path) -> Path:
    """A copy of it for one test."""
    return shutil.copytree(made, tmp_path / "state")


def kept(state: Path) -> dict[int, bytes]:
    """Hash of every block that is there."""
    with closing(Blocks(state)) as file:
        return {int(number): bytes(sha) for number, sha in file.ask("select id, sha256 from block")}


def test_stuck_damage_ends_when_the_file_is_written_anew(state: Path) -> None:
    """Retention has given up all, but damaged pages stay: compacting as usual says the way, and that way works."""
    overwrite(state, "column_data", 0.25)
    with closing(Writing(state, NOON_MS)) as writing:
        room = Room(writing, 30.0, 0)
        while room.trim():
            pass
        assert damage.stuck_bytes(writing)
        damage.note(writing, "something in it is damaged")
    code, _, error = historian("compact", state=state)
    assert code == 1
    assert "history.db: is damaged" in error
    assert "historian compact --leave-out-damaged" in error
    size = (state / "history.db").stat().st_size
    code, said, error = historian("compact", "--leave-out-damaged", state=state)
    assert (code, error) == (0, "")
    assert "nothing was left out" in said
    assert (state / "history.db").stat().st_size < size
    with closing(Writing(state, NOON_MS)) as writing:
        assert (damage.noted(writing), damage.stuck_bytes(writing)) == ("", 0)
    code, said, _ = historian("verify", state=state)
    assert (code, "All of it holds" in said) == (0, True)


def test_what_can_be_read_is_kept_to_the_byte_and_the_rest_is_told(state: Path) -> None:
    """Every block off the damaged pages is there, verify holds, what is gone is said and not replayed in silence."""
    before = kept(state)
    overwrite(state, "column_data", 0.5)
    change(
        state / "history.db", """insert into meta values('damage', '{"sentence": "block 3 is damaged", "place": 9}')"""
    )
    assert historian("verify", state=state)[0] == 1
    code, said, error = historian("compact", "--leave-out-damaged", state=state)
    assert (code, error) == (0, "")
    after = kept(state)
    assert 0.7 * len(before) < len(after) < len(before)
    assert after.items() <= before.items()
    assert f"in {len(before) - len(after)} blocks" in said
    code, said, _ = historian("verify", state=state)
    assert (code, "All of it holds" in said) == (0, True), said
    with History(state) as history, pytest.raises(StoreError, match="could not be read any more, and was left out"):
        list(history.records(*history.seq_span()))
    with closing(Tail(state)) as tail, closing(Writing(state, NOON_MS)) as writing:
        writing.begin(tail.meta("epoch"), tail.span()[1] + 1, NOON_MS)
        assert writing.sealed == tail.span()[1]
        assert Sealing(tail, writing).seal(NOON_MS) == 0


@pytest.mark.parametrize("table", ["block", "cut", "snapshot", "summary_day"])
def test_part_of_a_list_is_better_than_nothing(state: Path, table: str) -> None:
    """Where lists are damaged themselves, what stands before and behind is kept; it is sound, and writing goes on."""
    overwrite(state, table, 0.0)
    code, _, error = historian("compact", "--leave-out-damaged", state=state)
    assert (code, error) == (0, "")
    assert list(Checking(state).form("history.db", watched=False)) == []
    assert list(Checking(state).blocks()) == []
    with closing(Writing(state, NOON_MS)) as writing:
        room = Room(writing, 1.0 / 24, 16_384)
        while room.trim():
            pass


@pytest.mark.parametrize("which", ["2", "(select count(*) - 1 from cut)"])
def test_hour_that_is_gone_as_a_whole_is_told(state: Path, which: str) -> None:
    """In the middle or at the end: verify knows that it was left out, and nothing is replayed over it."""
    change(
        state / "history.db",
        f"delete from cut where last_place = (select last_place from cut order by 1 limit 1 offset {which})",
    )
    assert historian("verify", state=state)[0] == 1
    code, said, error = historian("compact", "--leave-out-damaged", state=state)
    assert (code, error) == (0, "")
    assert "1 sealed stretches lack something" in said
    code, said, _ = historian("verify", state=state)
    assert (code, "All of it holds" in said) == (0, True), said
    code, said, error = command("history", "PC1", "2026-09-21T14:00/PT12H", state=state)
    assert (code, said != "") == (0, True), error
    assert "were damaged, and left out when history.db was written anew" in error
    assert f"Beware: readings {GONE[which]}" in error
    code, said, error = command("history", "PC1", "2026-09-21T15:30/PT30M", state=state)
    assert (code, "left out" in error) == (0, False), "nothing was left out then"
    if which == "2":
        with History(state) as history, pytest.raises(StoreError, match="could not be read any more, and was left out"):
            list(history.records(*history.seq_span()))


def test_file_without_what_all_rests_on_is_left_as_it_is(state: Path) -> None:
    """No names, no meaning: a sentence, and nothing is changed."""
    overwrite(state, "name", 0.0)
    before = (state / "history.db").read_bytes()
    code, _, error = historian("compact", "--leave-out-damaged", state=state)
    assert code == 1
    assert "table name is damaged" in error
    assert "Traceback" not in error
    assert (state / "history.db").read_bytes() == before
    assert not list(state.glob("*.compact*"))


def test_sound_file_loses_nothing(state: Path) -> None:
    """Every row of every table is the same afterwards."""
    before = dump(state)
    code, said, error = historian("compact", "--leave-out-damaged", state=state)
    assert (code, error) == (0, "")
    assert "nothing was left out" in said
    assert dump(state) == before


def dump(state: Path) -> dict[str, list[object]]:
    """All rows of all tables, but for when a step of the schema ran."""
    db = apsw.Connection(str(state / "history.db"), flags=apsw.SQLITE_OPEN_READONLY)
    tables = [str(v[0]) for v in db.execute("select name from sqlite_schema where type = 'table' order by 1")]
    found: dict[str, list[object]] = {t: sorted(db.execute(f"select * from {t}")) for t in tables if t != "migration"}
    found["schema"] = list(db.execute("select max(number) from migration"))
    found["place"] = [LIFE]
    db.close()
    return found
