"""From a session to a record: whose record it is, what is known beside the points, what has to be said of it."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from nightrake.cli.prove_result import write_record
from nightrake.commissioning.fit import UnfitError, basis_for, least_squares
from nightrake.commissioning.points import STRAIGHT_LINE, STRAIGHT_SEGMENTS, CalibrationPoint
from nightrake.commissioning.record import curve_of
from nightrake.commissioning.refusals import RecordRefused
from nightrake.domain.site import CalibrationCurve, Direction
from nightrake.settings import load
from unit.commissioning.examples import CONFIG, example, read, table_of
from unit.commissioning.sessions import ABOUT, TODAY, drive, edges, good, proved
from unit.commissioning.stands import points


def test_record_of_another_serial_is_refused() -> None:
    """The watch would take the old device's curve for the new one; the settings come first."""
    with pytest.raises(RecordRefused, match=r"is 'ZZ-9', but by the settings drive D carries 'S'.*device_since of D$"):
        proved(about=replace(ABOUT, device_serial="ZZ-9"))

    assert proved(about=replace(ABOUT, device_serial="ZZ-9"), of=drive(device_serial="")).record


def test_contact_that_the_drive_has_not_is_refused_by_name() -> None:
    """Its rows are not dropped silently."""
    seen = [*good(), *edges("alarm", [14.0], [13.0], channel="B")]

    with pytest.raises(RecordRefused, match="contact 'alarm B' is none of D forward, which has alarm A, shutdown A;"):
        proved(seen)


def resprung() -> list[CalibrationPoint]:
    """The same device with springs of 2170 N.m a mm."""
    return [replace(p, position_mm=round(p.position_mm / 1.356, 4)) for p in points()]


def test_altered_device_is_taken_where_a_person_says_so() -> None:
    """The same serial with another slope looks like mixed-up units, until somebody says what was altered."""
    before = drive(calibrations={Direction.FORWARD: curve_of(proved().record)})
    with pytest.raises(RecordRefused, match="or was the device altered since"):
        proved([], resprung(), of=before)

    made = proved([], resprung(), replace(ABOUT, altered="new springs"), before)

    assert made.record.content.remarks == "device altered: new springs"
    assert made.record.content.supersedes.startswith("D-forward")


def test_slope_of_another_device_does_not_count() -> None:
    """A drive without a serial may carry any: its record in force says nothing of this device."""
    old: CalibrationCurve = curve_of(proved().record)

    assert proved([], resprung(), of=drive(device_serial="", calibrations={Direction.FORWARD: old})).record


def test_transducer_and_temperature_come_from_the_specification() -> None:
    """0.2 % of 25 mm; springs -0.025 % a kelvin, and from 20 C it is 35 K to the cold end of -15 to 40 C."""
    spec = replace(example().site.drives["PC1"], device_serial="S", calibrations={})
    about = replace(ABOUT, drive="PC1")
    made = proved([], about=about, of=spec, specification=table_of("PC1"))
    bare = proved([], about=about, of=spec)

    content = made.record.content
    assert content.transducer_error_mm == pytest.approx(0.05)
    assert content.temperature_pct_per_k == pytest.approx(-0.025)
    assert content.temperature_range_k == 35.0
    assert made.record.budget.left_out == ()
    assert made.remarks == ()
    assert bare.record.budget.left_out == ("transducer", "temperature")
    assert max(made.record.budget.result.expanded_nm) > 1.3 * max(bare.record.budget.result.expanded_nm)


def test_temperature_of_a_proof_that_nobody_noted_may_have_been_any() -> None:
    """The whole range of the site then."""
    spec = replace(example().site.drives["PC1"], device_serial="S", calibrations={})
    about = replace(ABOUT, drive="PC1", ambient_c=None)

    assert proved([], about=about, of=spec, specification=table_of("PC1")).record.content.temperature_range_k == 55.0


def test_resolution_that_the_plc_does_not_tell_is_the_specification_s() -> None:
    """SC1's float in mm."""
    spec = replace(read("SC1")[0].drive, device_serial="S", calibrations={}, shutdown_nm=40_000.0, alarm_nm=32_000.0)
    table = table_of("SC1", {"shutdown": None, "alarm": None})

    assert (
        proved([], about=replace(ABOUT, drive="SC1"), of=spec, specification=table).record.content.resolution_mm == 0.01
    )


def test_uncertainty_that_lacks_a_source_is_marked_wherever_it_is_said() -> None:
    """In every verdict, and what the mark means below them."""
    made = proved(taken=points(runs=1))

    assert all("*)" in v.text for v in made.verdicts)
    assert made.remarks[0] == (
        "* nothing is known of between runs (one run only), transducer, temperature: it is not in the uncertainty"
    )


def test_form_can_be_asked_for() -> None:
    """By a short name; another one is refused with those that there are."""
    assert proved(about=replace(ABOUT, form="segments")).record.fit.form == STRAIGHT_SEGMENTS
    assert proved(about=replace(ABOUT, form="straight")).record.fit.form == STRAIGHT_LINE
    with pytest.raises(
        RecordRefused, match=r"^form is 'cubic'; expected straight, quadratic, segments, or leave it out$"
    ):
        proved(about=replace(ABOUT, form="cubic"))


def test_curve_that_does_not_fit_is_said_and_recorded(tmp_path: Path) -> None:
    """Springs with a kink: neither form is theirs; straight segments are, and they are offered."""
    kinked = [replace(p, position_mm=round(p.position_mm - max(0.0, p.position_mm - 12.0) * 0.3, 4)) for p in points()]
    made = proved([], kinked)
    segments = proved([], kinked, replace(ABOUT, form="segments"))

    assert made.remarks[1].startswith("neither straight line nor quadratic fits these points by its own test (lack of")
    assert made.remarks[1].endswith("or ask for straight segments with form = segments")
    assert made.record.table["fit"]["lack_p"] < 1e-6
    text = write_record(tmp_path, made).read_text(encoding="utf-8")
    assert 'lack_test = "lack of fit against repeats"' in text
    assert not any("does not fit" in r or "neither" in r for r in segments.remarks)
    assert max(segments.record.budget.result.expanded_nm) < 0.5 * max(made.record.budget.result.expanded_nm)


def test_record_as_written_is_one_that_the_settings_take(tmp_path: Path) -> None:
    """With every key of the new kind in it."""
    fennmark = tmp_path / "config"
    shutil.copytree(CONFIG, fennmark)
    spec = example().site.drives["PC1"]
    about = replace(ABOUT, drive="PC1", device_serial=spec.device_serial, altered="springs")
    made = proved([], about=about, of=spec, specification=table_of("PC1"))
    write_record(fennmark / "calibration", replace(made, ref="PC1-forward-2026-11-26"))

    curve = load(fennmark, today=TODAY).site.drives["PC1"].calibrations[Direction.FORWARD]
    assert curve.ref == "PC1-forward-2026-11-26"
    assert curve.not_in_budget == ()


def test_record_that_says_another_torque_than_the_one_before_is_told() -> None:
    """All torques 13 % low, as by a wrong lever; too little for a unit, and the contacts were set by it."""
    before = drive(calibrations={Direction.FORWARD: curve_of(proved().record)})
    short = [replace(p, torque_nm=0.87 * p.torque_nm) for p in points()]

    assert "13 % lower, more than both uncertainties allow" in proved([], short, of=before).step
    assert proved([], of=before).step == ""
    assert proved([], short, replace(ABOUT, altered="new springs"), before).step == ""
    assert proved([], short).step == "", "there is no record before"


def test_record_before_is_that_of_the_same_serial_where_the_settings_name_none() -> None:
    """Then the record itself says of which device it is."""
    before = drive(device_serial="", calibrations={Direction.FORWARD: curve_of(proved().record)})
    short = [replace(p, torque_nm=0.87 * p.torque_nm) for p in points()]

    assert proved([], short, of=before, serial_before="S").step
    assert not proved([], short, of=before, serial_before="T").step


def test_segments_that_want_more_points_say_what_to_do() -> None:
    """One run of six torques: six corners for each branch."""
    with pytest.raises(RecordRefused, match=r"no degree of freedom .* take a second run of the same torques"):
        proved([], points(runs=1), replace(ABOUT, form="segments"))


def test_positions_that_do_not_carry_their_corners_say_what_to_do() -> None:
    """Four points, none of them beyond the middle one of three corners."""
    basis = basis_for(STRAIGHT_SEGMENTS, np.array([0.0, 2.0]), (0.0, 1.0, 2.0))

    with pytest.raises(UnfitError, match=r"too close together for the straight segments; take a second run"):
        least_squares(basis, [0.0, 0.3, 0.6, 0.9], [0.0, 3.0, 6.0, 9.0])


def test_date_due_in_a_thousand_years_is_refused() -> None:
    """It would never be due."""
    with pytest.raises(RecordRefused, match="due_on is 9999-12-31, more than 20 years on; correct the date"):
        proved(about=replace(ABOUT, due_on="9999-12-31"))


def test_release_while_the_arm_raced_is_no_release_point() -> None:
    """Known to within 6 mm: not into the record."""
    raced = [replace(e, half_width_mm=6.2) if e.stage == "alarm" and not e.operated else e for e in good()]

    assert [c.stage for c in proved(raced).record.content.contact_points] == ["shutdown"]
