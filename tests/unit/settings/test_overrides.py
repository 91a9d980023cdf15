"""Overrides, templates, periods and reference numbers: which value counts."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from nightrake.domain.site import Order, Table
from nightrake.settings import Settings, load
from unit.settings.spoil import Folder, points_of

INPUT, COIL, HOLDING = Table.INPUT, Table.COIL, Table.HOLDING


def test_override_takes_texts_and_numbers(fennmark: Folder) -> None:
    """What the command line gives becomes what the key needs, also inside templates and lists."""
    settings = fennmark.load(
        {
            "plc.PLCA.port": 1502,
            "mqtt.protocol": "311",
            "mqtt.client_id": 12,
            "forward.enabled": "true",
            "scan.values_s": "0.5",
            "drive.PC1.contact[0].debounce_operate_s": "0.25",
            "drive.SC2.shift": 140,
            "template.primary.turn_s": 900,
            "store.dir": "elsewhere",
        }
    )

    assert settings.site.endpoints["PLCA"].port == 1502
    assert (settings.mqtt.protocol, settings.mqtt.client_id) == (311, "12")
    assert settings.forward.enabled is True
    assert settings.site.drives["PC1"].contacts[0].debounce_operate_ns == 250_000_000
    assert settings.site.drives["SC2"].points()["heartbeat"].address == 146
    assert settings.site.drives["PC2"].turn_ns == 900 * 10**9
    assert settings.store_dir == Path("elsewhere")


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("mqtt.prot", 1, "did you mean 'port'?"),
        ("mqtt.port", "x", "expected a whole number"),
        ("mqtt.port.x", 1, "no such table"),
        ("drive.PC1.contact[9].form", "x", "no such table"),
        ("", "x", "no such table"),
        ("plc.PLCZ.port", 3, "there is no [plc.PLCZ] to set a value in; did you mean"),
        ("drive.PC9.alarm_nm", 3, "there is no [drive.PC9]"),
        ("scan.values_s", "nan", "finite"),
    ],
)
def test_wrong_override_is_told_as_one(fennmark: Folder, key: str, value: str | int, words: str) -> None:
    """The place is --set, not a file."""
    mistakes = fennmark.mistakes({key: value})

    assert [(m.file, m.line) for m in mistakes] == [("--set", 0)]
    assert words in mistakes[0].text


def period_s(settings: Settings, name: str) -> float:
    """How often a point is read."""
    return points_of(settings)[name].period_ns / 1e9


def test_the_narrower_period_counts(fennmark: Folder) -> None:
    """Point before drive before PLC before site, each for itself."""
    fennmark.replace("drives.toml", "turn_s = 20.0", "scan = { values_s = 2.0 }")
    fennmark.replace("drives.toml", "address = 0, type", "address = 0, period_s = 0.05, type")

    settings = fennmark.load({"scan.values_s": "1.5"})

    assert period_s(settings, "PC1 contact:forward/alarm/A") == 0.25
    assert period_s(settings, "PC1 position") == 1.5
    assert period_s(settings, "GT1 running") == 0.5
    assert period_s(settings, "GT1 position") == 1.5
    assert period_s(settings, "SCR1 position") == 2.0
    assert period_s(settings, "SCR1 contact:forward/alarm/A") == 0.5
    assert period_s(settings, "SCR1 heartbeat") == 0.05


def test_defaults_are_a_second_and_a_quarter(small: Callable[[str], Folder]) -> None:
    """A folder that says nothing of periods."""
    contact = (
        'stage = "shutdown"\nform = "normally_closed"\nbit_1_means = "closed"\npoint = { table = "coil", address = 0 }'
    )
    settings = small(
        f'[drive.D]\nname = "D"\nplc = "P"\npower = {{ table = "input", address = 0, type = "uint16" }}\n'
        f"[[drive.D.contact]]\n{contact}\n"
    ).load()

    assert period_s(settings, "D contact:forward/shutdown/A") == 0.25
    assert period_s(settings, "D power") == 1.0


def test_drive_may_draw_on_several_plcs(fennmark: Folder) -> None:
    """A point names another PLC and unit, by that PLC's convention."""
    fennmark.replace(
        "drives.toml", "turn_s = 20.0", 'power = { plc = "PLCA", unit = 2, address = 30031, type = "uint16" }'
    )

    power = points_of(fennmark.load())["SCR1 power"]

    assert (power.endpoint, power.unit, power.table, power.address) == ("PLCA", 2, INPUT, 30)


def test_shift_by_table_moves_only_that_table(fennmark: Folder) -> None:
    """Lists that leave different room in each table; what is fixed stays."""
    fennmark.replace("drives.toml", "shift = 10", "shift = { discrete = 40, input = 50 }")

    points = points_of(fennmark.load())

    assert points["PC2 running"].address == 43
    assert points["PC2 position"].address == 50
    assert points["PC2 rack_healthy"].address == 20


def test_drives_own_keys_stand_over_its_template(fennmark: Folder) -> None:
    """One other register of an otherwise equal drive; its address is taken as it stands."""
    fennmark.replace("drives.toml", "shift = 10", "shift = 10\npower = { address = 30099 }\nalarm_nm = 30000.0")

    settings = fennmark.load()

    assert points_of(settings)["PC2 power"].address == 98
    assert points_of(settings)["PC2 power"].scale == 0.001
    assert settings.site.drives["PC2"].alarm_nm == 30000.0
    assert settings.site.drives["PC1"].alarm_nm == 32000.0


@pytest.mark.parametrize(("number", "table", "address"), [(1, COIL, 0), (9999, COIL, 9998), (465536, HOLDING, 65535)])
def test_reference_numbers_count_from_one(fennmark: Folder, number: int, table: Table, address: int) -> None:
    """Five or six digits; the first names the table."""
    if table is COIL:
        fennmark.replace("drives.toml", "{ address = 10021, fixed", f"{{ address = {number}, fixed")
        name = "PC1 rack_healthy"
    else:
        fennmark.replace("drives.toml", "{ address = 30021, type", f"{{ address = {number}, type")
        name = "PC1 heartbeat"

    point = points_of(fennmark.load())[name]

    assert (point.table, point.address) == (table, address)


def test_orders_reach_the_core(fennmark: Folder) -> None:
    """All four byte and word orders are taken."""
    for order in ("ABCD", "CDAB", "BADC", "DCBA"):
        point = points_of(fennmark.load({"drive.SCR1.speed.order": order}))["SCR1 speed"]
        assert point.order is Order(order)


def test_now_is_taken_when_no_day_is_given(fennmark: Folder) -> None:
    """Today's settings know which day it is."""
    assert load(fennmark.path).today_utc_ms % 86_400_000 == 0
    assert fennmark.load(today=date(2026, 11, 1)).today_utc_ms == 1793491200000
