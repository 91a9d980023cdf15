"""Files written whole or not at all: under a stopped program, an odd file system, a umask."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

import pytest

from nightrake.cli.wholefile import NO_LINKS, check_target, whole_file
from nightrake.errors import NightrakeError


def write(target: Path, data: bytes, *, replace: bool = False) -> None:
    """A whole file."""
    with whole_file(target, replace=replace) as out:
        out.write(data)


def refuse_links(monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    """A file system without hard links, as vfat, exfat and many shares are. Source: link(2), EPERM."""

    def link(_: object, to: object) -> None:
        raise OSError(number, os.strerror(number), str(to))

    monkeypatch.setattr(os, "link", link)


def test_file_is_whole_or_not_there(tmp_path: Path) -> None:
    """What is broken off leaves nothing; a file that is there keeps its place unless it may go."""
    target = tmp_path / "x.csv"

    def broken() -> None:
        with whole_file(target, replace=False) as out:
            out.write(b"half")
            raise NightrakeError("no more")

    with pytest.raises(NightrakeError, match="no more"):
        broken()
    assert list(tmp_path.iterdir()) == []
    write(target, b"whole")
    with pytest.raises(NightrakeError, match="is there already"):
        check_target(target, replace=False)
    check_target(target, replace=True)
    with pytest.raises(NightrakeError, match="is there already"):
        write(target, b"other")
    assert target.read_bytes() == b"whole"
    write(target, b"other", replace=True)
    assert target.read_bytes() == b"other"
    with pytest.raises(NightrakeError, match="is a folder"):
        check_target(tmp_path, replace=True)
    with pytest.raises(NightrakeError, match="there is no folder"):
        check_target(tmp_path / "nowhere" / "x", replace=False)


@pytest.mark.parametrize("number", NO_LINKS)
def test_file_gets_its_name_without_hard_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    """A stick or a share takes exports too; a file that is there keeps its place there as well."""
    refuse_links(monkeypatch, number)

    write(tmp_path / "x.csv", b"whole")
    with pytest.raises(NightrakeError, match="is there already"):
        write(tmp_path / "x.csv", b"other")

    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == {"x.csv": b"whole"}


def test_name_taken_without_hard_links_is_given_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the renaming fails as well there is no empty file under the name afterwards."""

    def replace(self: Path, target: Path) -> None:
        raise OSError(errno.EIO, "Input/output error", str(target))

    refuse_links(monkeypatch, errno.EPERM)
    monkeypatch.setattr(Path, "replace", replace)

    with pytest.raises(NightrakeError, match=r"cannot be written \(Input/output error\); nothing was left behind"):
        write(tmp_path / "x.csv", b"whole")
    assert list(tmp_path.iterdir()) == []


def test_other_refusals_of_a_name_are_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk is no file system without hard links."""
    refuse_links(monkeypatch, errno.ENOSPC)

    with pytest.raises(NightrakeError, match="No space left"):
        write(tmp_path / "x.csv", b"whole")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("umask", "mode"), [(0o022, 0o644), (0o027, 0o640), (0o077, 0o600)])
def test_umask_says_who_may_read(tmp_path: Path, umask: int, mode: int) -> None:
    """An export that is made for somebody else can be opened by them."""
    before = os.umask(umask)
    try:
        write(tmp_path / "x.csv", b"whole")
        write(tmp_path / "x.csv", b"whole", replace=True)
    finally:
        os.umask(before)

    assert stat.S_IMODE((tmp_path / "x.csv").stat().st_mode) == mode


def test_longest_name_is_taken(tmp_path: Path) -> None:
    """The half file's own name fits too where the name itself does, within a character or not."""
    for name in ("x" * 255, "\u00e9" * 127):
        write(tmp_path / name, b"whole")

    assert len(list(tmp_path.iterdir())) == 2


@pytest.mark.parametrize(
    ("name", "words"), [("-", "standard output takes CSV alone"), ("b.jpg", r"name a file that ends in \.png")]
)
def test_names_meant_for_something_else_are_refused(tmp_path: Path, name: str, words: str) -> None:
    """No file called '-', no picture under another kind's name."""
    with pytest.raises(NightrakeError, match=words):
        check_target(Path(name), replace=False, suffix=".png")
    check_target(tmp_path / "B.PNG", replace=False, suffix=".png")
