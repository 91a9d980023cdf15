"""The site's own alarms, limits and standby: what the example means, every slip with its line, what check names."""

from __future__ import annotations

import re
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest

from nightrake.alarms.drivesetup import TorqueLimits
from nightrake.alarms.response import UNSET, Response
from nightrake.alarms.standby import is_standby
from nightrake.alarms.table import ALARM_TYPES, Priority
from nightrake.settings import reload_diff
from nightrake.settings.alarms import LimitsTable, PartLimitsTable
from nightrake.settings.responding import limits_from
from unit.settings.spoil import ROOT, Folder, Slip, assert_told

ALARMS, DRIVES, PEOPLE = "alarms.toml", "drives.toml", "people.toml"
RISING = "alarm.torque_rising"
SITE_KIND = "[alarm.not_forwarded]"
DRIVE_KIND = "[drive.GT1.alarm.alarm_contact]"
WEEKEND = 'days = ["sat", "sun"]            #'
OUTAGE = 'day = "2026-12-24"\nlast_day = "2027-01-01"'


def slip(key: str, old: str, new: str, words: str, file: str = ALARMS) -> Slip:
    """In ``alarms.toml`` unless said otherwise."""
    return Slip(file, old, new, key, words)


SLIPS = {
    "kind with a slip": slip("alarm.not_fowarded", SITE_KIND, "[alarm.not_fowarded]", "did you mean 'not_forwarded'?"),
    "kind like no other": slip("alarm.xyzzy", SITE_KIND, "[alarm.xyzzy]", "there are: shutdown_contact, still_running"),
    "kind in odd letters": slip('alarm."a b"', SITE_KIND, '[alarm."a b"]', "is no kind of alarm"),
    "kind of a drive": slip(
        "drive.GT1.alarm.alarm_contatc", DRIVE_KIND, "[drive.GT1.alarm.alarm_contatc]", "'alarm_contact'?", DRIVES
    ),
    "PLC's kind at a drive": slip(
        "drive.GT1.alarm.plc_silent", DRIVE_KIND, "[drive.GT1.alarm.plc_silent]", "write it as [alarm.plc_s", DRIVES
    ),
    "site's kind at a drive": slip(
        "drive.GT1.alarm.store_full", DRIVE_KIND, "[drive.GT1.alarm.store_full]", "is about the site", DRIVES
    ),
    "unknown key": slip(f"{RISING}.on_delay", "on_delay_s = 10.0", "on_delay = 10.0", "did you mean 'on_delay_s'?"),
    "text for a number": slip(f"{RISING}.on_delay_s", "on_delay_s = 10.0", 'on_delay_s = "10 s"', "expected a number"),
    "delay without end": slip(f"{RISING}.on_delay_s", "on_delay_s = 10.0", "on_delay_s = inf", "a finite number"),
    "delay of days": slip(f"{RISING}.off_delay_s", "= 120.0", "= 86400.0", "expected 0 to 21600"),
    "delay of a shutdown": slip(
        "alarm.shutdown_contact.on_delay_s", SITE_KIND, "[alarm.shutdown_contact]", "expected 0 to 0"
    ),
    "priority unknown": slip(f"{RISING}.priority", '"low" ', '"medium" ', "expected 'urgent', 'high', 'low' or"),
    "priority too high": slip(f"{RISING}.priority", '"low" ', '"urgent" ', "can be high or low"),
    "priority of a notice": slip(f"{RISING}.priority", '"low" ', '"notice" ', "can be high or low"),
    "deadband": slip(f"{RISING}.deadband_pct", "= 50.0   ", "= 101.0  ", "expected 0 to 100"),
    "respond": slip(f"{RISING}.respond_s", "= 1800.0   ", "= -1.0     ", "expected 0 to 86400"),
    "step that there is not": slip(f"{RISING}.first_step", "= 0   ", "= 1   ", "escalation.low has one step, 0;"),
    "step below the first": slip(f"{RISING}.first_step", "= 0   ", "= -1  ", "counted from 0"),
    "shelving for days": slip(f"{RISING}.max_shelve_s", "14400.0", "90000.0", "expected 0 to 86400"),
    "shelving forbidden and limited": slip(
        f"{RISING}.max_shelve_s", "may_shelve = true ", "may_shelve = false", "beside may_shelve = false"
    ),
    "shelving a shutdown": slip(
        "drive.GT1.alarm.shutdown_contact.may_shelve",
        f"{DRIVE_KIND}",
        "[drive.GT1.alarm.shutdown_contact]\nmay_shelve = true\n[drive.GT1.alarm.alarm_contact]",
        "can never be shelved",
        DRIVES,
    ),
    "no words": slip(f"{RISING}.cause", 'cause = "a load that came at once', 'cause = ""  # "', "is empty"),
    "words without end": slip(f"{RISING}.cause", 'cause = "a load', f'cause = "{"x" * 400}a load', "at night"),
    "no first step to take": slip(
        "drive.SCR1.alarm.reading_bad.first_response",
        "[drive.SCR1.specification]",
        "[drive.SCR1.alarm.reading_bad]\nfirst_response = []\n[drive.SCR1.specification]",
        "expected 1 to 8 steps",
        DRIVES,
    ),
    "high above the alarm": slip("torque_limits.high_pct", "# high_pct = 90.0 ", "high_pct = 100.0 ", "less than 100"),
    "high below nothing": slip("torque_limits.high_pct", "# high_pct = 90.0 ", "high_pct = -1.0 ", "0 or more"),
    "high of no number": slip("torque_limits.high_pct", "# high_pct = 90.0 ", "high_pct = nan ", "finite number"),
    "certain without a record": slip("torque_limits.unstated_pct", "# unstated_pct = 10.0", "unstated_pct = 0", "0.1"),
    "window too short": slip("torque_limits.rise_window_s", "# rise_window_s = 60.0", "rise_window_s = 1.0", "5 or"),
    "window too long": slip("torque_limits.rise_window_s", "# rise_window_s = 60.0", "rise_window_s = 3601", "3600"),
    "inhibit of hours": slip(
        "torque_limits.start_inhibit_s", "# start_inhibit_s = 30.0", "start_inhibit_s = 7200", "3600"
    ),
    "limit without its unit": slip("torque_limits.start_inhibit", "# start_inhibit_s", "start_inhibit", "unknown key"),
    "limit of a template": slip(
        "drive.SC1.torque_limits.start_inhibit_s", "start_inhibit_s = 60.0", "start_inhibit_s = -60.0", "0 or", DRIVES
    ),
    "standby at no time": slip("drive.SCR1.standby[0]", WEEKEND, "#", "neither days", DRIVES),
    "standby by both": slip(
        "drive.SCR1.standby[1].day", OUTAGE, f'{OUTAGE}\ndays = ["mon"]', "stands beside days", DRIVES
    ),
    "standby's last day alone": slip(
        "drive.SCR1.standby[0].last_day", WEEKEND, 'last_day = "2026-12-24"\n' + WEEKEND, "beside days", DRIVES
    ),
    "standby's day twice": slip("drive.SCR1.standby[0].days", WEEKEND, 'days = ["sat", "sat"] #', "twice", DRIVES),
    "standby's weekday": slip("drive.SCR1.standby[0].days[0]", WEEKEND, 'days = ["saturday"] #', "'sat'", DRIVES),
    "standby without an end": slip(
        "drive.SCR1.standby[0].ends", '# begins = "" ', 'begins = "18:00" ', "is missing beside begins", DRIVES
    ),
    "standby without a beginning": slip(
        "drive.SCR1.standby[0].begins", '# ends = "" ', 'ends = "18:00" ', "is missing beside ends", DRIVES
    ),
    "standby's time": slip("drive.SCR1.standby[1].begins", '"12:00"', '"noon"', "such as '06:00'", DRIVES),
    "standby's zone": slip(
        "drive.SCR1.standby[0].zone", '# zone = "" ', 'zone = "Europe/Lodnon" ', "did you mean 'Europe/London'?", DRIVES
    ),
    "standby on no day": slip("drive.SCR1.standby[1].day", "2026-12-24", "2026-02-30", "no day of the", DRIVES),
    "standby backwards": slip(
        "drive.SCR1.standby[1].last_day", "2027-01-01", "2026-01-01", "before day = 2026-12-24", DRIVES
    ),
    "standby of no length": slip(
        "drive.SCR1.standby[1].ends", "2027-01-01", "2026-12-24", "not after it begins at '12:00'", DRIVES
    ),
    "standby of no time": slip(
        "drive.SCR1.standby[1].ends",
        f'{OUTAGE}          # default "": that one day\nbegins = "12:00"',
        'day = "2026-12-24"\nlast_day = "2026-12-24"\nbegins = "06:00"',
        "not after it begins at '06:00'",
        DRIVES,
    ),
    "standby with a foreign key": slip(
        "drive.SCR1.standby[1].reason", 'day = "', 'reason = "x"\nday = "', "unk", DRIVES
    ),
    "lockout that nobody could release": slip(
        "lockout.after_shutdown", 'role = "supervisor"', 'role = "operator"', "nobody could release the lockout", PEOPLE
    ),
}


@pytest.mark.parametrize("told", SLIPS.values(), ids=SLIPS)
def test_slip_is_told_with_key_line_and_what_to_do(fennmark: Folder, told: Slip) -> None:
    """Each alone, in the complete example."""
    assert_told(fennmark, told)


def test_slips_are_told_all_at_once_and_each_once(fennmark: Folder) -> None:
    """Faults of kinds, limits and standby in three files; what two drives have from a template is told for one."""
    fennmark.replace(ALARMS, "off_delay_s = 120.0", "off_delay_s = 1e6")
    fennmark.replace(ALARMS, SITE_KIND, "[alarm.not_fowarded]")
    fennmark.replace(DRIVES, "start_inhibit_s = 60.0", '[template.secondary.alarm.reading_bad]\npriority = "urgent"')
    line = fennmark.replace(DRIVES, "2027-01-01", "2026-01-01")
    fennmark.replace(PEOPLE, 'role = "supervisor"', 'role = "operator"')

    mistakes = fennmark.mistakes()

    assert [m.key for m in mistakes] == [
        "alarm.torque_rising.off_delay_s",
        "alarm.not_fowarded",
        "drive.SC1.alarm.reading_bad.priority",
        "drive.SCR1.standby[1].last_day",
        "lockout.after_shutdown",
    ]
    assert (mistakes[3].file, mistakes[3].line) == ("config/drives.toml", line)


def test_example_says_what_the_core_takes(fennmark: Folder) -> None:
    """Site, drive and template; every drive has its limits; without doubt."""
    settings = fennmark.load()
    response = settings.response

    assert settings.warnings == ()
    assert response.site_name == "Fennmark treatment works"
    assert set(response.overrides) == {"torque_rising", "not_forwarded"}
    assert response.overrides["torque_rising"].priority is Priority.LOW
    assert set(response.limits) == set(settings.site.drives)
    assert response.limits["PC1"] == TorqueLimits()
    assert response.limits["SC2"] == TorqueLimits(start_inhibit_ns=60_000_000_000)
    assert response.two_persons == {"release"}
    assert response.lockout.after_shutdown
    assert response.rota == settings.duty.rota


def test_rules_follow_site_and_drive(fennmark: Folder) -> None:
    """A drive's value stands on the site's, key by key."""
    fennmark.append(ALARMS, '[alarm.alarm_contact]\non_delay_s = 4.0\nrespond_s = 60.0\npriority = "high"')
    settings = fennmark.load()
    rules = settings.response.rules(settings.site)
    thickener, clarifier = rules.drives["GT1"]["alarm_contact"], rules.drives["PC1"]["alarm_contact"]

    assert (thickener.on_delay_ns, thickener.respond_ns) == (4_000_000_000, 1_200_000_000_000)
    assert (clarifier.on_delay_ns, clarifier.respond_ns) == (4_000_000_000, 60_000_000_000)
    assert thickener.first_response[0].startswith("Check the blanket level")
    assert clarifier.off_delay_ns == 1080 * 1_000_000_000, "0.6 turns of 1800 s"


def test_first_step_counts_in_the_chain_of_its_priority(fennmark: Folder) -> None:
    """Urgent has three steps: the third is allowed for a shutdown, for an alarm of high priority it is not there."""
    fennmark.append(ALARMS, "[alarm.shutdown_contact]\nfirst_step = 2")
    fennmark.load()
    fennmark.append(DRIVES, "[drive.SCR1.alarm.torque_rising]\nfirst_step = 2")
    fennmark.replace(ALARMS, 'priority = "low" ', 'priority = "high" ')

    (told,) = fennmark.mistakes()

    assert (told.key, told.text) == (
        "drive.SCR1.alarm.torque_rising.first_step",
        "is 2, but escalation.high has 2 steps, 0 to 1; correct it",
    )


def test_limits_of_a_drive_stand_on_the_sites(fennmark: Folder) -> None:
    """What a drive leaves out is the site's own."""
    fennmark.replace(ALARMS, "# high_pct = 90.0 ", "high_pct = 80.0 ")
    fennmark.append(DRIVES, "[drive.GT1.torque_limits]\nrise_window_s = 120")
    response = fennmark.load().response

    assert response.limits["GT1"] == TorqueLimits(high_pct=80.0, rise_window_ns=120_000_000_000)
    assert response.limits_of("PC1") == TorqueLimits(high_pct=80.0)
    assert response.limits_of("unheard of") == TorqueLimits()


def test_limits_as_shipped_are_the_cores() -> None:
    """Two places for one number; a part has every key of the whole."""
    assert limits_from(LimitsTable()) == TorqueLimits()
    assert list(PartLimitsTable.model_fields) == list(LimitsTable.model_fields)


def test_list_of_kinds_in_the_example_is_the_table() -> None:
    """Kind, priority, scope and delays stand there as they are shipped."""
    seconds = {"s": 1.0, "min": 60.0, "h": 3600.0}
    span = r"(\d+) (s|min|h)"
    line = re.compile(rf"^# ([a-z_]+) +(\w+) +(\w+) +{span} +{span} +{span}(\*?) +(?:{span}|-)  (.+)$", re.MULTILINE)
    shown = line.findall((ROOT / "config" / ALARMS).read_text(encoding="utf-8"))

    def span_s(number: str, unit: str) -> float:
        return float(number or 0) * seconds[unit or "s"]

    assert [(s[0], s[1], s[2], s[9] == "*", s[12]) for s in shown] == [
        (k, t.priority, t.scope, t.half_turn, t.title) for k, t in ALARM_TYPES.items()
    ]
    assert [[span_s(s[i], s[i + 1]) for i in (3, 5, 7, 10)] for s in shown] == [
        [t.on_delay_s, t.max_on_delay_s, t.off_delay_s, t.respond_s] for t in ALARM_TYPES.values()
    ]


# --- standby ---


@pytest.mark.parametrize(
    ("local", "stands"),
    [
        ("2026-11-06 23:59", False),
        ("2026-11-07 00:00", True),
        ("2026-11-08 23:59", True),
        ("2026-11-09 00:00", False),
        ("2026-12-24 11:59", False),
        ("2026-12-29 03:00", True),
        ("2027-01-01 06:00", False),
        ("2026-10-25 23:59", True),  # the Sunday of 25 hours
        ("2026-10-26 00:00", False),
        ("2027-03-28 23:59", True),  # the Sunday of 23 hours
        ("2027-03-29 00:00", False),
    ],
)
def test_example_stands_when_it_says(fennmark: Folder, local: str, stands: bool) -> None:
    """Weekends and the days after Christmas, on the wall of London."""
    response = fennmark.load().response
    at = int(datetime.fromisoformat(local).replace(tzinfo=ZoneInfo("Europe/London")).timestamp())

    assert is_standby(response.schedule_of("SCR1"), at) is stands
    assert response.schedule_of("PC1") == ()


@pytest.mark.parametrize(
    ("keys", "begins", "ends"),
    [
        ('day = "2026-10-24"', "2026-10-24T00:00+01:00", "2026-10-25T00:00+01:00"),
        ('day = "2026-10-25"', "2026-10-25T00:00+01:00", "2026-10-26T00:00+00:00"),
        ('day = "2026-10-24"\nbegins = "20:00"\nends = "05:00"', "2026-10-24T20:00+01:00", "2026-10-25T05:00+00:00"),
        ('day = "2026-10-24"\nbegins = "06:00"\nends = "06:00"', "2026-10-24T06:00+01:00", "2026-10-25T06:00+00:00"),
        ('day = "2026-10-24"\nbegins = "05:00"\nends = "20:00"', "2026-10-24T05:00+01:00", "2026-10-24T20:00+01:00"),
        ('day = "2026-10-24"\nlast_day = "2026-10-26"', "2026-10-24T00:00+01:00", "2026-10-27T00:00+00:00"),
        (
            'day = "2026-10-24"\nlast_day = "2026-10-25"\nends = "00:00"',
            "2026-10-24T00:00+01:00",
            "2026-10-25T00:00+01:00",
        ),
        ('day = "2026-10-25"\nzone = "America/New_York"', "2026-10-25T00:00-04:00", "2026-10-26T00:00-04:00"),
    ],
)
def test_span_by_date_begins_and_ends_as_written(fennmark: Folder, keys: str, begins: str, ends: str) -> None:
    """Without an end it lasts to the end of its last day; a night is given by its evening alone."""
    fennmark.append(DRIVES, f"[[drive.PC1.standby]]\n{keys}")
    schedule = fennmark.load().response.schedule_of("PC1")
    first, last = (int(datetime.fromisoformat(t).timestamp()) for t in (begins, ends))

    assert [is_standby(schedule, at) for at in (first - 1, first, last - 1, last)] == [False, True, True, False]


# --- lockout ---


@pytest.mark.parametrize(
    ("role", "given", "opens"),
    [("supervisor", "", True), ("operator", "", False), ("supervisor", "false", False), ("operator", "false", False)],
)
def test_shutdown_opens_a_lockout_where_somebody_can_release_it(
    fennmark: Folder, role: str, given: str, opens: bool
) -> None:
    """By default; a site can leave lockouts to be opened by hand."""
    fennmark.replace(PEOPLE, 'role = "supervisor"', f'role = "{role}"')
    fennmark.replace(PEOPLE, "after_shutdown = true ", f"after_shutdown = {given} " if given else "# ")

    assert fennmark.load().response.lockout.after_shutdown is opens


@pytest.mark.parametrize(
    ("key", "old", "new"), [("name", '"Shift supervisor"', "1"), ("role", '"supervisor"', '"super"')]
)
def test_supervisor_whose_table_has_a_slip_is_not_missed(fennmark: Folder, key: str, old: str, new: str) -> None:
    """One mistake, one sentence."""
    fennmark.replace(PEOPLE, f"{key} = {old}", f"{key} = {new}")

    assert [m.key for m in fennmark.mistakes()] == [f"person.super1.{key}"]


def test_site_that_says_nothing() -> None:
    """What the core takes where there are no settings of this kind."""
    assert (UNSET, UNSET.lockout.after_shutdown) == (Response(), False)


# --- doubts ---

DOUBTS = {
    "alarm given away": (
        DRIVES, "respond_s = 1200.0", 'priority = "low"', "drive.GT1: alarm.alarm_contact.priority is low, less"
    ),
    "alarm given away at the site": (
        ALARMS, SITE_KIND, '[alarm.plc_silent]\npriority = "low"\n[alarm.not_forwarded]',
        "alarm.plc_silent.priority is low, less than high: it is called as such",
    ),
    "never again after an acknowledgement": (
        DRIVES, "respond_s = 1200.0", "respond_s = 0", "drive.GT1: alarm.alarm_contact.respond_s is 0"
    ),
    "long inhibit of a template": (
        DRIVES, "start_inhibit_s = 60.0", "start_inhibit_s = 600.0",
        "drives SC1, SC2: torque_limits.start_inhibit_s is 600, so for 10 min after each start",
    ),
    "long inhibit of the site": (
        ALARMS, "# start_inhibit_s = 30.0", "start_inhibit_s = 301", "torque_limits.start_inhibit_s is 301, so"
    ),
    "rise not watched": (
        ALARMS, "# rise_pct_per_min = 25.0", "rise_pct_per_min = 0", "is 0, so 'torque rises fast' is not watched"
    ),
    "turn not known": (
        DRIVES, "turn_s = 2400.0\n", "", "drive.GT1: turn_s is not given, so an alarm stays for 20 min after its"
    ),
    "always on standby": (
        DRIVES, WEEKEND, 'days = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"] #', "drive.SCR1: standby covers"
    ),
    "standby of a drive without run feedback": (
        DRIVES, "[drive.SCR1.running]\npoint = { table = \"coil\", address = 2 }", "", "standby has no effect without"
    ),
    "standby in UTC": (PEOPLE, 'zone = "Europe/London" ', "# ", "drive.SCR1: rota.zone is not given"),
    "no urgent chain": (PEOPLE, "[[escalation.urgent.step]]", "[[escalation.low.step]]", "escalation.urgent has no"),
}  # fmt: skip


@pytest.mark.parametrize(("file", "old", "new", "words"), DOUBTS.values(), ids=DOUBTS)
def test_what_is_seldom_meant_is_named(fennmark: Folder, file: str, old: str, new: str, words: str) -> None:
    """Allowed, and told once."""
    everywhere = 4 if "escalation" in old else 1
    for _ in range(everywhere):
        if old in (fennmark.path / file).read_text(encoding="utf-8"):
            fennmark.replace(file, old, new)
    if "escalation" in old:
        fennmark.replace(PEOPLE, "[escalation.low]\nrounds = 1", "")

    assert len([w for w in fennmark.load().warnings if words in w]) == 1


def test_low_priority_that_calls_nobody_is_named(fennmark: Folder) -> None:
    """Without steps for it, a low alarm only stands in a list."""
    text = (fennmark.path / PEOPLE).read_text(encoding="utf-8")
    start, end = text.index("[escalation.low]"), text.index("[test_call]")
    fennmark.write(PEOPLE, text[:start] + text[end:])
    fennmark.replace(DRIVES, "respond_s = 1200.0", 'priority = "low"')

    (told,) = fennmark.load().warnings

    assert "escalation.low has no steps, so nobody is called" in told


def test_turn_is_not_missed_where_the_delay_is_given(fennmark: Folder) -> None:
    """Then nothing waits for half a turn."""
    fennmark.replace(DRIVES, "turn_s = 2400.0\n", "")
    fennmark.replace(DRIVES, "respond_s = 1200.0", "off_delay_s = 600")

    assert fennmark.load().warnings == ()


def test_standby_with_a_zone_of_its_own_is_not_taken_as_utc(fennmark: Folder) -> None:
    """Only what rests on the rota's zone misses it."""
    fennmark.replace(PEOPLE, 'zone = "Europe/London" ', "# ")
    for begins in (WEEKEND, OUTAGE):
        fennmark.replace(DRIVES, begins, f'zone = "Europe/London"\n{begins}')

    assert [w for w in fennmark.load().warnings if "SCR1" in w] == []


# --- digest and reload ---

CHANGES = {
    "kind": (ALARMS, "off_delay_s = 120.0", "off_delay_s = 180.0", "alarm torque_rising: off_delay_s 120 -> 180"),
    "words": (ALARMS, 'cause = "a load', 'cause = "the load', "alarm torque_rising: cause changed"),
    "kind of a drive": (DRIVES, "respond_s = 1200.0", "", "drive GT1: alarm alarm_contact: respond_s is gone"),
    "limit": (ALARMS, "# high_pct = 90.0", "high_pct = 85.0", "every drive: torque_limits: high_pct 90 -> 85"),
    "limit of a template": (
        DRIVES, "start_inhibit_s = 60.0", "start_inhibit_s = 90.0",
        "drive SC1, SC2: torque_limits: start_inhibit_s 60 -> 90",
    ),
    "standby": (DRIVES, '"2027-01-01"', '"2027-01-02"', "drive SCR1: standby changed"),
    "lockout": (PEOPLE, "after_shutdown = true", "after_shutdown = false", "[lockout]: after_shutdown true -> false"),
}  # fmt: skip


@pytest.mark.parametrize(("file", "old", "new", "line"), CHANGES.values(), ids=CHANGES)
def test_change_is_in_the_digest_and_told(fennmark: Folder, file: str, old: str, new: str, line: str) -> None:
    """What the response rests on names another content."""
    before = fennmark.load()
    fennmark.replace(file, old, new)
    after = fennmark.load()

    assert after.digest != before.digest
    assert reload_diff(before, after) == [line]


def test_defaults_written_out_are_the_same_content(fennmark: Folder) -> None:
    """Another layout is no other digest."""
    before = fennmark.load()
    fennmark.replace(ALARMS, "# high_pct = 90.0", "high_pct = 90")
    fennmark.replace(DRIVES, '# zone = ""', 'zone = ""')

    assert fennmark.load().digest == before.digest


def test_zone_tables_are_in_the_digest(fennmark: Folder) -> None:
    """A time of day is a table's: other years are another content, and a replay finds the hours there."""
    before, after = fennmark.load(), fennmark.load(today=date(2027, 11, 1))

    assert '"zones":{"Europe/London":[[' in before.content
    assert before.digest != after.digest
    assert "time zone data of Europe/London changed" in reload_diff(before, after)
    assert set(before.response.zones) == {"Europe/London"}
