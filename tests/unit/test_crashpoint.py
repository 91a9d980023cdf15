"""Aimed kills: what is aimed at ends the process there, nothing else does, and every name is a real moment."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from nightrake.crashpoint import POINTS, VARIABLE, aimed

PACKAGE = Path(__file__).resolve().parents[2] / "service" / "nightrake"


def test_nothing_is_aimed_at_by_default() -> None:
    """Every moment passes when the variable is not set."""
    reach = aimed("")

    assert [reach(point) for point in POINTS] == [None] * len(POINTS)


@pytest.mark.parametrize(
    ("aim", "said"),
    [("before-commit:3", "ab"), ("before-commit", ""), ("before-commit:9", "abc"), ("before-comm", "abc")],
)
def test_process_ends_at_the_moment_aimed_at(aim: str, said: str) -> None:
    """Killed the n-th time that the moment is reached, with nothing done after it; other moments do not count."""
    script = (
        "from nightrake.crashpoint import reach\n"
        "for word in 'abc':\n"
        "    reach('after-commit')\n"
        "    reach('before-commit')\n"
        "    print(word, end='', flush=True)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        env={VARIABLE: aim, "PYTHONPATH": str(PACKAGE.parent)},
        capture_output=True,
        text=True,
        timeout=15,
        check=False,
    )

    assert (done.returncode, done.stdout) == (0 if said == "abc" else -9, said)


def test_every_moment_is_in_the_code_once() -> None:
    """A kill that is aimed at a moment which no code reaches would show nothing."""
    found: Counter[str] = Counter()
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "reach":
                (argument,) = node.args
                assert isinstance(argument, ast.Constant)
                found[str(argument.value)] += 1

    assert found == Counter(POINTS)
