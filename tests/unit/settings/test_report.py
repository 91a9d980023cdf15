"""`nightrake check`: what a valid folder means, and what each drive cannot notice."""

from __future__ import annotations

import pytest

from nightrake.cli.check_offline import report
from nightrake.domain.readplan import make_plan
from nightrake.domain.witness import is_witness
from unit.settings.spoil import Folder


def told(folder: Folder) -> str:
    """The report as one line of single spaces, so that line ends do not matter."""
    return " ".join(report(folder.load()).split())


def drive_part(folder: Folder, drive: str) -> str:
    """What the report says of one drive."""
    paragraphs = report(folder.load()).split("\n\n")
    return " ".join(next(p for p in paragraphs if p.startswith(f"{drive} ")).split())


def test_report_fits_eighty_columns(fennmark: Folder) -> None:
    """It is read in a terminal, and pasted into a mail."""
    assert max(map(len, report(fennmark.load()).split("\n"))) <= 80


def test_requests_per_second_follow_the_read_plan(fennmark: Folder) -> None:
    """Counted from the plan that the watch will use."""
    settings = fennmark.load()
    for endpoint in settings.site.endpoints.values():
        points = [p for d in settings.site.drives.values() for p in d.points().values() if p.endpoint == endpoint.id]
        rate = sum(1e9 / b.period_ns for b in make_plan(endpoint, points).blocks)
        assert f"{endpoint.id} (127.0.0.1:{endpoint.port}): {rate:.3g} in" in told(fennmark)


def test_drives_with_normally_open_contacts_are_named(fennmark: Folder) -> None:
    """Three of six cannot see a cut wire, and the contact is named; the others are not blamed."""
    for drive in ("SC1", "SC2", "SCR1"):
        assert "! cannot notice a broken wire of forward alarm A" in drive_part(fennmark, drive)
    for drive in ("PC1", "PC2", "GT1"):
        assert "!" not in drive_part(fennmark, drive)
    assert "Nothing marked: PC1, PC2, GT1." in told(fennmark)


def test_foot_names_no_drive_that_is_marked_anywhere(fennmark: Folder) -> None:
    """A record that is not used is a mark below the drives."""
    fennmark.replace("drives.toml", "shutdown_nm = 112500.0", "shutdown_nm = 125000.0")
    text = told(fennmark)

    assert "! drive.GT1: record GT1-" in text
    assert "Nothing marked: PC1, PC2." in text


def test_drive_without_witness_is_named(fennmark: Folder) -> None:
    """SC1's and SC2's zeros are known by the rack bit only; without it nobody could tell a restart."""
    text = '[template.secondary.rack_healthy]\npoint = { table = "holding", address = 0, bit = 3 }'
    fennmark.replace("drives.toml", text, "")

    assert "! cannot notice a restart of PLCB unit 1" in drive_part(fennmark, "SC1")
    assert "cannot notice a restart" not in drive_part(fennmark, "PC1")


@pytest.mark.parametrize(
    ("old", "words"),
    [
        ("turn_s = 20.0\n", ""),
        ('[drive.SCR1.running]\npoint = { table = "coil", address = 2 }', "cannot confirm a stop"),
        ("alarm_nm = 6400.0\n", "set points are not stated"),
    ],
)
def test_what_is_left_out_is_told(fennmark: Folder, old: str, words: str) -> None:
    """Each missing part, with what it costs."""
    fennmark.replace("drives.toml", old, "")

    assert ("! " + words in drive_part(fennmark, "SCR1")) if words else "turn" not in drive_part(fennmark, "SCR1")


def test_plc_without_heartbeat_is_told_by_unit(fennmark: Folder) -> None:
    """Behind a gateway each unit has a program of its own."""
    fennmark.replace("drives.toml", 'heartbeat = { table = "input", address = 0, type = "uint16" }\n', "")

    assert "! PLC GWC unit 4: no heartbeat" in told(fennmark)


def test_record_past_its_date_is_told(fennmark: Folder) -> None:
    """Due the day before."""
    fennmark.replace("calibration/PC1-forward-2026-03-14.toml", '"2028-03-14"', "2026-10-31")
    fennmark.reseal("calibration/PC1-forward-2026-03-14.toml")

    assert "past its due date" in drive_part(fennmark, "PC1")
    assert "past its due date" not in drive_part(fennmark, "PC2")


def test_drive_without_record_is_told(fennmark: Folder) -> None:
    """Contacts only."""
    (fennmark.path / "calibration" / "GT1-reverse-2026-03-14.toml").unlink()

    assert "shows no torque for reverse: no calibration record" in drive_part(fennmark, "GT1")


@pytest.mark.parametrize(
    ("file", "old", "new", "words"),
    [
        (
            "drives.toml",
            'table = "input", address = 12,',
            'table = "input", address = 30013,',
            "plc.GWC: the PDU addresses 30013 look like",
        ),
        (
            "drives.toml",
            "lo_mm = -25.0",
            "lo_mm = 0.0",
            "drive.GT1: reverse is sensed, but the position never falls below 0",
        ),
        ("drives.toml", "shutdown_nm = 8000.0", "shutdown_nm = 9900.0", "N.m, below the shutdown torque of 9900"),
        (
            "calibration/PC1-forward-2026-03-14.toml",
            "operating_mm = 15.0",
            "operating_mm = 12.0",
            "27200 N.m, but alarm_nm says 32000",
        ),
        (
            "site.toml",
            "port = 18831",
            'username = "u"\npassword_file = "/nonexistent/p"',
            "mqtt.password: /nonexistent/p cannot be read",
        ),
    ],
)
def test_doubts_are_told(fennmark: Folder, file: str, old: str, new: str, words: str) -> None:
    """What is allowed but seldom meant; of the example, that nobody in it can act yet."""
    assert told(fennmark).partition("Look at these too")[2].count("!") == 2  # the closing line names the mark, too
    assert words not in told(fennmark)

    if file.startswith("calibration/"):
        fennmark.handwrite()
    fennmark.replace(file, old, new)

    assert words in told(fennmark)


def test_witnesses_of_the_example(fennmark: Folder) -> None:
    """Closed contacts that are 1, live zeros and rack bits; a heartbeat passes through zero."""
    drives = fennmark.load().site.drives
    witnesses = {d.id: {r for r in d.points() if is_witness(d, r)} for d in drives.values()}

    assert witnesses["PC1"] == {
        "contact:forward/alarm/A",
        "contact:forward/shutdown/A",
        "contact:forward/shutdown/B",
        "position",
        "rack_healthy",
    }
    assert witnesses["SC1"] == {"rack_healthy"}
    assert "position" in witnesses["GT1"]
    assert witnesses["SCR1"] == {"contact:forward/shutdown/A"}


def test_drive_whose_own_contact_is_the_only_witness_is_told(fennmark: Folder) -> None:
    """SCR1's gateway unit serves nothing else that is never zero; the others have a position or a rack bit."""
    words = "cannot tell its own shutdown from a restart of GWC unit 4"

    assert words in drive_part(fennmark, "SCR1")
    assert "cannot tell its own" not in drive_part(fennmark, "PC1")
    assert "cannot tell its own" not in drive_part(fennmark, "SC1")
