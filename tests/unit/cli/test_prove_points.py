"""Points by hand: a CSV file to record and certificate; everything that can be wrong with it names file and line."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from nightrake.cli.prove_run import run_prove
from nightrake.commissioning.stillness import Still
from nightrake.errors import NightrakeError
from nightrake.settings import load

CONFIG = Path(__file__).parents[3] / "config"
HEAD = (
    "# made_by: F. Example\n# reference_standard: load cell LC-9\n# reference_uncertainty_pct: 0.5\n"
    "# method: rakes tied off\n# radius_m: 13\n# method_uncertainty_pct: 0.4\n# due_on: 2032-11-25\n"
    "what,torque,position_mm,branch,run,contact,state\n"
)


def rows() -> list[str]:
    """Two runs of ten levels up and down, by the pull in N, with the contacts where they should be."""
    lines = []
    levels = [9_000 + 4_000 * i for i in range(10)]
    for run in (1, 2):
        for branch, order, friction in (("rising", levels, -120), ("falling", levels[::-1], 120)):
            for i, torque_nm in enumerate(order):
                position_mm = (torque_nm - 8_000 + friction) / 1_600 + 0.004 * ((i * run) % 3 - 1)
                lines.append(f"point,{torque_nm / 13:.2f} N,{position_mm:.3f},{branch},{run},,")
    for contact, at_mm in (("alarm A", 15.0), ("shutdown A", 20.0), ("shutdown B", 20.02)):
        lines += [f"operated,,{at_mm},,,{contact},as left", f"released,,{at_mm - 0.4:.2f},,,{contact},as left"]
    return lines


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the example."""
    shutil.copytree(CONFIG, tmp_path / "config")
    return tmp_path / "config"


def prove(folder: Path, text: str) -> int:
    """The command on a file with this text."""
    points = folder.parent / "points.csv"
    points.write_text(text)
    return run_prove(folder, {}, "PC1", "", points, Still())


@pytest.mark.blocks("draws a certificate")
def test_clipboard_gives_a_record_in_force_and_a_certificate(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The new record supersedes the old one, says so, and a second one of the same day supersedes it in turn."""
    assert prove(folder, HEAD + "\n".join(rows()) + "\n") == 0
    said = capsys.readouterr().out
    assert said.count("PASS") == 3
    first = load(folder).site.drives["PC1"].calibrations
    assert prove(folder, HEAD + "\n".join(rows()) + "\n") == 0

    (curve,) = load(folder).site.drives["PC1"].calibrations.values()

    assert curve.ref.endswith("-2")
    (record,) = [r for r in load(folder).records if r.curve.ref == curve.ref]
    assert record.table.supersedes == next(iter(first.values())).ref
    assert record.table.method_detail == "pull x 13 m"
    page = (folder / "calibration" / f"{curve.ref}.html").read_text()
    assert curve.digest in page
    assert "<svg" in page
    assert "<script" not in page
    assert "http" not in page.replace("http-equiv", "")


@pytest.mark.blocks("draws a certificate")
def test_contact_off_its_set_point_fails_and_is_recorded(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As found 25 kN.m in place of 32: exit 1, and the record is made all the same: it is what was found."""
    text = HEAD + "\n".join(rows()).replace("operated,,15.0,,,alarm A,as left", "operated,,10.6,,,alarm A,as found")

    assert prove(folder, text.replace("14.60,,,alarm A,as left", "10.2,,,alarm A,as found")) == 1

    assert "alarm A as found: FAIL, operates at 25.08" in capsys.readouterr().out.replace("\n  ", " ")


@pytest.mark.blocks("draws a certificate")
def test_tolerance_is_the_specification_s(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A contact 3 % low passes by the usual 5 %, and fails where the specification allows 2 %."""
    text = HEAD + "\n".join(rows()).replace("operated,,15.0,", "operated,,14.4,").replace(",14.60,", ",14.0,").replace(
        ",,14.60,", ",,14.0,"
    )
    assert prove(folder, text) == 0
    drives = folder / "drives.toml"
    drives.write_text(drives.read_text().replace("# tolerance_pct = 5.0 ", "tolerance_pct = 2.0 "))

    assert prove(folder, text) == 1

    assert "alarm A as left: FAIL" in capsys.readouterr().out.replace("\n  ", " ")


def test_slope_of_the_record_before_tells_a_wrong_unit(folder: Path) -> None:
    """All torques in lbf.ft taken for N.m lie within the plausible span, but not beside the record in force."""
    text = HEAD + "\n".join(rows())
    wrong = re.sub(r"point,([0-9.]+) N", lambda m: f"point,{float(m[1]) / 1.355818:.2f} N", text)

    with pytest.raises(NightrakeError, match="times that of the record before: were units mixed up"):
        prove(folder, wrong)


def test_record_older_than_the_device_is_refused(folder: Path) -> None:
    """The device came onto the drive after the day that the record bears."""
    drives = folder / "drives.toml"
    drives.write_text(drives.read_text().replace("[drive.PC1]\n", '[drive.PC1]\ndevice_since = "2999-01-01"\n'))
    for record in (folder / "calibration").glob("PC1*.toml"):
        record.unlink()

    with pytest.raises(NightrakeError, match="before the device came onto drive PC1 on 2999-01-01"):
        prove(folder, HEAD + "\n".join(rows()))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("what,torque", "what,torq", "first row has to name the columns"),
        (HEAD, "", "first row has to name the columns"),
        ("point,692.31 N", "point,692.31", ":9: the force is '692.31' without a unit"),
        ("point,692.31 N", "point,9 kN*m", ":9: the force is"),
        ("point,692.31 N", "pointe,692.31 N", ":9: 'pointe' is none of point"),
        (",0.546,", ",abc,", "position_mm needs a number, got 'abc'"),
        ("rising,1", "up,1", "branch is 'up'; expected rising or falling"),
        ("alarm A", "alert A", "contact is 'alert A'"),
        ("as left", "later", "state is 'later'"),
        ("radius_m: 13", "radius_m: long", ":5: radius_m needs a number"),
        ("# made_by", "# drive: PC2\n# made_by", "is for drive PC2, but PC1 is to be proved"),
        ("# reference_uncertainty_pct: 0.5\n", "", "reference_uncertainty_pct"),
    ],
)
def test_what_is_wrong_is_named_and_nothing_is_written(folder: Path, old: str, new: str, words: str) -> None:
    """One slip in a good file: one sentence, no record."""
    text = HEAD + "\n".join(rows()) + "\n"
    assert old in text

    with pytest.raises(NightrakeError) as caught:
        prove(folder, text.replace(old, new))

    assert words in str(caught.value)
    assert len(list((folder / "calibration").glob("PC1*"))) == 1


@pytest.mark.parametrize(("drive", "words"), [("PC9", "no drive 'PC9'"), ("GT1", "say which with --direction")])
def test_wrong_drive_is_named(folder: Path, drive: str, words: str) -> None:
    """Before anything is read."""
    with pytest.raises(NightrakeError, match=words):
        run_prove(folder, {}, drive, "", folder / "none.csv", Still())
