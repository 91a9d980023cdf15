"""Judgements of a data sheet: each rule on both sides of its limit, with one sentence and its source."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from nightrake.commissioning.finding import Finding, Verdict
from nightrake.commissioning.judged import is_wrong, judge, summary
from nightrake.commissioning.sheet import make_sheet
from nightrake.commissioning.sheetrows import sections
from nightrake.domain.site import Direction, Form, Stage
from unit.commissioning.examples import DRIVES, example, findings_of, read, sheet_of

OK, LOOK, WRONG, OUTSIDE = Verdict.OK, Verdict.LOOK_AGAIN, Verdict.WRONG, Verdict.OUTSIDE
FREE = {"alarm_nm": 0.0, "shutdown_nm": 0.0}
"""The drive's own set points left out, so that the specification may have others."""


def as_torque(text: str) -> dict[str, Any]:
    """A set point as a torque."""
    return {"percent": None, "of": None, "torque": text}


def test_example_deserves_a_look_where_contacts_are_normally_open() -> None:
    """SC1, SC2 and SCR1, whose alarm contact cannot show a broken wire; GT1 and SCR1, whose motor may be the first."""
    looks = {d: {f.subject for f in judge(sheet_of(d)) if f.verdict is not OK} for d in DRIVES}

    alarm = {"alarm contacts"}
    motor = {"motor at the alarm"}
    assert looks == {"PC1": set(), "PC2": set(), "SC1": alarm, "SC2": alarm, "GT1": motor, "SCR1": alarm | motor}


CASES: list[tuple[str, dict[str, Any], str, Verdict, str]] = [
    # shutdown against gear rating: 40 kN.m of it
    # 40 kN.m, 5 % later by the tolerance or 4.2 % by the efficiency, 0.875 % more where the springs are cold
    (
        "PC1",
        {"gear_rating": "40 kN*m", "shutdown.percent": 100.0},
        "shutdown against gear rating",
        LOOK,
        "100 % of the gear rating, but by the contact's tolerance and the springs' temperature it may come as late as "
        "42.37 kN.m",
    ),
    (
        "PC1",
        {"gear_rating": "42.4 kN*m", "shutdown": as_torque("40 kN*m")},
        "shutdown against gear rating",
        OK,
        "at the latest, within the rating",
    ),
    (
        "PC1",
        {"gear_rating": "42.3 kN*m", "shutdown": as_torque("40 kN*m"), "temperature": None},
        "shutdown against gear rating",
        OK,
        "by the contact's tolerance it comes at 42 kN.m",
    ),
    # motor at the alarm: 42.25 kN.m at rated torque and the lowest efficiency
    ("PC1", {"alarm.percent": 80.0}, "motor at the alarm", OK, "forces 42.25 kN.m (374 000 lbf.in), the alarm or more"),
    ("PC1", {"motor.power": "0.27 kW"}, "motor at the alarm", LOOK, "its overload relay may trip first"),
    (
        "PC1",
        {"gear_rating": "39 kN*m", "shutdown": as_torque("40 kN*m")},
        "shutdown against gear rating",
        LOOK,
        "103 %",
    ),
    (
        "PC1",
        {"gear_rating": "33 kN*m", "shutdown": as_torque("40 kN*m")},
        "shutdown against gear rating",
        WRONG,
        "121 %",
    ),
    # alarm against shutdown
    ("PC1", {"alarm.percent": 70.0}, "alarm against shutdown", OK, "within the usual"),
    ("PC1", {"alarm.percent": 90.0}, "alarm against shutdown", OK, "within the usual"),
    ("PC1", {"alarm.percent": 50.0}, "alarm against shutdown", OK, "below the usual 70 to 90 %, which is allowed"),
    ("PC1", {"alarm.percent": 91.0}, "alarm against shutdown", LOOK, "above the usual"),
    ("PC1", {"alarm.percent": 100.0}, "alarm against shutdown", WRONG, "stop before anybody is told"),
    ("PC1", {"alarm.percent": 110.0}, "alarm against shutdown", WRONG, "stop before anybody is told"),
    # alarm above the normal torque: 32 kN.m of it
    ("PC1", {"process.load": "155 N/m"}, "alarm above the normal torque", OK, "1.22 times"),
    ("PC1", {"process.load": "165 N/m"}, "alarm above the normal torque", LOOK, "less than the usual margin"),
    ("PC1", {"process.load": "190 N/m"}, "alarm above the normal torque", WRONG, "in alarm all day"),
    # motor able to reach shutdown
    ("PC1", {"motor.power": "0.25 kW"}, "motor able to reach shutdown", OK, "before it stalls"),
    ("PC1", {"motor.power": "0.10 kW"}, "motor able to reach shutdown", LOOK, "may stall before"),
    ("PC1", {"motor.power": "0.06 kW"}, "motor able to reach shutdown", WRONG, "would never operate"),
    ("PC1", {"motor.power": "0.12 kW"}, "motor against gear rating", OK, "why the overload device is there"),
    ("PC1", {"motor.power": "0.06 kW"}, "motor against gear rating", OK, "within the gear rating"),
    ("PC1", {"motor.power": "0.10 kW"}, "motor power for the normal load", LOOK, "at the lowest efficiency"),
    ("PC1", {"motor.power": "0.06 kW"}, "motor power for the normal load", WRONG, "at any efficiency"),
    # gear train
    ("PC1", {"gear.0.ratio": 4.7}, "output speed by the gear train", LOOK, "correct ratios or speed"),
    ("PC1", {"gear.0.ratio": 8.0}, "output speed by the gear train", WRONG, "correct ratios or speed"),
    ("SCR1", {"gear.0.ratio": 10.0}, "output speed by the gear train", LOOK, "run off its rated speed?"),
    ("PC1", {"gear.1.ratio": 90.0}, "gear stage 2, worm", LOOK, "outside the usual 5 to 75"),
    ("PC1", {"gear.2.efficiency": 0.90}, "gear stage 3, planetary", LOOK, "efficiency of 0.9 is outside"),
    # arm and contacts
    ("PC1", {"springs.rate": "9 N/mm"}, "shutdown within the travel", LOOK, "closer to the end stop"),
    ("PC1", {"arm.travel": "20.2 mm"}, "shutdown within the travel", LOOK, "closer to the end stop"),
    ("PC1", {"arm.travel": "19 mm"}, "shutdown within the travel", WRONG, "the contact would never operate"),
    ("PC1", {"arm.travel": "40 mm", "springs.rate": "7 N/mm"}, "shutdown within the travel", LOOK, "transducer's span"),
    ("PC1", {"springs.preload": "500 N"}, "alarm within the travel", WRONG, "the preload holds the arm on its stop"),
    ("PC1", {"springs.preload": "445 N"}, "alarm within the travel", LOOK, "closer to the rest stop"),
    ("PC1", {"springs.rate": "0.002 N/mm", "arm.rest_angle": "10 deg"}, "arm and springs", WRONG, "does not rise"),
    ("PC1", {"springs.rate": "100 N/mm"}, "contacts apart", LOOK, "less than twice"),
    ("PC1", {"contacts.differential": "5.1 mm"}, "contacts apart", WRONG, "cannot be told apart"),
    ("PC1", {"process.load": "40 N/m"}, "dead zone below preload", LOOK, "creep in normal running cannot be seen"),
    ("PC1", {"transducer_resolution": "0.5 mm"}, "transducer resolution", LOOK, "coarse"),
    ("PC1", {"temperature.lowest": "-40 degC"}, "temperature and springs", LOOK, "more than 1 %"),
    ("PC1", {"springs.rate_change_pct_per_k": -0.1}, "temperature and springs", LOOK, "far more than"),
    ("GT1", {"springs.preload": "300 N"}, "centred pair, forward", LOOK, "the slope halves"),
    ("SC1", {"contacts.supervised": ["alarm"]}, "alarm contacts", OK, "supervised"),
    ("PC1", {"orientation": "horizontal"}, "mounting", LOOK, "the weight adds a torque"),
    ("PC1", {"orientation": "horizontal", "balanced": True}, "mounting", OK, "centre of mass"),
    ("PC1", {"runs": ["forward", "reverse"]}, "directions", LOOK, "in reverse, where no torque is sensed"),
]


@pytest.mark.parametrize(("drive", "changes", "subject", "verdict", "words"), CASES)
def test_judgement(drive: str, changes: dict[str, Any], subject: str, verdict: Verdict, words: str) -> None:
    """Each rule on either side of its limit."""
    finding = findings_of(drive, changes, **FREE)[subject]

    assert (finding.verdict, words in finding.text) == (verdict, True), finding


MISSING: list[tuple[str, dict[str, Any], str, str]] = [
    ("PC1", {"gear_rating": None, "shutdown": as_torque("40 kN*m")}, "shutdown against gear rating", "gear_rating"),
    ("PC1", {"alarm": None}, "alarm against shutdown", "alarm"),
    ("PC1", {"process": None}, "alarm above the normal torque", "process"),
    (
        "PC1",
        {"motor.breakdown_ratio": None, "motor.power": "0.1 kW"},
        "motor able to reach shutdown",
        "breakdown_ratio",
    ),
    ("PC1", {"motor.supply": None}, "motor against gear rating", "motor.supply"),
    ("SCR1", {"motor.limit_ratio": None}, "motor against gear rating", "motor.limit_ratio"),
    ("PC1", {"motor.power": None}, "motor power for the normal load", "motor.power"),
    ("PC1", {"motor.speed": None}, "output speed by the gear train", "motor.speed"),
    ("PC1", {"gear": []}, "motor able to reach shutdown", "a gear stage of part 'primary'"),
    ("PC1", {"arm": None}, "arm position", "arm.length"),
    ("PC1", {"springs": None}, "arm position", "springs"),
    ("PC1", {"arm.travel": None}, "shutdown within the travel", "arm.travel"),
    ("PC1", {"contacts": None}, "contacts apart", "contacts.differential"),
    ("SC1", {"transducer_resolution": None}, "transducer resolution", "transducer_resolution"),
    ("PC1", {"temperature": None}, "temperature and springs", "temperature.lowest and temperature.highest"),
    ("PC1", {"orientation": None}, "mounting", "orientation"),
    ("PC1", {"runs": []}, "directions", "runs"),
]


@pytest.mark.parametrize(("drive", "changes", "subject", "key"), MISSING)
def test_missing_value_is_named(drive: str, changes: dict[str, Any], subject: str, key: str) -> None:
    """What cannot be judged is never ok, and says which key to add."""
    finding = findings_of(drive, changes, **FREE)[subject]

    assert finding.verdict is LOOK
    assert "cannot be judged; add" in finding.text
    assert key in finding.text


def test_set_points_without_base_deserve_a_look() -> None:
    """A bare torque in the watch's settings does not say by what it was chosen."""
    found = findings_of("PC1", {"alarm": None, "shutdown": None})

    assert found["alarm set point"].verdict is LOOK
    assert "shutdown.percent and shutdown.of" in found["shutdown set point"].text


def test_self_locking_worm_holds_the_wind_up() -> None:
    """Friction of a worm at or above cos(a) tan(lead)."""
    found = [f for f in judge(sheet_of("PC1", {"gear.1.friction": 0.09})) if f.subject == "gear stage 2, worm"]

    assert any("self-locking" in f.text and f.verdict is LOOK for f in found)


@pytest.mark.parametrize("stage", list(Stage))
def test_stage_without_a_contact_is_wrong(stage: Stage) -> None:
    """A device of two stages has contacts for both."""
    contacts = tuple(c for c in example().site.drives["PC1"].contacts if c.id.stage is not stage)
    finding = findings_of("PC1", contacts=contacts)[f"{stage} contacts"]

    assert finding.verdict is WRONG


def test_directions_may_have_set_points_of_their_own() -> None:
    """Reverse at half: judged, positioned and shown apart; the forward ones stay as they were."""
    half = {"alarm_reverse": as_torque("45 kN*m"), "shutdown_reverse": as_torque("56.25 kN*m")}
    sheet = sheet_of("GT1", half)
    found = {f.subject: f for f in judge(sheet)}
    rows = {row.label: row.si for section in sections(sheet) for row in section.rows}

    assert "80 % of shutdown" in found["alarm against shutdown, reverse"].text
    assert found["shutdown against gear rating, reverse"].text.startswith("shutdown at 56.25 kN.m")
    assert sheet.sides[Direction.FORWARD].shutdown == sheet_of("GT1").sides[Direction.FORWARD].shutdown
    reverse_m, whole_m = (
        point.position_m if (point := s.sides[Direction.REVERSE].shutdown) else None for s in (sheet, sheet_of("GT1"))
    )
    assert reverse_m == pytest.approx(0.5 * (whole_m or 0.0), rel=0.05)
    assert rows["Shutdown torque, reverse"] == "56.25 kN.m"


def test_reverse_set_points_need_a_reverse_direction() -> None:
    """Named by its key."""
    _, slips = read("PC1", {"alarm_reverse": as_torque("20 kN*m")})

    assert [(s.path, "senses no reverse" in s.text) for s in slips] == [(("alarm_reverse",), True)]


@pytest.mark.parametrize(
    ("changes", "verdict", "words"),
    [
        ({}, OK, "within what springs and gear train can account for"),
        ({"springs.rate": "14.5 N/mm"}, LOOK, "does the record belong to this device"),
        ({"springs.rate": "8.0 N/mm"}, LOOK, "it does not reach there"),
    ],
)
def test_record_is_held_against_the_prediction(changes: dict[str, Any], verdict: Verdict, words: str) -> None:
    """Springs a third stiffer than the record's device has, and so soft that the record ends before."""
    finding = findings_of("PC1", changes)["record against prediction"]

    assert finding.verdict is verdict
    assert words in finding.text


def test_normally_open_shutdown_deserves_a_look() -> None:
    """Each channel that cannot show a broken wire is named."""
    contacts = tuple(replace(c, form=Form.NORMALLY_OPEN) for c in example().site.drives["PC1"].contacts)
    finding = findings_of("PC1", contacts=contacts)["shutdown contacts"]

    assert finding.verdict is LOOK
    assert "channel A and B" in finding.text


def test_drive_without_transducer_or_record_deserves_a_look() -> None:
    """Then only the contacts speak, and the torque is a guess within the efficiency."""
    found = findings_of("PC1", position=None, calibrations={})

    assert found["transducer resolution"].verdict is LOOK
    assert found["torque from efficiency"].verdict is LOOK


@pytest.mark.parametrize("drive", DRIVES)
@pytest.mark.parametrize("stages", [["alarm"], ["shutdown"], ["alarm", "shutdown"]])
def test_contact_for_the_safety_of_people_is_never_ok(drive: str, stages: list[str]) -> None:
    """Nothing that speaks for it is called ok; one finding says to have it assessed, and the exit stays as it was."""
    findings = judge(sheet_of(drive, {"contacts.protects_people": stages}))
    spoken_for = [f for f in findings if not f.stages.isdisjoint(Stage(s) for s in stages)]

    assert {f.verdict for f in spoken_for} <= {OUTSIDE, LOOK, WRONG}
    assert sum(f.verdict is OUTSIDE for f in findings) == len(stages)
    assert all("have it assessed" in f.text for f in findings if f.verdict is OUTSIDE)
    assert not is_wrong(findings)
    for finding in (f for f in findings if f.verdict is OK):
        for stage in stages:
            assert stage not in finding.subject, finding


def test_what_is_wrong_with_a_protecting_contact_is_still_told() -> None:
    """A contact that would never operate is wrong, whoever counts on it."""
    found = findings_of("PC1", {"contacts.protects_people": ["shutdown"], "arm.travel": "19 mm"})

    assert found["shutdown within the travel"].verdict is WRONG


@pytest.mark.parametrize("drive", DRIVES)
def test_every_finding_is_one_sentence_with_its_source(drive: str) -> None:
    """The worst first; no verdict without a reason."""
    bad = {"gear_rating": "33 kN*m", "shutdown": as_torque("40 kN*m")} if drive == "PC1" else {}
    findings = judge(sheet_of(drive, bad))

    assert [f.verdict for f in findings] == sorted((f.verdict for f in findings), key=[WRONG, OUTSIDE, LOOK, OK].index)
    for finding in findings:
        assert finding.text.endswith((".", "?"))
        assert ". " not in finding.text.replace("N.m ", "")
        assert finding.source


def test_bare_specification_is_judged_nowhere_ok_but_contacts() -> None:
    """A sheet of nothing: each judgement says what it needs."""
    parts = "gear_rating orientation process motor springs arm alarm shutdown contacts temperature".split()
    bare: dict[str, Any] = {**dict.fromkeys(parts), "runs": [], "gear": []}
    specification, _ = read("PC1", bare, **FREE)
    findings = judge(make_sheet(specification))

    assert {f.subject for f in findings if f.verdict is OK} == {"alarm contacts", "shutdown contacts"}
    assert all("cannot be judged; add" in f.text for f in findings if f.verdict is LOOK)


def test_summary_counts() -> None:
    """In words, the good first."""
    assert summary(judge(sheet_of("SC1"))) == "19 ok, 1 look again"
    assert summary([Finding("x", WRONG, "y.")]) == "1 wrong"
