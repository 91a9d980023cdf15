"""The tree holds only what was agreed, and nothing half done."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", "service", "config", "deploy", "tests"}


def tracked() -> list[str]:
    """Files that belong to the project: git's own and new ones that are not ignored; the tree itself without git."""
    git = shutil.which("git") or "false"
    done = subprocess.run(
        [git, "-C", str(ROOT), "-c", "safe.directory=*", "ls-files", "--cached", "--others", "--exclude-standard"],
        capture_output=True,
        text=True,
        timeout=15,
        check=False,
    )
    if done.returncode == 0 and done.stdout:
        return [name for name in done.stdout.splitlines() if (ROOT / name).exists()]
    return [str(p.relative_to(ROOT)) for p in ROOT.rglob("*") if p.is_file() and not hidden(p.relative_to(ROOT))]


def hidden(path: Path) -> bool:
    """Whether any part of the path is a dotfile or made by a tool."""
    return any(part.startswith(".") or part == "__pycache__" for part in path.parts)


def texts(suffix: str = "") -> Iterator[tuple[str, str]]:
    """Name and text of each tracked text file."""
    for name in tracked():
        if not name.endswith(suffix):
            continue
        data = (ROOT / name).read_bytes()
        if b"\0" not in data:
            yield name, data.decode("utf-8")


def test_top_level_holds_only_what_was_agreed() -> None:
    """New things go into the rooms that exist; dotfiles apart."""
    found = {name.split("/")[0] for name in tracked()}

    assert {n for n in found if not n.startswith(".")} <= TOP_LEVEL
    assert (ROOT / ".ci" / "run").exists()


def test_nothing_unfinished_is_left_in_the_text() -> None:
    """No note to self, and nothing that is only there in name."""
    notes = re.compile(r"\b(" + "|".join(("TO" + "DO", "FIX" + "ME", "XX" + "X", "HA" + "CK")) + r")\b")

    assert [f"{n}: {m.group()}" for n, t in texts() if (m := notes.search(t))] == []


def test_no_path_of_somebodys_machine() -> None:
    """Paths of a developer's machine mean nothing to anybody else."""
    homes = re.compile(
        r"(?<![\w.}-])/(?:" + "|".join(("wo" + "rk", "fa" + "rm", "ro" + "ot", "ho" + "me/[a-z]+")) + r")/"
    )

    assert [f"{n}: {m.group()}" for n, t in texts() if (m := homes.search(t))] == []


def test_modules_stay_short() -> None:
    """A longer module holds more than one concept; lists of cases in the tests may be a little longer."""
    lengths = {name: text.count("\n") for name, text in texts(".py")}

    assert {n: lines for n, lines in lengths.items() if lines > (400 if n.startswith("service/") else 450)} == {}


def test_every_test_says_what_it_shows() -> None:
    """Each test has a docstring of at least one sentence."""
    silent = []
    for name, text in texts(".py"):
        if name.startswith("tests/") and Path(name).name.startswith("test_"):
            silent += [
                f"{name}:{node.lineno} {node.name}" for node in functions_of(text) if not ast.get_docstring(node)
            ]

    assert silent == []


def functions_of(text: str) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    """The test functions and methods of a module."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name.startswith("test_"):
            yield node
