"""The folder as files: every mistake of every file at once, and files that are none."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from nightrake.errors import ConfigError
from nightrake.settings import load
from unit.settings.spoil import Folder


def test_ten_mistakes_in_five_files_are_told_at_once(fennmark: Folder) -> None:
    """All mistakes of all files, each with its file and line, in that order."""
    planted = [
        ("site.toml", fennmark.replace("site.toml", "contacts_s = 0.25", "contacts_s = 0.01")),
        ("site.toml", fennmark.replace("site.toml", "port = 18831", "prot = 18831")),
        ("plcs.toml", fennmark.replace("plcs.toml", "port = 15022", 'port = "502"')),
        ("plcs.toml", fennmark.replace("plcs.toml", "timeout_s = 1.0\n\n", "timeout_s = nan\n\n")),
        ("people.toml", fennmark.replace("people.toml", 'role = "operator"', 'role = "oper"')),
        ("drives.toml", fennmark.replace("drives.toml", "alarm_nm = 90000.0", "alarm_nm = 990000.0")),
        ("drives.toml", fennmark.replace("drives.toml", "{ address = 10003 }", "{ address = 10002 }")),
        ("drives.toml", fennmark.replace("drives.toml", 'order = "DCBA"', 'order = "DBCA"')),
        ("drives.toml", fennmark.replace("drives.toml", 'machine = "sludge screw', 'machin = "sludge screw')),
    ]
    file = "calibration/PC1-forward-2026-03-14.toml"
    fennmark.handwrite()
    planted.append((file, fennmark.replace(file, 'made_on = "2026-03-14"', 'made_on = "14.3.2026"')))

    mistakes = fennmark.mistakes()

    told = {(m.file.removeprefix("config/"), m.line) for m in mistakes}
    assert set(planted) <= told
    assert [(m.file, m.line) for m in mistakes] == sorted((m.file, m.line) for m in mistakes)
    assert len(mistakes) == 10


def test_mistake_in_a_template_is_told_once(fennmark: Folder) -> None:
    """Two drives inherit it from one line; it is one mistake."""
    line = fennmark.replace("drives.toml", "speed = { table", "speed = { tabel = 1, table")

    mistakes = fennmark.mistakes()

    assert [(m.line, m.text) for m in mistakes] == [(line, "unknown key; did you mean 'table'?")]


def test_unused_template_is_checked_too(fennmark: Folder) -> None:
    """A typing error waits in no template until a drive uses it."""
    line = fennmark.append("drives.toml", '[template.spare]\nmachin = "mixer"')

    (mistake,) = fennmark.mistakes()

    assert (mistake.line, mistake.key) == (line + 1, "template.spare.machin")
    assert "did you mean 'machine'?" in mistake.text


def test_file_that_does_not_parse_hides_no_mistake_and_makes_none(fennmark: Folder) -> None:
    """What may stand in the broken file is not told as missing; mistakes of other files are."""
    fennmark.write("plcs.toml", "[plc.PLCA\n")
    fennmark.replace("people.toml", 'role = "engineer"', 'role = "boss"')

    mistakes = fennmark.mistakes()

    assert [m.file for m in mistakes] == ["config/people.toml", "config/plcs.toml"]


@pytest.mark.parametrize(
    ("content", "line", "words"),
    [
        (b"a = 1\nb = \xff\xfe\n", 2, "UTF-8"),
        ("x = 1".encode("utf-16"), 1, "UTF-8"),
        (b"a = 1\na = 2\n", 2, "stands twice in one table"),
        (b"a = \n", 1, "none that TOML knows"),
        (b"a = " + b"9" * 5000, 0, "too many digits"),
        (b"a = " + b"[" * 5000 + b"]" * 5000, 0, "too deep"),
        (b'a = """\n', 2, "unterminated"),
        (b"\x00" * (1024 * 1024 + 1), 0, "larger than 1 MB"),
    ],
)
def test_file_that_is_no_toml_is_named(fennmark: Folder, content: bytes, line: int, words: str) -> None:
    """One sentence with the line, never the parser's traceback."""
    fennmark.write("more.toml", content)

    (mistake,) = fennmark.mistakes()

    assert (mistake.file, mistake.line) == ("config/more.toml", line)
    assert words in mistake.text


def test_byte_order_mark_is_no_mistake(fennmark: Folder) -> None:
    """Some editors put one in front; it says nothing."""
    text = (fennmark.path / "people.toml").read_bytes()
    fennmark.write("people.toml", b"\xef\xbb\xbf" + text)

    assert {"night1", "drives"} <= set(fennmark.load().people)


def test_pipe_in_the_folder_blocks_nothing(fennmark: Folder) -> None:
    """Whatever is called .toml and is no file is refused unread."""
    os.mkfifo(fennmark.path / "pipe.toml")
    (fennmark.path / "folder.toml").mkdir()

    assert [m.text.split(";")[0] for m in fennmark.mistakes()] == ["is no ordinary file"] * 2


def test_drive_in_the_place_of_another_is_counted_in_words(fennmark: Folder) -> None:
    """A template without its shift shares everything; two contacts are a place and one more."""
    one = '{ stage = "alarm", form = "normally_closed", bit_1_means = "closed", point = { address = 10001 } }'
    two = one.replace("alarm", "shutdown").replace("10001", "10002")
    fennmark.append("drives.toml", f'[drive.Z]\nname = "Z"\nplc = "PLCA"\ncontact = [{one}, {two}]\n')

    (mistake,) = fennmark.mistakes()

    assert "(and 1 more place);" in mistake.text


def test_name_of_a_file_stays_one_line_of_words(fennmark: Folder) -> None:
    """It can neither paint over the terminal nor look like a line of its own, and can be printed whatever it is."""
    for folder in (fennmark.path, fennmark.path / "calibration"):
        (folder / "a\x1b[31m\nb.toml").write_text("nonsense = 1\n")
        (folder / os.fsdecode(b"c\xff.toml")).write_text("nonsense = 1\n")

    files = {m.file for m in fennmark.mistakes()}

    assert len(files) == 4
    assert all(name.isprintable() for name in files)


def test_dangling_link_is_named(fennmark: Folder) -> None:
    """A link to nowhere cannot be read."""
    (fennmark.path / "gone.toml").symlink_to("nowhere")

    (mistake,) = fennmark.mistakes()

    assert "cannot be read (no such file or directory)" in mistake.text


@pytest.mark.parametrize(
    ("name", "words"), [("none", "no such folder"), ("site.toml", "not a folder"), ("", "no .toml")]
)
def test_folder_that_is_none_is_named(tmp_path: Path, name: str, words: str) -> None:
    """A missing folder, a file in its place, an empty folder."""
    (tmp_path / "site.toml").touch() if name else None

    with pytest.raises(ConfigError, match=words):
        load(tmp_path / name)


def test_id_in_two_files_is_told_with_both_places(fennmark: Folder) -> None:
    """A copied drive that kept its id."""
    fennmark.write("more.toml", '\n[drive.GT1]\nname = "Again"\n')

    mistakes = [m for m in fennmark.mistakes() if "stands twice" in m.text]

    assert [(m.file, m.line, m.key) for m in mistakes] == [("config/more.toml", 2, "drive.GT1")]
    assert re.search(r"config/drives.toml:\d+", mistakes[0].text)
