"""What no record is made of: one clear sentence for each mistake."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import replace
from datetime import date

import pytest

from nightrake.commissioning.points import CalibrationPoint, ContactPoint, RecordContent
from nightrake.commissioning.record import make_record
from nightrake.commissioning.recordtext import record_toml
from nightrake.commissioning.refusals import Known, RecordRefused
from nightrake.settings.recordmodels import CalibrationTable
from unit.commissioning.stands import content, points

KNOWN = Known(
    today=date(2026, 6, 2),
    shutdown_nm=40_000.0,
    span_mm=25.0,
    nm_per_mm=1_600.0,
    drive_since=date(2026, 5, 1),
    serials={"FM-0102": "PC2"},
)
Points = tuple[CalibrationPoint, ...]


def told(made: RecordContent, known: Known = KNOWN) -> tuple[str, ...]:
    """What is said of it."""
    with pytest.raises(RecordRefused) as caught:
        make_record(made, known)
    return caught.value.sentences


def each(change: Callable[[CalibrationPoint], CalibrationPoint]) -> Points:
    """The good points, each changed."""
    return tuple(change(p) for p in points())


def torques(factor: float) -> Points:
    """All torques by a factor."""
    return each(lambda p: replace(p, torque_nm=p.torque_nm * factor))


def positions(factor: float) -> Points:
    """All positions by a factor."""
    return each(lambda p: replace(p, position_mm=p.position_mm * factor))


def test_good_record_is_not_refused() -> None:
    """What the others are spoiled from."""
    assert make_record(content(), KNOWN).digest


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"points": points(levels=(9_000.0, 44_000.0))}, "there are 2 different rising torques; a record needs 3"),
        ({"points": ()}, "there are 0 different rising torques"),
        ({"points": tuple(p for p in points() if p.branch == "rising")}, "only rising points; take falling ones too"),
        ({"points": tuple(p for p in points() if p.branch == "falling")}, "only falling points; take rising ones too"),
        (
            {"points": each(lambda p: replace(p, position_mm=7.0))},
            "the arm moved only 0 mm over all points; it is bound",
        ),
        ({"points": each(lambda p: replace(p, position_mm=7.0 + p.torque_nm * 1e-6))}, "the arm moved only 0.035 mm"),
        (
            {"points": each(lambda p: replace(p, position_mm=-p.position_mm))},
            "of the forward direction are not negative",
        ),
        ({"direction": "reverse"}, "positions of the reverse direction are negative"),
        ({"points": each(lambda p: replace(p, torque_nm=float("nan")))}, "have to be finite numbers"),
        ({"points": each(lambda p: replace(p, weight=0.0))}, "the weight is 0"),
        ({"points": torques(8.850746)}, "lbf.in given in place of N.m"),
        ({"points": torques(1 / 1000)}, "kN.m given in place of N.m"),
        ({"points": torques(1000.0)}, "mN.m given in place of N.m"),
        ({"points": torques(12.0)}, "lbf.in taken for lbf.ft"),
        ({"points": torques(1 / 12)}, "lbf.ft taken for lbf.in"),
        ({"points": torques(1 / 9.80665)}, "kgf.m given in place of N.m"),
        ({"points": torques(1 / 1.355818)}, "is 0.738 times that of the record before"),
        ({"points": torques(1.0 / 1.355818)}, "lbf.ft given in place of N.m"),
        ({"points": torques(30.0)}, "is it another drive's record?"),
        ({"points": positions(1 / 25.4)}, "were inches given in place of mm?"),
        ({"points": positions(25.4)}, "mm taken for inches"),
        ({"points": positions(1000.0)}, "micrometres given in place of mm"),
        ({"points": positions(0.1)}, "cm given in place of mm"),
        ({"device_serial": "FM-0102"}, "is also that of drive PC2; a device is on one drive"),
        ({"made_on": "2026-04-30"}, "before the device came onto drive PC1 on 2026-05-01"),
        ({"made_on": "2026-06-03"}, "which is still to come"),
        ({"made_on": "14.3.2026"}, "expected a date such as 2026-03-14"),
        ({"due_on": "2026-06-01"}, "not after the day it was made"),
        ({"due_on": "soon"}, "due_on is 'soon'; expected a date"),
        ({"made_by": ""}, "made_by is empty; give it"),
        ({"made_by": "x" * 81}, "made_by is 81 characters long; at most 80 fit"),
        ({"place": "two\nlines"}, "place holds a control character; write it on one line"),
        ({"points": points(runs=200)}, "there are 2400 points; a record takes 2000"),
        ({"reference_uncertainty_pct": None}, "reference_uncertainty_pct is missing"),
        ({"reference_uncertainty_pct": -1.0}, "expected a number of 0 or more"),
        ({"method": "rakes tied off"}, "needs the expanded uncertainty (k = 2) of the radius"),
        ({"method": "force at the arm"}, "needs the expanded uncertainty (k = 2) of ratio and efficiency"),
        (
            {"contact_points": (ContactPoint("alarm", "A", "as left", 24.5, 24.1),)},
            "alarm contact A, as left: it operates at 24.5 mm, outside the calibrated points",
        ),
        ({"contact_points": (ContactPoint("shutdown", "B", "as found", 19.0, 19.4),)}, "beyond where it operates"),
        ({"form": "straight segments", "points": points(runs=1)}, "leave no degree of freedom"),
    ],
)
def test_each_mistake_is_one_sentence(changed: dict[str, object], words: str) -> None:
    """It says what is wrong, where, and what to do."""
    sentences = told(content(**changed))

    assert any(words in s for s in sentences), sentences
    assert all("\n" not in s and len(s) < 240 for s in sentences)


def test_run_in_other_units_is_found_among_the_others() -> None:
    """One sheet of the clipboard was in lbf.in."""
    mixed = each(lambda p: replace(p, torque_nm=p.torque_nm * 8.850746) if p.run == 2 else p)
    quiet = replace(KNOWN, shutdown_nm=0.0, nm_per_mm=0.0)
    (first, second) = told(content(points=mixed), quiet)

    assert first.startswith("rising branch, run 2: torque for each mm is 8.84 times the other runs'")
    assert "lbf.in given in place of N.m" in second


@pytest.mark.parametrize(
    ("levels", "words"),
    [
        ((2_000.0, 4_000.0, 9_000.0, 23_000.0, 44_000.0), "from 2000 to 4000 N.m the arm hardly moved"),
        ((9_000.0, 16_000.0, 23_000.0, 30_000.0, 49_000.0, 55_000.0), "from 49000 to 55000 N.m the arm hardly moved"),
    ],
)
def test_torques_that_preload_or_end_of_travel_holds_are_refused(levels: tuple[float, ...], words: str) -> None:
    """A stop at 0.02 mm and one at 25 mm, read with the transducer's own noise."""
    held = tuple(
        replace(p, position_mm=round(min(max(p.position_mm, 0.02), 25.0) + 0.002 * (i % 3) + p.torque_nm * 1e-7, 4))
        for i, p in enumerate(points(levels=levels))
    )

    assert any(words in s for s in told(content(points=held, contact_points=()), replace(KNOWN, span_mm=0.0)))


def test_point_out_of_order_is_named() -> None:
    """Two positions exchanged on the clipboard."""
    rows = list(points())
    rows[2], rows[3] = (
        replace(rows[2], position_mm=rows[3].position_mm),
        replace(rows[3], position_mm=rows[2].position_mm),
    )
    (sentence,) = told(content(points=tuple(rows)))

    assert sentence.startswith("rising branch, run 1: from 23000 to 30000 N.m the arm went back")


def test_curve_that_does_not_rise_is_refused() -> None:
    """A parabola through three torques that bends back before the last point."""
    bent = tuple(
        CalibrationPoint(t, x, branch, run)
        for run in (1, 2)
        for branch in ("rising", "falling")
        for t, x in ((9_000.0, 1.0), (40_000.0, 3.0), (41_000.0, 3.4), (41_200.0, 4.0))
    )

    assert any(
        "does not rise" in s or "hardly moved" in s
        for s in told(content(points=bent, form="quadratic", contact_points=()))
    )


def test_everything_wrong_is_said_at_once() -> None:
    """Head and points in one go, so that nobody has to come back four times."""
    sentences = told(content(made_by="", due_on="soon", reference_uncertainty_pct=None, points=()))

    assert len(sentences) == 5


def test_longest_record_that_may_be_made_can_be_read() -> None:
    """What is not refused here, the settings take."""
    longest = content(points=points(runs=166), made_by="x" * 80, place="p" * 200, remarks="r\n" * 2000)
    record = make_record(longest, KNOWN)

    assert CalibrationTable.model_validate(tomllib.loads(record_toml(record))).digest == record.digest


def test_unknown_surroundings_are_no_mistake() -> None:
    """Without set points, span, earlier record or dates there is less to compare with, and nothing to refuse."""
    assert make_record(content(points=torques(30.0))).fit.form == "straight line"


def test_one_torque_at_two_far_places_is_refused() -> None:
    """Within a run the other checks pass over equal torques."""
    rows = list(points())
    rows.insert(3, replace(rows[2], position_mm=1.0))
    (sentence,) = told(content(points=tuple(rows)))

    assert sentence.startswith("rising branch: at 23000 N.m the arm stands at 1 and at 9.3")
    assert "one of the two is wrong: drop it, or take the run again" in sentence


def test_exchanged_branches_are_refused() -> None:
    """Friction lets a rising load move the arm less, never more."""
    other = {"rising": "falling", "falling": "rising"}
    (sentence,) = told(content(points=each(lambda p: replace(p, branch=other[p.branch]))))

    assert sentence.startswith("the falling branch lies 1")
    assert sentence.endswith("N.m above the rising one, which no friction does: were rising and falling exchanged?")


def test_device_without_friction_may_have_its_branches_cross_by_chance() -> None:
    """A gap that is no larger than the scatter is no mistake."""
    flat = each(lambda p: replace(p, position_mm=p.position_mm + (0.052 if p.branch == "rising" else -0.052)))

    assert make_record(content(points=flat), KNOWN).digest


def test_form_that_there_is_not_is_refused() -> None:
    """With those that there are."""
    assert told(content(form="cubic")) == ("form is 'cubic'; expected straight, quadratic, segments, or leave it out",)
