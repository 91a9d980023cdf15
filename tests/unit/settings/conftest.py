"""A copy of the example folder that tests may spoil."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from nightrake.errors import ConfigError, Mistake
from nightrake.settings import Settings, load

ROOT = Path(__file__).resolve().parents[3]
TODAY = date(2026, 11, 1)


class Folder:
    """A settings folder on disk."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def replace(self, file: str, old: str, new: str) -> int:
        """Replace a text that stands there; gives the line, from 1, where the new one begins."""
        text = (self.path / file).read_text(encoding="utf-8")
        assert old in text, f"{file} does not hold {old!r}"
        self.write(file, text.replace(old, new, 1))
        return text[: text.index(old)].count("\n") + 1

    def append(self, file: str, text: str) -> int:
        """Add lines at the end; gives the line, from 1, of the first of them."""
        before = (self.path / file).read_text(encoding="utf-8")
        self.write(file, f"{before}\n{text}\n")
        return before.count("\n") + 2

    def write(self, file: str, text: str | bytes) -> None:
        """Write a whole file."""
        (self.path / file).write_bytes(text.encode() if isinstance(text, str) else text)

    def load(self, overrides: Mapping[str, Any] | None = None, today: date = TODAY) -> Settings:
        """Load it as on a fixed day."""
        return load(self.path, overrides, today=today)

    def mistakes(self, overrides: Mapping[str, Any] | None = None, today: date = TODAY) -> tuple[Mistake, ...]:
        """Every mistake; it must hold one at least."""
        with pytest.raises(ConfigError) as caught:
            self.load(overrides, today)
        return caught.value.mistakes


@pytest.fixture
def fennmark(tmp_path: Path) -> Folder:
    """The example of the repository, to be spoiled."""
    shutil.copytree(ROOT / "config", tmp_path / "config")
    return Folder(tmp_path / "config")


@pytest.fixture
def small(tmp_path: Path) -> Callable[[str], Folder]:
    """A folder with one file, in which `text` follows a site and a PLC."""

    def make(text: str) -> Folder:
        folder = Folder(tmp_path / "small")
        folder.path.mkdir()
        head = '[site]\nid = "s"\nname = "S"\n[plc.P]\nhost = "127.0.0.1"\naddressing = "pdu"\n'
        folder.write("all.toml", head + text)
        return folder

    return make
