"""What the commands over the history say to somebody who typed, or keeps, something wrong: once, and with its name."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import apsw
import pytest

from peers.warm import python
from shell.longterm.carestores import a_store, historian
from shell.longterm.histories import CONFIG

pytestmark = pytest.mark.timeout(60)  # each runs several commands, which are slow to begin on a busy machine


def run(*words: str | Path, state: Path, cwd: Path) -> tuple[int, str]:
    """A command: exit code, and what it said on standard error."""
    argv = ("-m", "nightrake.cli", *map(str, words), "--config", str(CONFIG), "--set", f"store.dir={state}")
    done = python(*argv, cwd=str(cwd))
    return done.returncode, " ".join(done.stderr.split())


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of an hour."""
    folder = tmp_path_factory.mktemp("made") / "state"
    a_store(folder, 1, 1)
    return folder


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--parquet", "-"), "'-': standard output takes CSV alone; give the name of a file"),
        (("--png", "-"), "'-': standard output takes CSV alone; give the name of a file"),
        (("--png", "b.jpg"), "b.jpg: name a file that ends in .png"),
        (("--every", "0.5s"), "expected whole units, such as 10s"),
    ],
)
def test_file_of_another_kind_than_its_name_is_refused(
    made: Path, tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    """No file called '-', no PNG called .jpg."""
    code, text = run("history", "PC1", "2026-09-21", *words, state=made, cwd=tmp_path)

    assert (code, said in text) == (1, True), text
    assert list(tmp_path.iterdir()) == []


def test_store_that_is_not_there_is_named_once(tmp_path: Path) -> None:
    """With the reason in words."""
    code, text = run("history", "PC1", state=tmp_path / "nowhere", cwd=tmp_path)

    assert (code, text.count("nowhere"), "Errno" in text) == (1, 1, False), text


def test_fault_that_is_met_twice_is_said_once(tmp_path: Path) -> None:
    """A history of a newer program cannot be looked at in any way, which is one fault."""
    a_store(tmp_path, 1, 1)
    with closing(apsw.Connection(str(tmp_path / "history.db"))) as db:
        db.execute("insert into migration values(99, 0)")

    code, out, _ = historian("verify", state=tmp_path)

    assert (code, out.count("has history schema 99"), out.endswith("1 fault; see above.")) == (1, 1, True), out
