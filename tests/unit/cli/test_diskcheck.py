"""What `check` says of a disk that has no room for a store."""

from __future__ import annotations

import os
from pathlib import Path
from types import SimpleNamespace

import pytest

from nightrake.cli.diskcheck import disk_doubts
from nightrake.journal.home import ROOM_TO_BEGIN


def test_disk_without_room_is_named_in_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the folder, what is left, what the watch does then, and what to do; also before there is a folder."""
    blocks = {"left": ROOM_TO_BEGIN // 4096 - 1}
    monkeypatch.setattr(os, "statvfs", lambda _: SimpleNamespace(f_bavail=blocks["left"], f_frsize=4096))
    (text,) = disk_doubts(tmp_path / "not" / "there")
    assert text.startswith(f"store.dir: {tmp_path / 'not' / 'there'}: the disk has 508 KiB left; ")
    assert text.endswith("in memory only, until there is room; make room")
    blocks["left"] += 1

    assert list(disk_doubts(tmp_path)) == []
