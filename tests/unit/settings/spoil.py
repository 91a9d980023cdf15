"""A settings folder on disk that a test may spoil."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from nightrake.domain.site import PointSpec
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


def points_of(settings: Settings) -> dict[str, PointSpec]:
    """Every point: drive and role -> point."""
    return {f"{d.id} {role}": p for d in settings.site.drives.values() for role, p in d.points().items()}


class Slip(NamedTuple):
    """One mistake: what is replaced in a file, and what has to be said of it."""

    file: str
    old: str
    new: str
    key: str
    words: str


def assert_told(folder: Folder, slip: Slip) -> None:
    """Spoil a good folder by one slip; it has to be named by key and line, and no secret with it."""
    folder.replace(slip.file, slip.old, slip.new)
    mistakes = folder.mistakes()
    told = [m for m in mistakes if m.key == slip.key and slip.words in m.text]

    assert told, [str(m) for m in mistakes]
    assert all(m.line > 0 for m in mistakes)
    assert "hunter2" not in "".join(str(m) for m in mistakes)
