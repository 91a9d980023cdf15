"""People, shifts and steps: what the example means, every slip with its line and what to do, gaps that check finds."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest

from nightrake.alarms.rota import on_duty, whom
from nightrake.alarms.zones import Zone
from nightrake.settings import reload_diff
from nightrake.settings.zones import zone_table
from unit.settings.spoil import TODAY, Folder, Slip, assert_told

PEOPLE = "people.toml"
CREW = """
[drive.D]
name = "D"
plc = "P"
[[drive.D.contact]]
stage = "shutdown"
form = "normally_closed"
bit_1_means = "closed"
point = { table = "coil", address = 1 }
[person.a]
name = "A"
role = "supervisor"
reach = { mail = "a@example" }
[test_call]
days = ["mon"]
[rota]
zone = "Europe/London"
[[escalation.high.step]]
people = ["a"]
"""

STEP_OF_ENGINEERS = '[[escalation.high.step]]\nteams = ["engineers"]'

SLIPS = {
    "unknown zone": Slip(PEOPLE, '"Europe/London"', '"Europe/Lodnon"', "rota.zone", "did you mean 'Europe/London'?"),
    "zone that is a path": Slip(PEOPLE, '"Europe/London"', '"../../x"', "rota.zone", "no such time zone"),
    "folder of zones": Slip(PEOPLE, '"Europe/London"', '"Europe"', "rota.zone", "no such time zone"),
    "unknown person on duty": Slip(
        PEOPLE, 'people = ["night1"]', 'people = ["nihgt1"]', "team.operators.shift[1].people[0]", "mean 'night1'?"
    ),
    "unknown person always": Slip(
        PEOPLE, 'always = ["super1"]', 'always = ["boss"]', "team.supervisors.always[0]", "there is no [person.boss]"
    ),
    "person twice": Slip(
        PEOPLE, 'people = ["day1"]', 'people = ["day1", "day1"]', "team.operators.shift[0].people[1]", "a second time"
    ),
    "unknown team": Slip(
        PEOPLE, 'teams = ["operators"]', 'teams = ["operator"]', "escalation.urgent.step[0].teams[0]", "'operators'?"
    ),
    "shift of nobody": Slip(
        PEOPLE, 'people = ["day1"]', "people = []", "team.operators.shift[0].people", "names nobody"
    ),
    "day twice": Slip(
        PEOPLE, 'days = ["sat", "sun"]', 'days = ["sat", "sat"]', "team.operators.shift[2].days", "different days"
    ),
    "no such weekday": Slip(PEOPLE, '"mon", "tue"', '"mon", "tuesday"', "team.operators.shift[0].days[1]", "'tue'"),
    "time of day": Slip(
        PEOPLE, 'begins = "06:00"', 'begins = "6:00"', "team.operators.shift[0].begins", "such as '06:00'"
    ),
    "midnight as 24": Slip(
        PEOPLE, 'ends = "18:00"', 'ends = "24:00"', "team.operators.shift[0].ends", "midnight being '00:00'"
    ),
    "time without quotes": Slip(
        PEOPLE, 'ends = "18:00"', "ends = 18:00:00", "team.operators.shift[0].ends", "a text in quotes"
    ),
    "shift twice": Slip(
        PEOPLE, 'name = "night"\n', 'name = "day"\n', "team.operators.shift[1].name", "second time in this team"
    ),
    "other week without a first": Slip(
        PEOPLE, "# every_weeks = 1 ", "every_weeks = 2 ", "team.operators.shift[0].first_week", "every 2 weeks needs"
    ),
    "no day of the calendar": Slip(
        PEOPLE, '"2026-12-25" ', '"2026-12-32" ', "team.operators.exception[0].last_day", "no day of the calendar"
    ),
    "day the other way round": Slip(
        PEOPLE, 'day = "2026-12-24"', 'day = "24.12.2026"', "team.operators.exception[0].day", "such as '2026-12-25'"
    ),
    "last day before the first": Slip(
        PEOPLE, '"2026-12-25" ', '"2026-12-23" ', "team.operators.exception[0].last_day", "before day = 2026-12-24"
    ),
    "exception of no shift": Slip(
        PEOPLE, 'shift = "night"', 'shift = "nihgt"', "team.operators.exception[1].shift", "did you mean 'night'?"
    ),
    "two exceptions for one day": Slip(
        PEOPLE, 'shift = "night"', 'shift = "day"', "team.operators.exception[1]", "second exception of the shift 'day'"
    ),
    "team without duty": Slip(
        PEOPLE, 'always = ["super1"]', "always = []", "team.supervisors", "nobody of it is ever on duty"
    ),
    "step that calls nobody": Slip(
        PEOPLE, "everybody = true", "everybody = false", "escalation.urgent.step[2]", "calls nobody"
    ),
    "reminder after the wait": Slip(
        PEOPLE, "remind_s = 60.0", "remind_s = 180.0", "escalation.urgent.step[0].remind_s", "no reminder would ever"
    ),
    "wait of nothing": Slip(
        PEOPLE, "wait_s = 180.0", "wait_s = 0.0", "escalation.urgent.step[0].wait_s", "expected 10 or more"
    ),
    "limited urgent rounds": Slip(
        PEOPLE, "[escalation.low]", "[escalation.urgent]", "escalation.urgent.rounds", "until somebody acknowledges"
    ),
    "unknown priority": Slip(
        PEOPLE, "[[escalation.high.step]]", "[[escalation.hihg.step]]", "escalation.hihg", "did you mean 'high'?"
    ),
    "two persons for what needs one": Slip(
        PEOPLE, '["release"]', '["acknowledge"]', "rights.two_persons[0]", "expected 'release'"
    ),
    "need that does not exist": Slip(
        PEOPLE, "# needs = [", 'needs = ["made_safe", ', "lockout.needs[0]", "expected 'isolation_reported'"
    ),
    "unknown key of a shift": Slip(
        PEOPLE, 'begins = "06:00"', 'from = "06:00"', "team.operators.shift[0].from", "unknown key"
    ),
    "unknown key of a step": Slip(
        PEOPLE, "remind_s = 60.0", "reminds_s = 60.0", "escalation.urgent.step[0].reminds_s", "mean 'remind_s'?"
    ),
    "answer that never comes": Slip(PEOPLE, "# answer_s = 900.0", "answer_s = nan", "test_call.answer_s", "finite"),
}


@pytest.mark.parametrize("slip", SLIPS.values(), ids=SLIPS)
def test_slip_is_told_with_key_line_and_what_to_do(fennmark: Folder, slip: Slip) -> None:
    """Each alone, in the complete example."""
    assert_told(fennmark, slip)


def test_mistakes_of_people_are_told_all_at_once(fennmark: Folder) -> None:
    """A wrong role, a wrong name in a shift and a wrong zone; a person whose own table is wrong is still known."""
    fennmark.replace(PEOPLE, 'role = "operator"', 'role = "oper"')
    fennmark.replace(PEOPLE, 'people = ["weekend1"]', 'people = ["weekend9"]')
    fennmark.replace(PEOPLE, '"Europe/London"', '"Europe/Paris2"')

    assert [m.key for m in fennmark.mistakes()] == [
        "person.night1.role",
        "rota.zone",
        "team.operators.shift[2].people[0]",
    ]


def test_one_user_of_the_machine_is_one_person(fennmark: Folder) -> None:
    """Otherwise nobody could say who it was."""
    fennmark.replace(PEOPLE, "[person.drives]", '[person.drives]\nlocal_user = "kay"')
    fennmark.replace(PEOPLE, "[person.day1]", '[person.day1]\nlocal_user = "kay"')

    (mistake,) = fennmark.mistakes()

    assert (mistake.key, "as for person.drives" in mistake.text) == ("person.day1.local_user", True)


def test_example_is_complete_and_without_doubt(fennmark: Folder) -> None:
    """No gap in a year, every way tried; the shapes that the core takes."""
    settings = fennmark.load()
    duty = settings.duty

    assert settings.warnings == ()
    assert set(duty.rota.chains) == {"urgent", "high", "low"}
    assert duty.two_persons == {"release"}
    assert duty.lockout.release_torque_nm["PC1"] == 32_000.0, "without a limit of its own: the alarm torque"
    assert duty.rota.people["night1"].reach == (("mail", "night@fennmark.example"), ("phone", "+00 555 0101"))


@pytest.mark.parametrize(
    ("local", "person"),
    [
        ("2026-06-03 12:00", "day1"),
        ("2026-06-03 03:00", "night1"),
        ("2026-06-06 05:59", "night1"),  # Friday's night
        ("2026-06-06 12:00", "weekend1"),
        ("2026-03-29 03:30", "night2"),  # the night of 23 hours
        ("2026-10-25 01:30", "night2"),  # the night of 25 hours
        ("2026-10-26 05:59", "night2"),
        ("2026-10-26 06:00", "day1"),
        ("2026-12-25 12:00", "weekend1"),
        ("2026-12-24 18:30", "night2"),
    ],
)
def test_example_has_the_operator_it_says(fennmark: Folder, local: str, person: str) -> None:
    """Two shifts, nights over midnight and over the change of the clocks, weekends, Christmas."""
    rota = fennmark.load().duty.rota
    at = datetime.fromisoformat(local).replace(tzinfo=ZoneInfo("Europe/London"))

    assert on_duty(rota.teams["operators"], int(at.timestamp())) == (person,)
    assert whom(rota, rota.chains["urgent"].steps[0], int(at.timestamp())) == (person,)


def test_release_torque_of_a_drive(fennmark: Folder) -> None:
    """Its own where it has one."""
    fennmark.replace("drives.toml", "# release_torque_nm = 0.0 ", "release_torque_nm = 8000.0 ")

    assert fennmark.load().duty.lockout.release_torque_nm["PC1"] == 8_000.0


# --- doubts ---


def test_gap_in_the_rota_is_found(fennmark: Folder) -> None:
    """From when to when on the site's wall, how often more, and what to do; a step after it covers the chain."""
    fennmark.replace(PEOPLE, 'days = ["sat", "sun"]', 'days = ["sat"]')

    (told,) = fennmark.load().warnings

    assert told.startswith("team.operators: nobody is on duty from 2026-11-01 06:00 to 2026-11-01 18:00, from ")
    assert "and 50 more times (within 366 days, Europe/London time)" in told
    assert "gaps_meant = true" in told


def test_gap_of_an_hour_at_the_change_of_the_clocks_is_none(fennmark: Folder) -> None:
    """The example as of the day before either change has no gap, which the hours of the nights could have made."""
    assert fennmark.load(today=date(2026, 3, 28)).warnings == ()
    assert fennmark.load(today=date(2026, 10, 24)).warnings == ()


def test_gap_of_an_exception_far_ahead_is_found(fennmark: Folder) -> None:
    """A holiday that somebody entered and nobody filled."""
    fennmark.append(PEOPLE, '[[team.operators.exception]]\nshift = "day"\nday = "2027-05-03"')

    (told,) = fennmark.load().warnings

    assert "from 2027-05-03 06:00 to 2027-05-03 18:00 (within" in told


def test_chain_that_has_nobody_is_named(fennmark: Folder) -> None:
    """When no step of a priority that must reach somebody has anyone."""
    for team in ("operators", "supervisors"):
        fennmark.replace(PEOPLE, f'[[escalation.high.step]]\nteams = ["{team}"]', STEP_OF_ENGINEERS)

    told = fennmark.load().warnings

    assert [w for w in told if w.startswith("escalation.high: no step has anybody on duty from 2026-11-01 00:00")]
    assert not [w for w in told if w.startswith("escalation.urgent")]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("", "", "escalation.urgent has no steps, so everybody is called at once"),
        ('reach = { mail = "a@example" }\n', "", "and no person has reach: every way"),
        ('days = ["mon"]', "", "a dead way to a person stays unseen"),
        ('"supervisor"', '"operator"', "nobody can release a lockout"),
        ('zone = "Europe/London"\n', '[team.t]\nname = "T"\nalways = ["a"]\n', "taken as UTC"),
        ("[rota]", '[team.t]\nname = "T"\nalways = ["a"]\n[rota]', "team.t is in no escalation step"),
    ],
)
def test_doubt_is_told(small: Callable[[str], Folder], old: str, new: str, words: str) -> None:
    """What is allowed but seldom meant."""
    before = small(CREW.replace(old, new) if old else CREW).load()

    assert [w for w in before.warnings if words in w]


def test_site_without_people_is_allowed_and_told(small: Callable[[str], Folder]) -> None:
    """It can be watched; nobody will be called."""
    folder = small(CREW[: CREW.index("[person.a]")])

    assert any("nobody can be called" in w for w in folder.load().warnings)


def test_reload_names_what_changed_for_people(fennmark: Folder) -> None:
    """Team, steps, lockout."""
    before = fennmark.load()
    fennmark.replace(PEOPLE, 'name = "Supervisors on call"', 'name = "Supervisors"')
    fennmark.replace(PEOPLE, "rounds = 1", "rounds = 2")
    fennmark.replace(PEOPLE, '    "ice",\n', "")
    lines = reload_diff(before, fennmark.load())

    assert "team supervisors: name 'Supervisors on call' -> 'Supervisors'" in lines
    assert "escalation low: rounds 1 -> 2" in lines
    assert "[lockout]: causes changed" in lines


# --- zones ---


@pytest.mark.parametrize("name", ["", "Nowhere/Here", "/etc/passwd", "Europe/../Europe/London", "x" * 300, "Europe"])
def test_name_that_is_no_zone(name: str) -> None:
    """None, whatever stands there."""
    assert zone_table(name, TODAY) is None


def test_zone_table_holds_the_years_around() -> None:
    """Two changes a year in London, none in UTC; the last year is a dozen ahead."""
    london, utc = zone_table("Europe/London", TODAY), zone_table("UTC", TODAY)
    assert london is not None

    assert len(london.starts_utc_s) == 1 + 2 * 14
    assert utc == Zone("UTC", (utc.starts_utc_s[0] if utc else 0,), (0,))
