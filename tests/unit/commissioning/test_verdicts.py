"""Verdicts on contacts: pass, fail, not proved; each operation, each state, under what the measurement can tell."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from nightrake.commissioning.proving import AS_LEFT, ContactEdge
from nightrake.commissioning.verdicts import FAIL, NOT_PROVED, PASS, all_passed
from nightrake.domain.site import Direction
from unit.commissioning.examples import example, table_of
from unit.commissioning.sessions import ABOUT, ALARM_MM, SHUTDOWN_MM, drive, edges, good, proved
from unit.commissioning.stands import points

LOW_MM, HIGH_MM = 12.5, 17.4
"""28 and 36 kN.m; their mean is where the alarm should operate."""


def alarm_of(seen: list[ContactEdge], tolerance_pct: float = 5.0) -> tuple[str, str, bool]:
    """Result and text of the alarm contact's last state, and whether all passed."""
    result = proved([*seen, *[e for e in good() if e.stage == "shutdown"]], tolerance_pct=tolerance_pct)
    found = [v for v in result.verdicts if v.figures.stage == "alarm"][-1]
    return found.result, found.text, all_passed(result.verdicts)


def test_contact_within_its_tolerance_passes() -> None:
    """Set 32 kN.m, tolerance 5 %."""
    result, text, passed = alarm_of(edges("alarm", [ALARM_MM], [14.55]))

    assert (result, passed) == (PASS, True)
    assert re.fullmatch(
        r"alarm A as found: PASS, operates at 32\.0\d kN\.m \(\+-0\.\d\d\*\), set 32\.00 \+-1\.60", text
    )


def test_operations_that_are_off_on_either_side_fail() -> None:
    """Their mean is where it should be, and no single one is: each value is named."""
    result, text, passed = alarm_of(edges("alarm", [LOW_MM, HIGH_MM], [14.55]))

    assert (result, passed) == (FAIL, False)
    assert re.search(r"2 of 2 \(28\.0\d, 35\.9\d\) lie outside the tolerance", text)


def test_one_operation_off_among_good_ones_fails() -> None:
    """Only that one is named."""
    result, text, passed = alarm_of(edges("alarm", [14.9, 14.95, HIGH_MM], [14.5]))

    assert (result, passed) == (FAIL, False)
    assert re.search(r"; 35\.9\d kN\.m lies outside the tolerance", text)
    assert re.search(r"operates at 31\.9\d, 32\.0\d and 35\.9\d kN\.m", text)


def test_contact_that_was_never_seen_to_release_is_not_proved() -> None:
    """A contact that sticks operates once."""
    result, text, passed = alarm_of(edges("alarm", [ALARM_MM], []))

    assert (result, passed) == (NOT_PROVED, False)
    assert text.endswith("it was never seen to release")


def test_contact_that_never_operated_is_not_proved() -> None:
    """Nothing seen is no pass."""
    result, text, passed = alarm_of([])

    assert (result, passed) == (NOT_PROVED, False)
    assert text == "alarm A as found: NOT PROVED; did not operate while its position was seen"


def test_uncertainty_larger_than_the_tolerance_proves_nothing() -> None:
    """Right in the middle, but the measurement cannot tell."""
    result, text, passed = alarm_of(edges("alarm", [ALARM_MM], [14.55]), tolerance_pct=0.2)

    assert (result, passed) == (NOT_PROVED, False)
    assert "the uncertainty is larger than the tolerance, so this measurement cannot tell" in text


def test_uncertainty_above_a_third_of_the_tolerance_asks_for_a_look() -> None:
    """It still passes."""
    result, text, passed = alarm_of(edges("alarm", [ALARM_MM], [14.55]), tolerance_pct=0.7)

    assert (result, passed) == (PASS, True)
    assert "look again: the uncertainty is more than a third of the tolerance; a slower pull, a faster scan" in text


@pytest.mark.parametrize(("at_mm", "result"), [(15.92, PASS), (15.98, FAIL)])
def test_limit_nearer_than_the_uncertainty_is_said_on_both_sides(at_mm: float, result: str) -> None:
    """33.55 and 33.65 kN.m, the limit being 33.6: the limit itself decides."""
    found, text, _ = alarm_of(edges("alarm", [at_mm], [15.5]))

    assert found == result
    assert "nearer to the limit than the uncertainty" in text


def test_as_found_and_as_left_are_judged_apart() -> None:
    """What was found off and is left right: both are said, the last state decides."""
    seen = [*edges("alarm", [HIGH_MM], [17.0]), *edges("shutdown", [SHUTDOWN_MM], [19.5]), *good(AS_LEFT)]
    result = proved(seen)

    assert [(v.figures.stage, v.figures.state, v.result) for v in result.verdicts] == [
        ("alarm", "as found", FAIL),
        ("alarm", "as left", PASS),
        ("shutdown", "as found", PASS),
        ("shutdown", "as left", PASS),
    ]
    assert all_passed(result.verdicts)


def test_contact_that_was_right_and_is_not_seen_again_after_the_adjustment_is_not_proved() -> None:
    """The last state decides here as well."""
    left = [e for e in good(AS_LEFT) if e.stage == "alarm"]
    result = proved([*good(), *left])

    assert not all_passed(result.verdicts)
    assert [v.result for v in result.verdicts if v.figures.stage == "shutdown"] == [PASS, NOT_PROVED]


def test_operation_past_the_falling_branch_says_so() -> None:
    """Falling points up to 37 kN.m only: the contact did operate, but there its torque has no two branches."""
    taken = [p for p in points() if not (p.branch == "falling" and p.torque_nm > 40_000.0)]
    (shutdown,) = (v for v in proved(taken=taken).verdicts if v.figures.stage == "shutdown")

    assert shutdown.result == NOT_PROVED
    assert "operated at 19.95 mm, past the falling branch, up to 18.1" in shutdown.text
    assert "did not operate" not in shutdown.text


def test_drive_without_a_set_point_is_not_proved() -> None:
    """Nobody said where it should be."""
    result = proved(of=drive(alarm_nm=0.0))

    assert "the drive has no set point for it; state one" in result.verdicts[0].text
    assert not all_passed(result.verdicts)


def test_reverse_contact_is_judged_by_magnitudes() -> None:
    """Positions and torques of the reverse direction are negative, and shown so."""
    about = replace(ABOUT, direction="reverse")
    taken = [replace(p, torque_nm=-p.torque_nm, position_mm=-p.position_mm) for p in points()]
    of = drive()
    contacts = tuple(replace(c, id=c.id._replace(direction=Direction.REVERSE)) for c in of.contacts)
    of = replace(of, directions=(Direction.FORWARD, Direction.REVERSE), contacts=contacts)
    seen: list[ContactEdge] = [replace(e, position_mm=-e.position_mm) for e in good()]
    result = proved(seen, taken, about, of)

    assert [v.result for v in result.verdicts] == [PASS, PASS]
    assert result.verdicts[0].figures.operated_mm == (-ALARM_MM,)
    assert (
        proved(
            [replace(e, position_mm=-HIGH_MM) if e.stage == "alarm" and e.operated else e for e in seen],
            taken,
            about,
            of,
        )
        .verdicts[0]
        .result
        == FAIL
    )


@pytest.mark.parametrize(("released_mm", "told"), [(14.86, True), (14.84, False), (13.36, False), (13.34, True)])
def test_release_is_held_against_the_specified_differential(released_mm: float, told: bool) -> None:
    """Specified is 0.4 mm; 0.1 to 1.6 mm below where it operates, 14.95 mm, is plausible."""
    spec = replace(example().site.drives["PC1"], device_serial="S", calibrations={})
    seen = [*edges("alarm", [ALARM_MM], [released_mm]), *[e for e in good() if e.stage == "shutdown"]]
    result = proved(seen, about=replace(ABOUT, drive="PC1"), of=spec, specification=table_of("PC1"))
    (alarm,) = (v for v in result.verdicts if v.figures.stage == "alarm")

    assert alarm.result == PASS
    assert ("look again: it releases" in alarm.text) is told
    assert "look again" not in alarm_of(edges("alarm", [ALARM_MM], [2.0]))[1], "nothing is specified"


@pytest.mark.parametrize(("half_width_mm", "result"), [(0.9, PASS), (1.1, NOT_PROVED)])
def test_release_while_the_arm_moved_too_fast_proves_nothing(half_width_mm: float, result: str) -> None:
    """The tolerance, 5 % of 32 kN.m, is 1 mm of the arm's way."""
    seen = [replace(e, half_width_mm=e.half_width_mm if e.operated else half_width_mm) for e in good()[:2]]
    found, text, passed = alarm_of(seen)

    assert (found, passed) == (result, result == PASS)
    assert ("it released while the arm moved too fast to say where: pull slower" in text) is (result == NOT_PROVED)


def test_release_without_an_operation_does_not_count() -> None:
    """Two releases of one operation: the second is told; and a release alone proves nothing."""
    _, text, _ = alarm_of(edges("alarm", [ALARM_MM], [14.55, 2.0]))
    figures = proved([*edges("alarm", [ALARM_MM], [14.55, 2.0])]).verdicts[0].figures

    assert "look again: 1 release without an operation does not count" in text
    assert figures.released_mm == (14.55,)
    assert alarm_of(edges("alarm", [], [14.55]))[0] == NOT_PROVED


def test_failure_far_off_is_not_said_to_be_near_the_limit() -> None:
    """Two operations 8 kN.m apart: the uncertainty is as large, and says nothing more."""
    _, text, _ = alarm_of(edges("alarm", [LOW_MM, HIGH_MM], [12.1, 17.0]))

    assert "nearer to the limit" not in text
