"""`nightrake specify`: six sheets from one command, exit codes, mistakes by file and line, pages."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from nightrake.cli.check import run_check
from nightrake.cli.specify import run_specify
from nightrake.errors import ConfigError, NightrakeError
from unit.settings.spoil import ROOT, Folder

DRIVES = ("PC1", "PC2", "SC1", "SC2", "GT1", "SCR1")


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    """The example, to be spoiled."""
    shutil.copytree(ROOT / "config", tmp_path / "config")
    return Folder(tmp_path / "config")


def test_one_command_gives_six_sheets(folder: Folder, capsys: pytest.CaptureFixture[str]) -> None:
    """All drives at 80 columns, with a look-again and both unit systems; nothing is wrong, so exit code 0."""
    code = run_specify(folder.path, {}, [], None)
    out = capsys.readouterr().out

    assert code == 0
    assert [line for line in out.splitlines() if len(line) > 80] == []
    for drive in DRIVES:
        assert out.count(f"\n{drive} ") + out.startswith(f"{drive} ") == 1
    assert out.count("? look again: alarm contacts:") == 3
    assert re.search(r"Shutdown torque +40 kN\.m +354 000 lbf\.in", out)
    assert out.count("verify zero energy") == 1
    assert "SC1: 19 ok, 1 look again" in out


def test_one_drive_gives_one_sheet(folder: Folder, capsys: pytest.CaptureFixture[str]) -> None:
    """--drive, also twice the same."""
    assert run_specify(folder.path, {}, ["GT1", "GT1"], None) == 0
    out = capsys.readouterr().out

    assert out.count(": data sheet") == 1
    assert "Arm and contacts, reverse" in out
    assert "-20.02 mm" in out


def test_wrong_finding_gives_exit_code_1(folder: Folder, capsys: pytest.CaptureFixture[str]) -> None:
    """The first finding shown is the wrong one."""
    code = run_specify(folder.path, {"drive.PC1.specification.arm.travel": "18 mm"}, ["PC1"], None)
    lines = capsys.readouterr().out.splitlines()

    assert code == 1
    assert lines[2].startswith("! wrong: shutdown within the travel:")


@pytest.mark.parametrize(
    "command",
    [lambda at: run_specify(at, {}, [], None), lambda at: run_check(at, {}, live=False, as_json=False)],
    ids=["specify", "check"],
)
def test_mistaken_quantities_are_told_with_file_and_line(folder: Folder, command: Callable[[Path], int]) -> None:
    """In a template and in a drive, all at once, each once though two drives inherit it; by check and by specify."""
    line_1 = folder.replace("drives.toml", 'gear_rating = "50 kN*m"', 'gear_rating = "50 kN"')
    line_2 = folder.replace("drives.toml", 'rate = "25.17 N/mm"', 'rate = "25.17"')
    with pytest.raises(ConfigError) as caught:
        command(folder.path)

    told = [(m.file, m.line, m.key, m.text) for m in caught.value.mistakes]
    assert [t[:3] for t in told] == [
        ("config/drives.toml", line_1, "drive.PC1.specification.gear_rating"),
        ("config/drives.toml", line_2, "drive.GT1.specification.springs.rate"),
    ]
    assert "a force and not a torque" in told[0][3]
    assert "without a unit" in told[1][3]


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        ('gear_rating = "50 kN*m"', "gear_rating = 50.0", "gear_rating", "give a unit"),
        ('gear_rating = "50 kN*m"', 'gear_ratng = "50 kN*m"', "gear_ratng", "did you mean 'gear_rating'?"),
        ('kind = "helical"', 'kind = "helicl"', "gear[0].kind", "did you mean 'helical'?"),
        ('radius = "13 m"', f'radius = "{"1" * 61} m"', "process.radius", "at most 60"),
        ("ratio = 4.2", "ratio = 0.5", "gear[0].ratio", "expected 1 or more"),
        ("breakdown_ratio = 2.6", 'breakdown_ratio = "2.6"', "motor.breakdown_ratio", "expected a number"),
    ],
)
def test_mistaken_shapes_are_told(folder: Folder, old: str, new: str, key: str, words: str) -> None:
    """Unknown keys with the nearest known one, numbers without unit, words that are none."""
    line = folder.replace("drives.toml", old, new)
    told = {m.key: m for m in folder.mistakes()}

    mistake = told[f"drive.PC1.specification.{key}"]
    assert words in mistake.text
    assert mistake.line == line


@pytest.mark.parametrize(
    ("wanted", "words"),
    [(["PC9"], "there is no drive 'PC9'; did you mean 'PC"), (["Zorro"], "there are: PC1, PC2")],
)
def test_unknown_drive_is_told(folder: Folder, wanted: list[str], words: str) -> None:
    """With the nearest one, or all."""
    with pytest.raises(NightrakeError, match=words):
        run_specify(folder.path, {}, wanted, None)


def test_drive_without_specification_is_told(folder: Folder, capsys: pytest.CaptureFixture[str]) -> None:
    """Wanted by name it is an error; among all it is one line."""
    folder.append(
        "drives.toml",
        '[drive.X1]\nname = "X"\nplc = "PLCA"\n[[drive.X1.contact]]\nstage = "shutdown"\n'
        'form = "normally_closed"\nbit_1_means = "closed"\npoint = { address = 10055 }\n',
    )
    with pytest.raises(NightrakeError, match=r"add \[drive\.X1\.specification\]"):
        run_specify(folder.path, {}, ["X1"], None)

    assert run_specify(folder.path, {}, [], None) == 0
    assert "No specification: X1;" in capsys.readouterr().out


def test_pages_go_into_a_folder(folder: Folder, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One page for each drive, named by it."""
    assert run_specify(folder.path, {}, ["PC1", "SC1"], tmp_path / "sheets") == 0

    assert sorted(p.name for p in (tmp_path / "sheets").iterdir()) == ["PC1.html", "SC1.html"]
    assert "Written: " in capsys.readouterr().out


def test_page_of_one_drive_goes_into_a_file(folder: Folder, tmp_path: Path) -> None:
    """Whatever it is called, if it ends in .html."""
    assert run_specify(folder.path, {}, ["PC1"], tmp_path / "clarifier.html") == 0

    assert "Data sheet PC1" in (tmp_path / "clarifier.html").read_text(encoding="utf-8")


def test_six_pages_do_not_go_into_one_file(folder: Folder, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Said before anything is printed."""
    with pytest.raises(NightrakeError, match="is one file, but there are 6 sheets"):
        run_specify(folder.path, {}, [], tmp_path / "all.html")

    assert capsys.readouterr().out == ""


def test_file_that_is_no_page_is_not_overwritten(folder: Folder, tmp_path: Path) -> None:
    """A slip of the shell shall not cost anybody a file."""
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(NightrakeError, match=r"does not end in \.html"):
        run_specify(folder.path, {}, ["PC1"], tmp_path / "notes.txt")

    assert (tmp_path / "notes.txt").read_text() == "mine"
