"""Writing a page: whole or not at all, and one sentence when it cannot be."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightrake.errors import NightrakeError
from nightrake.reports.page import write_page


def test_page_is_written_into_new_folders(tmp_path: Path) -> None:
    """The folder is made; anybody may read the page; nothing else is left."""
    file = tmp_path / "a" / "b" / "PC1.html"
    write_page(file, "<p>\u00e9</p>")

    assert file.read_text(encoding="utf-8") == "<p>\u00e9</p>"
    assert file.stat().st_mode & 0o777 == 0o644
    assert list(file.parent.iterdir()) == [file]


def test_page_is_replaced(tmp_path: Path) -> None:
    """A newer one takes its place."""
    file = tmp_path / "PC1.html"
    write_page(file, "old")
    write_page(file, "new")

    assert file.read_text(encoding="utf-8") == "new"


def test_failing_write_leaves_the_old_page(tmp_path: Path) -> None:
    """Text that cannot be encoded: the old page stands, no half of a new one lies about."""
    file = tmp_path / "PC1.html"
    write_page(file, "old")
    with pytest.raises(NightrakeError, match="cannot be written"):
        write_page(file, "\ud800")

    assert file.read_text(encoding="utf-8") == "old"
    assert list(tmp_path.iterdir()) == [file]


def test_folder_that_is_a_file_is_told(tmp_path: Path) -> None:
    """One sentence that names the page."""
    (tmp_path / "taken").write_text("")
    with pytest.raises(NightrakeError, match=r"taken.PC1\.html: cannot be written"):
        write_page(tmp_path / "taken" / "PC1.html", "x")
