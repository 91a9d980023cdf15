"""Stores with given rows, the commands run on them, and damage to their files."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import apsw
import pytest

from nightrake.cli.main import main
from nightrake.domain.rows import GENESIS, Row, chain_hash
from shell.journal.makers import opened

CONFIG = Path(__file__).resolve().parent.parent / "config"


class Done(NamedTuple):
    """How a command ended."""

    code: int
    out: str
    err: str


class Journal:
    """The example site's journal in a folder of its own.

    Args:
        folder: Of the store. capsys, monkeypatch: of the test.
    """

    def __init__(
        self, folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, config: Path = CONFIG
    ) -> None:
        self.folder, self.config = folder, config
        self._capsys, self._monkeypatch = capsys, monkeypatch

    def keep(self, rows: Sequence[Row]) -> None:
        """Write rows through the store itself, and close it."""

        async def write() -> None:
            async with opened(self.folder) as (store, _):
                for begin in range(0, len(rows), 2_000):
                    store.append(rows[begin : begin + 2_000], {}, [])
                    assert await store.wait_durable(rows[min(len(rows), begin + 2_000) - 1].seq, 10.0)

        asyncio.run(write())

    def run(self, command: str, *args: str) -> Done:
        """Run ``nightrake journal COMMAND`` on it."""
        store = ("--config", str(self.config), "--set", f"store.dir={self.folder}")
        self._monkeypatch.setattr("sys.argv", ["nightrake", "journal", command, *store, *args])
        self._capsys.readouterr()
        with pytest.raises(SystemExit) as end:
            main()
        out, err = self._capsys.readouterr()
        return Done(int(end.value.code or 0), out, err)

    def refused(self, command: str, *args: str) -> str:
        """Likewise, of what is refused: the one sentence that it is refused with."""
        done = self.run(command, *args)
        assert done.code == 1
        lines = done.err.splitlines()
        assert len(lines) == 1, done.err
        assert lines[0].startswith("nightrake: ")
        return lines[0].removeprefix("nightrake: ")

    # --- damage ---

    def sql(self, statement: str, *values: object) -> None:
        """Change the file behind the store's back."""
        db = apsw.Connection(str(self.folder / "store.db"))
        try:
            list(db.execute(statement, values))
        finally:
            db.close()

    def write_anew(self, rows: Sequence[Row]) -> None:
        """Replace all rows of the file, as they are."""
        self.sql("delete from journal")
        names = ", ".join(Row._fields)
        marks = ", ".join("?" * len(Row._fields))
        for row in rows:
            self.sql(f"insert into journal({names}) values({marks})", *row)


def rechained(rows: Sequence[Row], begin: int) -> list[Row]:
    """What somebody with the program makes of changed rows: all hashes from an index on computed anew."""
    made = list(rows[:begin])
    for row in rows[begin:]:
        previous = made[-1].hash if made else GENESIS
        fresh = row._replace(prev_hash=previous)
        made.append(fresh._replace(hash=chain_hash(previous, fresh)))
    return made
