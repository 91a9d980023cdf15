"""Calibration records: averaged, checked in sentences of their own, the newest of the right device in force."""

from __future__ import annotations

from datetime import date

import pytest

from nightrake.domain.calibration import torque_of
from nightrake.domain.site import CalibrationCurve, Direction
from unit.settings.spoil import Folder

GT1_REVERSE = "calibration/GT1-reverse-2026-03-14.toml"
PC1 = "calibration/PC1-forward-2026-03-14.toml"
HEAD = """
drive = "PC1"
device_serial = "FM-0101"
made_by = "F. Example"
made_on = {made_on}
method = "rakes tied off"
"""


@pytest.fixture
def fennmark(fennmark: Folder) -> Folder:
    """The example with two records that people wrote by hand."""
    return fennmark.handwrite()


def record(*points: tuple[float, float, str, int], made_on: str = '"2026-06-01"') -> str:
    """A record's text from (torque, position, branch, run)."""
    lines = [
        f'[[point]]\ntorque_nm = {t}\nposition_mm = {x}\nbranch = "{branch}"\nrun = {run}'
        for t, x, branch, run in points
    ]
    return HEAD.format(made_on=made_on) + "\n".join(lines)


def rising(*pairs: tuple[float, float], run: int = 1) -> list[tuple[float, float, str, int]]:
    """Points of the rising branch from (torque, position)."""
    return [(t, x, "rising", run) for t, x in pairs]


def curve_of(folder: Folder, drive: str = "PC1", today: date = date(2026, 11, 1)) -> CalibrationCurve:
    """The forward curve in force."""
    return folder.load(today=today).site.drives[drive].calibrations[Direction.FORWARD]


def test_example_gives_the_torques_of_the_factory(fennmark: Folder) -> None:
    """Straight segments through the printed slope; reverse positions are negative."""
    drives = fennmark.load().site.drives
    forward = torque_of(drives["PC1"].calibrations[Direction.FORWARD])
    reverse = torque_of(drives["GT1"].calibrations[Direction.REVERSE])

    assert forward(12.5).value == pytest.approx(8000.0 + 12.5 * 1600.0)
    assert reverse(-16.0).value == pytest.approx(90000.0)
    assert drives["GT1"].calibrations[Direction.REVERSE].falling_mm == (-5.0, -15.0, -24.0)
    assert drives["PC1"].calibrations[Direction.FORWARD].due_utc_ms == 1836604800000


def test_runs_are_averaged_point_by_point(fennmark: Folder) -> None:
    """The same torques applied twice find the arm at slightly different positions."""
    runs = [
        *rising((8000, 0.0), (24000, 10.0), (40000, 20.0)),
        *rising((8000, 0.2), (24000, 10.2), (40000, 20.2), run=2),
    ]
    fennmark.write("calibration/again.toml", record(*runs))

    curve = curve_of(fennmark)

    assert curve.ref == "again"
    assert curve.position_mm == pytest.approx((0.1, 10.1, 20.1))
    assert curve.torque_nm == (8000.0, 24000.0, 40000.0)


def test_runs_of_different_length_are_averaged_by_torque(fennmark: Folder) -> None:
    """A run that was broken off counts where it has been."""
    runs = [*rising((8000, 0.0), (24000, 10.0), (40000, 20.0)), *rising((8000, 0.2), (24000, 10.2), run=2)]
    fennmark.write("calibration/again.toml", record(*runs))

    assert curve_of(fennmark).position_mm == pytest.approx((0.1, 10.1, 20.0))


def test_newest_record_that_is_not_in_the_future_is_in_force(fennmark: Folder) -> None:
    """A record laid down for next week changes nothing before its day."""
    fennmark.write("calibration/next.toml", record(*rising((8000, 0.0), (40000, 19.0)), made_on="2026-11-02"))

    assert curve_of(fennmark, today=date(2026, 11, 1)).ref == "PC1-forward-2026-03-14"
    assert curve_of(fennmark, today=date(2026, 11, 2)).ref == "next"


def test_record_of_an_exchanged_device_stays_as_history(fennmark: Folder) -> None:
    """The drive's own device decides, not the date."""
    other = record(*rising((8000, 0.0), (40000, 19.0))).replace("FM-0101", "FM-0999")
    fennmark.write("calibration/other.toml", other)

    assert curve_of(fennmark).ref == "PC1-forward-2026-03-14"


def test_drive_left_without_a_record_of_its_device_is_told(fennmark: Folder) -> None:
    """The only record is of another device: it stays as history, and torque is not shown by it."""
    fennmark.replace("drives.toml", 'device_serial = "FM-0101"', 'device_serial = "FM-0109"')
    settings = fennmark.load()

    assert settings.site.drives["PC1"].calibrations == {}
    assert any("and the drive carries 'FM-0109'" in w for w in settings.warnings)


def test_record_that_says_another_torque_than_the_one_before_is_told(fennmark: Folder) -> None:
    """Of the same device, unless it is said to be altered."""
    text = record(*rising((8000, 0.0), (24000, 8.0), (40000, 16.0)))
    fennmark.write("calibration/steep.toml", text)
    told = [w for w in fennmark.load().warnings if "look again" in w]
    fennmark.write("calibration/steep.toml", 'remarks = "cold; device altered: springs"\n' + text)

    assert len(told) == 1
    assert told[0].startswith("drive.PC1: record steep: look again: with the arm at 16.00 mm this record says 40.00")
    assert not [w for w in fennmark.load().warnings if "look again" in w]


def test_two_records_of_one_day_are_ambiguous(fennmark: Folder) -> None:
    """Neither can be in force."""
    fennmark.write("calibration/twin.toml", record(*rising((8000, 0.0), (40000, 19.0)), made_on="2026-03-14"))

    (mistake,) = fennmark.mistakes()

    assert "only one can be in force" in mistake.text
    assert mistake.line == 1 + HEAD[: HEAD.index("made_on")].count("\n")


def test_digest_guards_the_record(fennmark: Folder) -> None:
    """Given and right it is taken; after a change of a point it is refused; comments do not matter."""
    digest = curve_of(fennmark).digest
    fennmark.replace(PC1, '# digest = ""', f'digest = "{digest}"  #')

    assert curve_of(fennmark).digest == digest

    fennmark.append(PC1, "# a comment more")
    assert curve_of(fennmark).digest == digest

    fennmark.replace(PC1, "46400.0", "46401.0")
    (mistake,) = fennmark.mistakes()
    assert (mistake.key, "changed after it was made" in mistake.text) == ("digest", True)


@pytest.mark.parametrize(
    ("file", "old", "new", "key", "words"),
    [
        (PC1, 'drive = "PC1"', 'drive = "PC9"', "drive", "did you mean 'PC"),
        (PC1, 'direction = "forward"', 'direction = "reverse"', "direction", "does not sense"),
        (PC1, 'made_on = "2026-03-14"', 'made_on = "14.3.2026"', "made_on", "such as 2026-03-14"),
        (PC1, 'due_on = "2028-03-14"', "due_on = 2026-01-01", "due_on", "not after the day it was made"),
        (PC1, 'due_on = "2028-03-14"', 'due_on = "soon"', "due_on", "expected a date"),
        (PC1, 'method = "factory output"', 'method = "guess"', "method", "'factory output'"),
        (PC1, "ambient_c = 21.0", "ambient_f = 70.0", "ambient_f", "did you mean 'ambient_c'?"),
        (PC1, "torque_nm = 24000.0", "torque_nm = 15000.0", "point[2]", "does not rise from 5 mm"),
        (PC1, "position_mm = 10.0", "position_mm = 5.0", "point[2]", "leave out torques that the preload holds back"),
        (PC1, "torque_nm = 24000.0", "torque_nm = -24000.0", "point[2].torque_nm", "is negative"),
        (PC1, "torque_nm = 24000.0", "torque_nm = nan", "point[2].torque_nm", "finite"),
        (PC1, 'branch = "rising"', 'branch = "up"', "point[0].branch", "expected 'rising' or 'falling'"),
        (
            GT1_REVERSE,
            "position_mm = -10.0",
            "position_mm = 10.0",
            "point[2].position_mm",
            "reverse direction are negative",
        ),
    ],
)
def test_slip_in_a_record_is_named(fennmark: Folder, file: str, old: str, new: str, key: str, words: str) -> None:
    """Each with its file, key and line."""
    fennmark.replace(file, old, new)

    told = [m for m in fennmark.mistakes() if m.key == key]

    assert [(m.file, words in m.text) for m in told] == [(f"config/{file}", True)]
    assert told[0].line > 0


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("PC11", "there is no drive 'PC11'; did you mean 'PC1'? If it was taken out, move this file away"),
        ("Zorro", "there is no drive 'Zorro'; correct the name, or if it was taken out, move this file away"),
    ],
)
def test_record_of_no_drive_is_a_mistake_and_says_what_to_do(fennmark: Folder, name: str, words: str) -> None:
    """A slip, another name or a drive that is gone look the same; in a folder below it does no harm."""
    fennmark.replace(PC1, 'drive = "PC1"', f'drive = "{name}"')
    assert [(m.key, m.text.startswith(words)) for m in fennmark.mistakes()] == [("drive", True)]

    gone = fennmark.path / "calibration" / "gone"
    gone.mkdir()
    (fennmark.path / PC1).rename(gone / "PC1.toml")
    assert Direction.FORWARD not in fennmark.load().site.drives["PC1"].calibrations


@pytest.mark.parametrize(
    ("factor", "words"),
    [(0.001, "kN.m"), (1000.0, "mN.m"), (1 / 9.80665, "kgf.m"), (8.850746, "lbf.in"), (30.0, "another drive's")],
)
def test_mixed_up_torque_units_are_guessed(fennmark: Folder, factor: float, words: str) -> None:
    """The highest torque, beside the drive's shutdown torque, gives the unit away."""
    points = rising(*((t * factor, x) for t, x in ((8000, 0.0), (24000, 10.0), (44000, 22.0))))
    fennmark.write("calibration/again.toml", record(*points))

    (mistake,) = fennmark.mistakes()

    assert mistake.key == "point[2].torque_nm"
    assert words in mistake.text


@pytest.mark.parametrize(("top_mm", "words"), [(22.0 / 25.4, "inches"), (22.0 * 25.4, "units mixed up")])
def test_mixed_up_length_units_are_guessed(fennmark: Folder, top_mm: float, words: str) -> None:
    """The arm's travel beside the transducer's span."""
    fennmark.write("calibration/again.toml", record(*rising((8000, 0.0), (44000, top_mm))))

    (mistake,) = fennmark.mistakes()

    assert mistake.key == "point[1].position_mm"
    assert words in mistake.text


def test_one_point_is_no_record(fennmark: Folder) -> None:
    """A line needs two points."""
    fennmark.write("calibration/again.toml", record(*rising((8000, 0.0)), (7000, 1.0, "falling", 1)))

    assert [(m.key, "needs two or more" in m.text) for m in fennmark.mistakes()] == [("point", True)]


def test_folder_without_records_is_allowed(fennmark: Folder) -> None:
    """Contacts work without torque."""
    for file in (fennmark.path / "calibration").iterdir():
        file.unlink()
    (fennmark.path / "calibration").rmdir()

    assert all(not d.calibrations for d in fennmark.load().site.drives.values())
