"""What a reload changed is told in the words of the settings."""

from __future__ import annotations

import pytest

from nightrake.settings import reload_diff
from unit.settings.spoil import Folder


def test_nothing_changed(fennmark: Folder) -> None:
    """The same folder again."""
    assert reload_diff(fennmark.load(), fennmark.load()) == ["nothing changed"]


@pytest.mark.parametrize(
    ("file", "old", "new", "line"),
    [
        ("drives.toml", "turn_s = 20.0", "turn_s = 25.0", "drive SCR1: turn_s 20 -> 25"),
        ("drives.toml", '"Gravity thickener"', '"Thickener"', "drive GT1: name 'Gravity thickener' -> 'Thickener'"),
        (
            "drives.toml",
            "debounce_operate_s = 0.5",
            "debounce_operate_s = 0.4",
            "drive PC1: contact forward alarm A changed",
        ),
        (
            "drives.toml",
            'speed = { table = "holding", address = 42, type = "float32", order = "BADC" }',
            "",
            "drive SCR1: speed is gone",
        ),
        ("drives.toml", "rake_lift_mm =", "lift_mm =", "drive GT1: kept lift_mm is new"),
        ("drives.toml", "alarm_nm = 90000.0", "alarm_nm = 91000.0", "drive GT1: alarm_nm 90000 -> 91000"),
        ("plcs.toml", "# min_gap_s = 0.0  ", "min_gap_s = 0.01 ", "PLC PLCA: min_gap_s 0 -> 0.01"),
        ("people.toml", "[person.fitter1]", "[person.fitter2]", "person fitter1 is gone"),
        ("site.toml", "port = 18831", "port = 18832", "[mqtt]: port 18831 -> 18832"),
        (
            "site.toml",
            '"Fennmark treatment works"',
            '"Fennmark"',
            "site: name 'Fennmark treatment works' -> 'Fennmark'",
        ),
        ("site.toml", "# require_sync = false", "require_sync = true", "[clock]: require_sync false -> true"),
    ],
)
def test_change_is_told(fennmark: Folder, file: str, old: str, new: str, line: str) -> None:
    """Table, key, and the values where they are short."""
    before = fennmark.load()
    fennmark.replace(file, old, new)

    assert line in reload_diff(before, fennmark.load())


def test_new_record_is_told(fennmark: Folder) -> None:
    """Which record is in force now."""
    before = fennmark.load()
    path = fennmark.path / "calibration"
    (path / "GT1-forward-2026-03-14.toml").rename(path / "other.toml")

    assert reload_diff(before, fennmark.load()) == [
        "drive GT1: calibration record forward 'GT1-forward-2026-03-14' -> 'other'"
    ]


def test_new_drive_is_told_and_no_other(fennmark: Folder) -> None:
    """Five lines more, one sentence more."""
    before = fennmark.load()
    fennmark.append("drives.toml", '[drive.PC3]\ntemplate = "primary"\nname = "Third"\nplc = "PLCA"\nshift = 30')

    assert reload_diff(before, fennmark.load()) == ["drive PC3 is new"]


def test_reply_stays_readable(fennmark: Folder) -> None:
    """A folder that changes everything gives a bounded reply."""
    before = fennmark.load()
    people = "\n".join(f'[person.p{i}]\nname = "P"\nrole = "operator"' for i in range(400))
    fennmark.append("people.toml", people)

    lines = reload_diff(before, fennmark.load())

    assert len(lines) == 201
    assert lines[-1] == "and 200 more changes"
