"""No mistake hides behind another one, and none is told that is only another's consequence."""

from __future__ import annotations

import pytest

from nightrake.commissioning.stated import specification_slips
from nightrake.errors import ConfigError, Mistake
from nightrake.settings import load
from unit.settings.spoil import TODAY, Folder

TWENTY = (
    ("site.toml", "contacts_s = 0.25", "contacts_s = 0.01", "scan.contacts_s"),
    ("site.toml", "port = 18831", "prot = 18831", "mqtt.prot"),
    ("site.toml", 'url = "http://127.0.0.1:18428"', 'url = "ftp://store"', "forward.url"),
    ("plcs.toml", "port = 15022", 'port = "502"', "plc.PLCB.port"),
    ("plcs.toml", "min_gap_s = 0.02", "min_gap_s = 0.02\nbackoff_max_s = 0.2", "plc.GWC.backoff_max_s"),
    ("plcs.toml", "timeout_s = 1.0\n\n", "timeout_s = nan\n\n", "plc.GWC.timeout_s"),
    ("people.toml", 'role = "operator"', 'role = "oper"', "person.night1.role"),
    # One template: a wrong value, an unknown key, and two mistakes beyond single values.
    ("drives.toml", "turn_s = 1440.0", 'turn_s = "long"', "drive.SC1.turn_s"),
    ("drives.toml", 'machine = "secondary', 'machin = "secondary', "drive.SC1.machin"),
    ("drives.toml", 'area = "secondary"', 'area = "secondary"\nstale_s = 1.0', "drive.SC1.stale_s"),
    ("drives.toml", "address = 0, bit = 9 }", "address = 0, bit = 8 }", "drive.SC1.contact[1].latched"),
    # One drive: five values or keys, and five mistakes beyond single values.
    ("drives.toml", 'name = "Gravity thickener"', "name = 5", "drive.GT1.name"),
    ("drives.toml", "turn_s = 2400.0", "turn_s = -1.0", "drive.GT1.turn_s"),
    ("drives.toml", "counts_per_ma = 204.75", "counts_per_mA = 204.75", "drive.GT1.position.counts_per_mA"),
    ("drives.toml", "lo_mm = -25.0", "lo_mm = 25.0", "drive.GT1.position.hi_mm"),
    ("drives.toml", 'plc = "GWC"\nunit = 3', 'plc = "GWC"\nstale_s = 1.0\nunit = 3', "drive.GT1.stale_s"),
    ("drives.toml", 'point = { table = "coil", address = 3 }', 'point = { table = "coil" }', "[3].point.address"),
    ("drives.toml", 'point = { table = "coil", address = 2 }', 'point = { table = "coil", address = 1 }', "[2].point"),
    ("drives.toml", "address = 12, type", "address = 70012, type", "drive.GT1.kept.underflow_m3_per_h.address"),
    ("drives.toml", 'power = "0.37 kW"\nspeed = "1400 rpm"\nsupply = "direct on line"\nbreakdown_ratio = 2.6\n\n'
     '[[drive.GT1', 'power = "0.37 kg"\nspeed = "1400 rpm"\nsupply = "direct on line"\nbreakdown_ratio = 2.6\n\n'
     '[[drive.GT1', "drive.GT1.specification.motor.power"),
)  # fmt: skip


def told(folder: Folder) -> tuple[Mistake, ...]:
    """Every mistake, the specifications' quantities among them, as `nightrake check` tells them."""
    with pytest.raises(ConfigError) as caught:
        load(folder.path, today=TODAY, specification_check=specification_slips)
    return caught.value.mistakes


@pytest.mark.parametrize("count", [10, 20])
def test_every_planted_mistake_is_told_and_no_other(fennmark: Folder, count: int) -> None:
    """As many sentences as mistakes, each with file, line and key; from the end, so that most share one drive."""
    planted = TWENTY[-count:]
    for file, old, new, _ in planted:
        fennmark.replace(file, old, new)

    mistakes = told(fennmark)

    assert len(mistakes) == count, [str(m) for m in mistakes]
    assert all(m.line > 0 and m.key for m in mistakes)
    for file, _, _, key in planted:
        assert any(m.file == f"config/{file}" and key in m.key for m in mistakes), key


BEYOND = (
    ("lo_mm = -25.0", "lo_mm = 25.0", "drive.GT1.position.hi_mm"),
    ("alarm_nm = 90000.0", "alarm_nm = 990000.0", "drive.GT1.alarm_nm"),
    ('percent = 80.0\nof = "shutdown"', 'percent = 880.0\nof = "shutdown"', ""),  # goes with it
    ("address = 14, type", "address = 13, type", "drive.GT1.kept.underflow_density_kg_per_m3"),
    ("address = 12, type", "address = 70012, type", "drive.GT1.kept.underflow_m3_per_h.address"),
)
VALUES = {
    "name": ("name =", "nam =", {"drive.GT1.name", "drive.GT1.nam"}),
    "text": ("unit = 3 ", 'unit = "3" ', {"drive.GT1.unit"}),
    "list": ('directions = ["forward", "reverse"]', 'directions = ["forward", "back"]', {"drive.GT1.directions[1]"}),
    "no list": ('directions = ["forward", "reverse"]', 'directions = "both"', {"drive.GT1.directions"}),
    "stage": ('stage = "alarm"\ndirection = "reverse"', 'stage = "warn"\ndirection = "reverse"',
              {"drive.GT1.contact[2].stage"}),
    "direction": ('stage = "alarm"\ndirection = "reverse"', 'stage = "alarm"\ndirection = "back"',
                  {"drive.GT1.contact[2].direction"}),
    "form": ('direction = "reverse"\nform = "normally_closed"', 'direction = "reverse"\nform = "nc"',
             {"drive.GT1.contact[2].form"}),
    "address": ('"coil", address = 4 }', '"coil", address = "4" }', {"drive.GT1.running.point.address"}),
    "table": ('"coil", address = 4 }', '"cols", address = 4 }', {"drive.GT1.running.point.table"}),
    "type": ('"input", address = 15, type = "uint16" }', '"input", address = 15, type = "word" }',
             {"drive.GT1.kept.rake_lift_mm.type"}),
    "signal": ('signal = "counts"', 'signal = "count"', {"drive.GT1.position.signal"}),
    "span": ("lo = 819.0", "lo = true", {"drive.GT1.position.lo"}),
    "position's point": ('point = { table = "input", address = 10, type = "uint16" }', "point = 10",
                         {"drive.GT1.position.point"}),
    "period": ("heartbeat = { table = \"input\", address = 11, type = \"uint16\"",
               "heartbeat = { table = \"input\", address = 11, period_s = \"1\", type = \"uint16\"",
               {"drive.GT1.heartbeat.period_s"}),
}  # fmt: skip


@pytest.mark.parametrize("name", VALUES)
def test_wrong_value_hides_no_other_mistake_of_its_drive(fennmark: Folder, name: str) -> None:
    """Mistakes that show only beyond single values stand beside it, and nothing that only follows from it."""
    at = (fennmark.path / "drives.toml").read_text(encoding="utf-8").index("[drive.GT1]")
    text = (fennmark.path / "drives.toml").read_text(encoding="utf-8")
    head, own = text[:at], text[at:]
    old, new, keys = VALUES[name]
    for before, after, _ in ((old, new, ""), *BEYOND):
        assert before in own
        own = own.replace(before, after, 1)
    fennmark.write("drives.toml", head + own)

    assert {m.key for m in told(fennmark)} == keys | {key for _, _, key in BEYOND if key}


@pytest.mark.parametrize(
    ("file", "old", "new", "key"),
    [
        ("plcs.toml", 'addressing = "reference"', 'addressing = "classic"', "plc.PLCA.addressing"),
        ("plcs.toml", "[plc.PLCB]", '[plc.PLCB]\nmax_bits = "all"', "plc.PLCB.max_bits"),
        ("site.toml", "values_s = 1.0", "values_s = 0.0", "scan.values_s"),
        ("people.toml", 'role = "operator"', 'role = "oper"', "person.night1.role"),
        ("drives.toml", 'stage = "alarm"', 'stage = "warn"', "drive.PC1.contact[0].stage"),
        ("drives.toml", 'directions = ["forward", "reverse"]', "directions = 2", "drive.GT1.directions"),
        ("drives.toml", 'kind = "two-arm rake"', 'kind = "rake"', "drive.PC1.specification.process.kind"),
        ("drives.toml", 'gear_rating = "50 kN*m"', "gear_rating = 50", "drive.PC1.specification.gear_rating"),
        ("drives.toml", 'rate = "11.19 N/mm"', "rate = 11.19", "drive.PC1.specification.springs.rate"),
    ],
)
def test_wrong_value_is_told_once_and_nothing_for_its_sake(
    fennmark: Folder, file: str, old: str, new: str, key: str
) -> None:
    """What rests on a value that is wrong is not judged by what stands in for it."""
    fennmark.replace(file, old, new)

    assert [m.key for m in told(fennmark)] == [key]


def test_unknown_template_hides_none_of_the_drives_own_mistakes(fennmark: Folder) -> None:
    """What the template would have given is not missed; what the drive says itself is checked."""
    own = 'template = "primry"\nalarm_nm = 50000.0\nshutdown_nm = 40000.0\nposition = { lo_mm = 5.0, hi_mm = 5.0 }'
    fennmark.replace("drives.toml", 'template = "primary"\nname = "Primary clarifier 1"', f"{own}\nname = 7")
    fennmark.replace("drives.toml", "address = 30022", "address = 50022")

    assert {m.key for m in told(fennmark)} == {
        "drive.PC1.template",
        "drive.PC1.name",
        "drive.PC1.alarm_nm",
        "drive.PC1.position.hi_mm",
        "drive.PC1.kept.flow_m3_per_h.address",
    }


def test_wrong_shift_hides_none_of_the_drives_mistakes(fennmark: Folder) -> None:
    """Only the addresses are unknown then."""
    fennmark.replace("drives.toml", "shift = 10 ", 'shift = "10"\nalarm_nm = 50000.0 ')
    fennmark.replace("drives.toml", "lo = 4.0", "lo = 24.0")

    assert {m.key for m in told(fennmark)} == {
        "drive.PC2.shift",
        "drive.PC2.alarm_nm",
        "drive.PC2.specification.alarm.percent",
        "drive.PC1.position.hi",
    }


def test_drives_of_one_template_do_not_hide_each_others_own_mistakes(fennmark: Folder) -> None:
    """One sentence for what they inherit; one for each that contradicts its template in its own way."""
    fennmark.replace("drives.toml", "shift = 100\n", "shift = 100\nshutdown_nm = 17000.0\n")
    fennmark.replace("drives.toml", "shift = 120\n", "shift = 100\nshutdown_nm = 16000.0\n")
    fennmark.append("drives.toml", '[drive.SC3]\ntemplate = "secondary"\nname = "3"\nplc = "PLCB"\nshift = 100')

    keys = [m.key for m in fennmark.mistakes()]

    assert sorted(keys) == [
        "drive.SC1.alarm_nm",
        "drive.SC2.alarm_nm",
        "drive.SC2.contact[0].point",
        "drive.SC3.contact[0].point",
    ]


def test_values_set_for_two_drives_are_told_for_both(fennmark: Folder) -> None:
    """They stand in no line of a file, and are two mistakes all the same."""
    mistakes = fennmark.mistakes({"drive.PC1.plc": "PLCX", "drive.PC2.plc": "PLCX"})

    assert {m.key for m in mistakes} == {"drive.PC1.plc", "drive.PC2.plc"}


def test_wrong_value_in_a_record_hides_nothing_in_it(fennmark: Folder) -> None:
    """The rest of the record is checked; other records of that drive are not called strays for its sake."""
    file = "calibration/PC1-forward-2026-03-14.toml"
    fennmark.handwrite()
    fennmark.replace(file, "ambient_c = 21.0", 'ambient_c = "warm"')
    fennmark.replace(file, 'due_on = "2028-03-14"', 'due_on = "2025-03-14"')
    fennmark.replace(file, "torque_nm = 8000.0", "torque_nm = -8000.0")
    fennmark.replace(file, 'stage = "alarm"', 'stage = "warn"')
    text = (fennmark.path / file).read_text(encoding="utf-8").replace("FM-0101", "FM-0099").splitlines()
    old = [line for line in text if "ambient" not in line]
    fennmark.write("calibration/PC1-old.toml", "\n".join(old).replace("-8000", "8000").replace("warn", "alarm"))

    mistakes = [m for m in fennmark.mistakes() if m.file.endswith("03-14.toml")]

    assert {m.key for m in mistakes} == {"ambient_c", "due_on", "point[0].torque_nm", "contact_point[0].stage"}
    assert {m.key for m in fennmark.mistakes() if m.file.endswith("old.toml")} == {"due_on"}


def test_wrong_value_in_a_team_hides_nothing_in_it(fennmark: Folder) -> None:
    """Shifts, exceptions and steps are checked beside it."""
    fennmark.write(
        "more.toml",
        """[team.spare]
name = "Spare"
zone = 5
[[team.spare.shift]]
name = "late"
begins = "2 pm"
ends = "22:00"
people = ["night1", "nobody1"]
[[team.spare.exception]]
shift = "early"
day = "2026-12-24"
last_day = "2026-12-20"
""",
    )

    assert {m.key for m in fennmark.mistakes()} == {
        "team.spare.zone",
        "team.spare.shift[0].begins",
        "team.spare.shift[0].people[1]",
        "team.spare.exception[0].shift",
        "team.spare.exception[0].last_day",
    }
