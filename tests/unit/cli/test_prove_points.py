"""Points by hand: a CSV file to record and certificate; everything that can be wrong with it names file and line."""

from __future__ import annotations

import datetime
import re
import shutil
import tomllib
from pathlib import Path

import pytest

from nightrake.cli.prove_csv import rows_of
from nightrake.cli.prove_file import SessionFile
from nightrake.cli.prove_points import session_of_file
from nightrake.cli.prove_readback import must_be_readable
from nightrake.cli.prove_result import write_whole
from nightrake.cli.prove_run import Proving, applied, run_prove
from nightrake.cli.prove_words import HEAD_NOTES
from nightrake.commissioning.proving import begun, contacts_adjusted, edge_seen, finishing, point_taken
from nightrake.commissioning.stillness import Still
from nightrake.errors import CalibrationError, NightrakeError
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


def day() -> datetime.date:
    """The day that a record of now bears."""
    return datetime.datetime.now(datetime.UTC).date()


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


def lighter(by: float) -> str:
    """The file with every pull times a factor, as by a wrong lever."""
    return re.sub(r"point,([0-9.]+) N", lambda m: f"point,{by * float(m[1]):.2f} N", HEAD + "\n".join(rows()))


@pytest.mark.blocks("draws a certificate")
def test_record_unlike_the_one_before_is_told_in_prove_certificate_and_check(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """2.5 % low: too little for a unit, the contacts pass, exit 0; after a stop it is completed with the same words."""
    assert prove(folder, lighter(0.975)) == 0
    said = " ".join(capsys.readouterr().out.split())
    ref = f"PC1-forward-{day()}"

    assert said.count("PASS") == 3
    assert "and PC1-forward-2026-03-14 before it" in said
    assert "more than both uncertainties allow" in said
    assert "Before the watch takes it with 'nightrake reload', be sure" in said
    page = folder / "calibration" / f"{ref}.html"
    assert "more than both uncertainties allow" in page.read_text()
    assert any(f"drive.PC1: record {ref}: look again" in w for w in load(folder).warnings)

    page.unlink()
    complete(folder, ref)
    assert "more than both uncertainties allow" in page.read_text()


@pytest.mark.blocks("draws a certificate")
def test_new_device_is_proved_where_the_old_one_s_record_lies(folder: Path) -> None:
    """Exchanged: serial and day come first, then its first record, which supersedes none."""
    drives = folder / "drives.toml"
    drives.write_text(drives.read_text().replace('device_serial = "FM-0101"', 'device_serial = "FM-0999"'))

    assert prove(folder, lighter(0.5)) == 1, "its springs are others, and so are its contacts'"

    (curve,) = load(folder).site.drives["PC1"].calibrations.values()
    assert curve.ref == f"PC1-forward-{day()}"
    assert len(list((folder / "calibration").glob("PC1*.toml"))) == 2
    made = tomllib.loads((folder / "calibration" / f"{curve.ref}.toml").read_text())
    assert (made["device_serial"], made.get("supersedes", "")) == ("FM-0999", "")


@pytest.mark.blocks("draws a certificate")
def test_only_a_pass_is_offered_to_the_watch(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """After a failure the last line says what the record would do, and how to keep it away."""
    assert prove(folder, HEAD + "\n".join(rows())) == 0
    assert capsys.readouterr().out.endswith("The watch takes it with: nightrake reload\n")
    text = HEAD + "\n".join(rows()).replace("operated,,15.0,,,alarm A", "operated,,13.0,,,alarm A")

    assert prove(folder, text.replace("14.60,,,alarm A", "12.6,,,alarm A")) == 1

    said = " ".join(capsys.readouterr().out.split())
    assert "The watch takes it" not in said
    assert said.endswith(f"reads torque by it, unless PC1-forward-{day()}-2.toml is moved out of the folder.")


@pytest.mark.blocks("draws a certificate")
def test_folder_by_a_relative_path_is_tried_in_its_own_place(
    folder: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """`..` from within the folder, twice: nothing is left where temporary files are made."""
    (folder / "sub").mkdir()
    (tmp_path / "temporary").mkdir()
    monkeypatch.chdir(folder / "sub")
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "temporary"))
    (tmp_path / "points.csv").write_text(HEAD + "\n".join(rows()))

    for _ in range(2):
        assert run_prove(Path(".."), {}, "PC1", "", tmp_path / "points.csv", Still()) == 0
        assert list((tmp_path / "temporary").iterdir()) == []


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
        ("what,torque,position_mm,branch,run,contact,state\n", "", "first row has to name the columns"),
        ("point,692.31 N", "point,692.31", ":9: the force is '692.31' without a unit"),
        ("point,692.31 N", "point,9 kN*m", ":9: the force is"),
        ("point,692.31 N", "pointe,692.31 N", ":9: 'pointe' is none of point"),
        (",0.546,", ",abc,", "position_mm needs a number, got 'abc'"),
        ("rising,1", "up,1", "branch is 'up'; expected rising or falling"),
        ("operated,,15.0,", "operated,32 kN*m,15.0,", "a torque does not belong to an operation or release"),
        ("# due_on", "# altered: -\n# due_on", ":7: altered: says too little with '-'"),
        ("alarm A", "alert A", "contact is 'alert A'"),
        ("as left", "later", "state is 'later'"),
        ("radius_m: 13", "radius_m: long", ":5: radius_m: the length is 'long'"),
        ("radius_m: 13", "radius_m: nan", ":5: radius_m: a length above 0"),
        ("radius_m: 13", "radius_m: -13", ":5: radius_m: a length above 0"),
        (
            "radius_m: 13",
            "arm_m: 0.4",
            "arm_m belongs to the method 'force at the arm', but the method is 'rakes tied off'",
        ),
        ("# method: rakes tied off\n", "", "method is missing; it is one of factory output"),
        ("rakes tied off", "factory output", "radius_m belongs to the method 'rakes tied off'"),
        ("rakes tied off", "force at the arm", "ratio is missing; 'force at the arm' multiplies by it"),
        ("reference_uncertainty_pct:", "reference_uncertanty_pct:", "did you mean 'reference_uncertainty_pct'?"),
        ("# due_on", "# made_on: 2020-01-01\n# due_on", ":7: 'made_on' is not taken"),
        ("# due_on", "# due on: 2031-01-01\n# due_on", ":7: 'due on' is no key of the head; did you mean 'due_on'?"),
        ("# due_on", "# due_on: 2031-01-01\n# due_on", ":8: due_on is given a second time"),
        ("# due_on", "# ambient_c: nan\n# due_on", ":7: ambient_c: a number from -60 to 100 is needed"),
        ("# due_on", "# ambient_c: 5000\n# due_on", ":7: ambient_c: a number from -60 to 100 is needed"),
        ("# due_on", "# form: cubic\n# due_on", ":7: form: straight, quadratic, segments are the forms"),
        ("due_on: 2032-11-25", "due_on: 2020-01-01", "due_on is 2020-01-01, not after the day it was made"),
        ("made_by: F. Example", "made_by: " + "x" * 81, ":1: made_by: a text of 1 to 80 characters is needed, got 81"),
        ("made_by: F. Example", "made_by: F.\u202e Example", ":1: made_by: holds a character that cannot be printed"),
        ("rising,1,,", "rising,1,,,,x", ":9: has 9 cells, but the first row names 7 columns"),
        ("point,692.31 N,0.546", "point,692.31 N,0,546", ":9: has 8 cells, but the first row names 7 columns"),
        ("point,692.31 N", "point,692,31 N", ":9: has 8 cells"),
        (",0.546,", ',"0,546",', "position_mm needs a number, got '0,546'; write a decimal point"),
        ("point,692.31 N", 'point,"692.31 N', ":9: is no row of cells"),
        ("point,692.31 N", "point," + "1" * 200_000, ":9: is no row of cells (field larger"),
        ("contact,state", "contact,contact", ":8: names a column twice"),
        ("rising,1,", "rising,-5,", "run is '-5'; expected a whole number from 1 to 1000"),
        ("rising,1,", "rising,1.5,", "run is '1.5'; expected a whole number"),
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


def semicolons(text: str) -> str:
    """The same file as a spreadsheet of a country with decimal commas writes it; its head stays."""
    return "".join(
        f"{line if line.startswith('#') else line.replace(',', ';').replace('.', ',')}\n" for line in text.splitlines()
    )


@pytest.mark.blocks("draws a certificate")
def test_semicolons_and_decimal_commas_are_the_same_file(folder: Path) -> None:
    """Every position and torque is what the file with decimal points gives."""
    text = HEAD + "\n".join(rows())
    assert prove(folder, text) == 0
    assert prove(folder, semicolons(text)) == 0

    first, second = (
        tomllib.loads((folder / "calibration" / f"PC1-forward-{day()}{more}.toml").read_text()) for more in ("", "-2")
    )

    assert first["point"] == second["point"]
    assert first["contact_point"] == second["contact_point"]


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (["point;9 kN*m;1,200", "point;10 kN*m;2,250"], ":2: position_mm is '1,200', whose comma may stand between"),
        (
            ["point;9 kN*m;1,2", "point;10 kN*m;2.25"],
            ":2: position_mm has a comma in '1,2', and line 3 a decimal point",
        ),
        (["point;9,5 kN*m;0,2", "point;1,250,5 N*m;0,3"], ":3: torque is '1,250,5 N*m', with two commas"),
        (["point;16,000 N*m;0,2"], ":2: torque is '16,000 N*m', whose comma may stand between thousands"),
    ],
)
def test_comma_that_may_be_two_things_is_refused(tmp_path: Path, rows: list[str], words: str) -> None:
    """A comma before three digits may stand between thousands; then a person has to say."""
    lines = ["what;torque;position_mm", *rows]

    with pytest.raises(CalibrationError) as caught:
        rows_of(tmp_path / "f", lines, ("what", "torque", "position_mm"), ("torque", "position_mm"))

    assert words in str(caught.value)


@pytest.mark.blocks("draws a certificate")
def test_example_of_the_readme_works_as_printed(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Copied out of the README: a record, three contacts that pass."""
    readme = (CONFIG.parent / "README.md").read_text()
    text = readme[readme.index("    # made_by") :].partition("\n\n")[0]

    assert prove(folder, re.sub(r"(?m)^    ", "", text) + "\n") == 0

    assert capsys.readouterr().out.count("PASS") == 3
    for key in HEAD_NOTES:
        assert f"`{key}`" in readme


@pytest.mark.blocks("draws a certificate")
def test_head_is_taken_whole(folder: Path) -> None:
    """Comments are none of it, no uncertainty of the method is a value, and the form is the one asked for."""
    head = HEAD.replace("pct: 0.4", "pct: 0").replace(
        "# due_on", "## Note: rain\n# it was: cold\n# form: segments\n# due_on"
    )

    assert prove(folder, head + "\n".join(rows())) == 0

    made = tomllib.loads((folder / "calibration" / f"PC1-forward-{day()}.toml").read_text())
    assert made["method_uncertainty_pct"] == 0.0
    assert made["fit"]["form"] == "straight segments"


def test_record_that_the_settings_refuse_is_not_written(folder: Path) -> None:
    """Its own reader looks at it first."""
    (text,) = [p.read_text() for p in (folder / "calibration").glob("PC1*.toml")]

    with pytest.raises(
        CalibrationError, match=r"(?s)would refuse this record.*config/calibration/X.toml.*run.*1 or more"
    ):
        must_be_readable(folder, {}, "X", "PC1", "forward", re.sub(r"run = 1\b", "run = -5", text, count=1))

    assert not (folder / "calibration" / "X.toml").exists()


def test_record_that_would_not_be_used_is_not_written(folder: Path) -> None:
    """Older than the one in force: the folder takes it, and the watch goes on with the other."""
    (text,) = [p.read_text() for p in (folder / "calibration").glob("PC1*.toml")]
    table = tomllib.loads(text)
    older = re.sub(r"(?m)^digest = .*$", "", text.replace(table["made_on"], "2020-01-01"))
    older = older.replace("format = 1", "").partition("[fit]")[0]

    with pytest.raises(CalibrationError, match="the watch would not use this record of PC1 forward"):
        must_be_readable(folder, {}, "X", "PC1", "forward", older)


@pytest.mark.blocks("draws a certificate")
def test_certificate_that_cannot_be_written_leaves_no_record(folder: Path) -> None:
    """A folder in its place, as a full disk would be in its way: neither is there, and the next run makes both."""
    page = folder / "calibration" / f"PC1-forward-{day()}.html"
    page.mkdir()
    text = HEAD + "\n".join(rows())

    with pytest.raises(CalibrationError, match=r"certificate was not written .* and the record neither"):
        prove(folder, text)
    assert not page.with_suffix(".toml").exists()

    page.rmdir()
    assert prove(folder, text) == 0
    assert page.with_suffix(".toml").exists()


def test_what_cannot_be_written_is_told_by_its_own_error(tmp_path: Path) -> None:
    """The temporary file cannot be taken away either, and that does not hide the sentence."""
    (tmp_path / "file").write_text("")

    with pytest.raises(CalibrationError, match="was not written"):
        write_whole(tmp_path / "file" / "X.toml", "x")


@pytest.mark.blocks("draws a certificate")
def test_marks_that_turn_words_round_stay_off_the_page(folder: Path) -> None:
    """U+202E in a drive's name."""
    drives = folder / "drives.toml"
    drives.write_text(drives.read_text().replace('"Primary clarifier 1"', '"Primary \\u202e clarifier 1"'))
    assert "\u202e" in load(folder).site.drives["PC1"].name

    assert prove(folder, HEAD + "\n".join(rows())) == 0

    page = (folder / "calibration" / f"PC1-forward-{day()}.html").read_text()
    assert "\u202e" not in page
    assert "202e" not in page.lower().replace(" ", "")[:4000]


@pytest.mark.blocks("draws a certificate")
def test_stop_after_the_record_was_written_completes_it(folder: Path) -> None:
    """The record is in force by then; making it anew gives the same file, not a second one that is refused."""
    assert prove(folder, HEAD + "\n".join(rows())) == 0
    ref = f"PC1-forward-{day()}"
    record = folder / "calibration" / f"{ref}.toml"
    before = record.read_text()

    assert complete(folder, ref)[0].startswith(f"Record {ref}")

    assert record.read_text() == before
    assert (folder / "calibration" / "PC1-forward.proving.finished").exists()


def complete(folder: Path, ref: str) -> list[str]:
    """Take up a proving of the same points that was stopped after its record was written."""
    settings = load(folder)
    proving = Proving(folder, {}, settings, settings.site.drives["PC1"], "forward")
    session = session_of_file(folder.parent / "points.csv", proving.head, applied)
    assert session.about is not None
    with SessionFile(folder / "calibration" / "PC1-forward.proving") as file:
        file.append(begun(session.about, 0))
        for event in (*map(point_taken, session.points), contacts_adjusted(), *map(edge_seen, session.edges)):
            file.append(event)
        file.append(finishing(ref, str(day())))
        return proving.complete(file)


@pytest.mark.blocks("draws a certificate")
def test_session_that_cannot_be_put_away_hides_no_verdict(folder: Path) -> None:
    """Record and certificate are there: what they say is told, and then what is left to do."""
    assert prove(folder, HEAD + "\n".join(rows())) == 0
    for number in range(1, 1000):
        (folder / "calibration" / f"PC1-forward.proving.finished{number if number > 1 else ''}").touch()

    lines = complete(folder, f"PC1-forward-{day()}")

    assert sum("PASS" in line for line in lines) == 3
    assert "a thousand finished sessions" in lines[-1]
