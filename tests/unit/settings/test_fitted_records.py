"""Records that bring their own fit: taken as they are, guarded by their digest, checked against their points."""

from __future__ import annotations

import json
from datetime import date

import pytest

import example_records
from nightrake.cli.check import run_check
from nightrake.cli.check_offline import report
from nightrake.domain.calibration import torque_of
from nightrake.domain.reading import Exactness
from nightrake.domain.site import Direction
from nightrake.plant.fennmark import fennmark_machines
from unit.settings.spoil import ROOT, TODAY, Folder

PC1 = "calibration/PC1-forward-2026-03-14.toml"
GT1_REVERSE = "calibration/GT1-reverse-2026-03-14.toml"


def test_records_of_the_example_are_those_of_its_script() -> None:
    """Whoever runs tests/example_records.py gets the same files, byte by byte where the processor's rounding allows."""
    for name, text in example_records.texts().items():
        kept = (ROOT / "config" / "calibration" / name).read_text(encoding="utf-8")
        assert without_last_bits(kept) == without_last_bits(text)


def without_last_bits(text: str) -> list[str]:
    """The lines but those whose last digits may differ between processors: coefficients, and so the digest."""
    return [line for line in text.splitlines() if not line.startswith(("coefficients =", "digest ="))]


@pytest.mark.parametrize("drive", ["PC1", "PC2", "SC1", "SC2", "GT1", "SCR1"])
def test_example_shows_the_truth_of_the_plant_within_its_uncertainty(fennmark: Folder, drive: str) -> None:
    """At every place of the travel, halfway between the branches; and the interval is under 1 % of shutdown torque."""
    arm = fennmark_machines()[drive].arm
    spec = fennmark.load().site.drives[drive]
    for side, curve in spec.calibrations.items():
        convert, sign = torque_of(curve), -1.0 if side is Direction.REVERSE else 1.0
        for tenth in range(10, 241):
            reading = convert(sign * tenth / 10)
            assert reading.kind is Exactness.EXACT
            assert reading.value is not None
            assert reading.uncertainty is not None
            assert abs(reading.value - (arm.preload_nm + arm.nm_per_mm * tenth / 10)) < 0.5 * reading.uncertainty
            assert reading.uncertainty < 0.01 * spec.shutdown_nm


def test_older_record_without_a_fit_states_no_uncertainty(fennmark: Folder) -> None:
    """Straight segments through its rising branch, as ever."""
    curve = fennmark.handwrite().load().site.drives["PC1"].calibrations[Direction.FORWARD]

    assert torque_of(curve)(12.5) == (Exactness.EXACT, 8_000.0 + 12.5 * 1_600.0, "", None)


def test_older_record_keeps_its_digest(fennmark: Folder) -> None:
    """The digest that this content had before records said their format (computed by that version)."""
    record = next(r for r in fennmark.handwrite().load().records if r.drive == "PC1")

    assert record.curve.digest == "4cde4bcc47b6d51ec570a0d28c5f2721c4ddbd1a5069a31afd42b7b924d39024"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("position_mm = 0.506", "position_mm = 0.507"),
        ('made_by = "F. Example"', 'made_by = "F. Exemple"'),
        ("expanded_nm = 153.0", "expanded_nm = 53.0"),
        ("reference_uncertainty_pct = 0.3", "reference_uncertainty_pct = 0.1"),
        ("operating_mm = 20.0,", "operating_mm = 20.5,"),
        ('due_on = "2028-03-14"', 'due_on = "2038-03-14"'),
    ],
)
def test_changed_record_is_refused(fennmark: Folder, old: str, new: str) -> None:
    """A record is never edited: points, head, contacts, fit and dates all stand under the digest."""
    fennmark.replace(PC1, old, new)
    (mistake,) = fennmark.mistakes()

    assert (mistake.file, mistake.key) == (f"config/{PC1}", "digest")
    assert "was changed after it was made: restore it, or make a new record" in mistake.text


def test_record_without_its_digest_is_refused(fennmark: Folder) -> None:
    """Leaving it out is no way around it."""
    text = (fennmark.path / PC1).read_text(encoding="utf-8")
    line = next(row for row in text.splitlines() if row.startswith("digest ="))
    fennmark.replace(PC1, line, "")
    (mistake,) = fennmark.mistakes()

    assert (mistake.key, "carries the digest that it was made with" in mistake.text) == ("digest", True)


def test_fit_without_a_format_is_refused(fennmark: Folder) -> None:
    """A fit in a record of the older form would stand under no digest."""
    fennmark.replace(PC1, "format = 1", "# format = 1")

    assert any(m.key == "fit" and "needs format = 1" in m.text for m in fennmark.mistakes())


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        ("format = 1", "format = 2", "format", "is 2; expected 1"),
        ("\nfrom_mm = ", "\nfrom_mm = 99", "fit.to_mm", "not above from_mm"),
        ('form = "straight line"', 'form = "quadratic"', "fit.coefficients", "has 2 numbers; a quadratic has 3"),
        ("coefficients = [", "coefficients = [1.0, -2.0]\n# [", "fit", "does not rise from from_mm to to_mm"),
        ("\nto_mm = 2", "\nto_mm = 3", "fit.uncertainty[1].position_mm", "evenly spaced from from_mm to to_mm"),
        ("asked =", 'form_of = "x"  # =', "fit.form_of", "unknown key"),
        ('shape = "normal"', 'shape = "bell"', "fit.budget[0].shape", "expected 'normal'"),
        ('branch = "falling"', 'branch = "down"', "point[10].branch", "expected 'rising' or 'falling'"),
    ],
)
def test_fit_that_is_no_curve_is_refused(fennmark: Folder, old: str, new: str, key: str, words: str) -> None:
    """Each with its key and line, whatever its digest."""
    fennmark.replace(PC1, f"# {old}" if old == "asked =" else old, new)
    told = [m for m in fennmark.mistakes() if m.key == key]

    assert [words in m.text for m in told] == [True], [str(m) for m in fennmark.mistakes()]
    assert told[0].line > 0


def test_reverse_record_with_positive_positions_is_refused(fennmark: Folder) -> None:
    """A record of the wrong side."""
    fennmark.replace(GT1_REVERSE, "position_mm = -", "position_mm = ")

    assert any("positions of the reverse direction are negative" in m.text for m in fennmark.mistakes())


def test_fit_that_is_not_that_of_its_points_is_told_by_check(fennmark: Folder) -> None:
    """A forged fit may have a digest that fits; `check` computes it anew."""
    assert "does not belong to the record's points" not in flat(report(fennmark.load()))
    text = (fennmark.path / PC1).read_text(encoding="utf-8")
    line = next(row for row in text.splitlines() if row.startswith("coefficients ="))
    c0, c1 = line.removeprefix("coefficients = [").removesuffix("]").split(", ")
    fennmark.replace(PC1, line, f"coefficients = [{float(c0) - 3_000.0!r}, {c1}]")
    fennmark.reseal(PC1)
    words = flat(report(fennmark.load()))

    assert "[fit] does not belong to the record's points: the stored coefficients[0] is" in words


def test_check_ends_badly_where_a_fit_is_forged(fennmark: Folder, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 1, and no word of validity; else 0."""
    assert run_check(fennmark.path, {}, live=False, as_json=False) == 0
    text = (fennmark.path / PC1).read_text(encoding="utf-8")
    line = next(row for row in text.splitlines() if row.startswith("coefficients ="))
    c0, c1 = line.removeprefix("coefficients = [").removesuffix("]").split(", ")
    fennmark.replace(PC1, line, f"coefficients = [{float(c0) + 2_000.0!r}, {c1}]")
    fennmark.reseal(PC1)
    capsys.readouterr()

    assert run_check(fennmark.path, {}, live=False, as_json=False) == 1
    words = flat(capsys.readouterr().out)
    assert "can be read, but are not to be used: a calibration record's curve is not that of its points" in words
    assert "are valid" not in words
    assert run_check(fennmark.path, {}, live=False, as_json=True) == 1
    assert "does not belong to the record's points" in json.loads(capsys.readouterr().out)["record_faults"][0]


def test_check_names_records_that_are_not_used_and_why(fennmark: Folder) -> None:
    """Older, of another device, still to come; nothing is said where every record is in force."""
    assert not any("not used" in w for w in fennmark.load().warnings)
    text = (fennmark.path / PC1).read_text(encoding="utf-8")
    for day, serial in (("2026-03-01", "FM-0101"), ("2026-10-30", "ZZ-999"), ("2027-05-01", "FM-0101")):
        file = f"calibration/PC1-forward-{day}.toml"
        fennmark.write(file, text.replace('"2026-03-14"', f'"{day}"').replace('"FM-0101"', f'"{serial}"'))
        fennmark.reseal(file)
    (told,) = (w for w in fennmark.load().warnings if "not used" in w)

    assert told == (
        "drive.PC1: PC1-forward-2026-03-14 is in force for forward; not used: "
        "PC1-forward-2026-03-01 (older, of 2026-03-01), "
        "PC1-forward-2026-10-30 (of device 'ZZ-999', and the drive carries 'FM-0101'), "
        "PC1-forward-2027-05-01 (dated 2027-05-01, still to come)"
    )


def test_long_history_is_named_shortly(fennmark: Folder) -> None:
    """Five of seven older ones."""
    text = (fennmark.path / PC1).read_text(encoding="utf-8")
    for year in range(2018, 2025):
        file = f"calibration/PC1-forward-{year}-03-14.toml"
        fennmark.write(file, text.replace('"2026-03-14"', f'"{year}-03-14"'))
        fennmark.reseal(file)

    (told,) = (w for w in fennmark.load().warnings if "not used" in w)
    assert told.endswith("(older, of 2022-03-14) and 2 more")


def flat(text: str) -> str:
    """Without line breaks."""
    return " ".join(text.split())


def test_two_drives_with_one_serial_are_told(fennmark: Folder) -> None:
    """A device is on one drive."""
    fennmark.replace("drives.toml", 'device_serial = "FM-0201"', 'device_serial = "FM-0101"')

    assert any(
        m.key == "drive.SC1.device_serial" and "serial of drive.PC1's device too" in m.text for m in fennmark.mistakes()
    )


def test_record_with_the_serial_of_another_drives_device_is_told(fennmark: Folder) -> None:
    """PC2 states no serial of its own, but its record says PC1's."""
    file = "calibration/PC2-forward-2026-03-14.toml"
    fennmark.replace(file, 'device_serial = "FM-0102"', 'device_serial = "FM-0101"')
    fennmark.reseal(file)
    (mistake,) = fennmark.mistakes()

    text = (fennmark.path / file).read_text(encoding="utf-8")
    line = 1 + text[: text.index('device_serial = "')].count("\n")
    assert (mistake.file, mistake.line, mistake.key) == (f"config/{file}", line, "device_serial")
    assert "drive.PC1's device too" in mistake.text


def test_day_of_the_device_that_is_none_is_refused(fennmark: Folder) -> None:
    """Nothing can be held against it."""
    fennmark.replace("drives.toml", '# device_since = ""', 'device_since = "May"')

    assert any("is 'May'" in m.text for m in fennmark.mistakes())


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ('# device_since = ""', 'device_since = "2026-04-01"', "before the device came onto the drive on 2026-04-01"),
        ('device_serial = "FM-0101"', 'device_serial = "FM-0999"', "of device 'FM-0101', and the drive carries"),
    ],
)
def test_record_of_the_device_before_is_told_and_not_used(fennmark: Folder, old: str, new: str, why: str) -> None:
    """An exchanged device stops no site: the drive shows no torque until it is proved, the others go on."""
    fennmark.replace("drives.toml", old, new)
    settings = fennmark.load()

    assert settings.site.drives["PC1"].calibrations == {}
    assert all(d.calibrations for i, d in settings.site.drives.items() if i != "PC1")
    (told,) = (w for w in settings.warnings if w.startswith("drive.PC1: no record is in force for forward"))
    assert why in told
    assert "until it is proved ('nightrake prove') it shows no torque" in told


def test_new_record_supersedes_the_old_one(fennmark: Folder) -> None:
    """Both stay; the newer is in force from its own day on."""
    text = (fennmark.path / PC1).read_text(encoding="utf-8").replace('"2026-03-14"', '"2026-10-30"')
    file = "calibration/PC1-forward-2026-10-30.toml"
    fennmark.write(file, text)
    fennmark.reseal(file)

    def ref(today: date) -> str:
        return fennmark.load(today=today).site.drives["PC1"].calibrations[Direction.FORWARD].ref

    assert ref(TODAY) == "PC1-forward-2026-10-30"
    assert ref(date(2026, 10, 29)) == "PC1-forward-2026-03-14"
