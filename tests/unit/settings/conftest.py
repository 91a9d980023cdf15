"""Folders that tests may spoil."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from unit.settings.spoil import ROOT, Folder


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
