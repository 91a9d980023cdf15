"""From a folder to settings: the whole folder at once, digests, overrides, periods, files that are none."""

from __future__ import annotations

import dataclasses
import os
import re
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from nightrake.domain.site import Direction, Order, PointSpec, Table, ValueType
from nightrake.errors import ConfigError
from nightrake.settings import Settings, load

if TYPE_CHECKING:
    from conftest import Folder

BIT, U16 = ValueType.BIT, ValueType.UINT16
DISCRETE, INPUT, COIL, HOLDING = Table.DISCRETE, Table.INPUT, Table.COIL, Table.HOLDING
# The register list as the integrators printed it, in PDU addresses: (PLC, unit, table, address, type, bit, order, scale).
PRINTED = {
    "PC1 contact:forward/alarm/A": ("PLCA", 1, DISCRETE, 0, BIT, 0, "ABCD", 1.0),
    "PC1 contact:forward/shutdown/A": ("PLCA", 1, DISCRETE, 1, BIT, 0, "ABCD", 1.0),
    "PC1 contact:forward/shutdown/B": ("PLCA", 1, DISCRETE, 2, BIT, 0, "ABCD", 1.0),
    "PC1 running": ("PLCA", 1, DISCRETE, 3, BIT, 0, "ABCD", 1.0),
    "PC1 rack_healthy": ("PLCA", 1, DISCRETE, 20, BIT, 0, "ABCD", 1.0),
    "PC1 position": ("PLCA", 1, INPUT, 0, U16, 0, "ABCD", 0.001),
    "PC1 power": ("PLCA", 1, INPUT, 1, U16, 0, "ABCD", 0.001),
    "PC1 heartbeat": ("PLCA", 1, INPUT, 20, U16, 0, "ABCD", 1.0),
    "PC1 kept:flow_m3_per_h": ("PLCA", 1, INPUT, 21, U16, 0, "ABCD", 0.1),
    "PC2 contact:forward/alarm/A": ("PLCA", 1, DISCRETE, 10, BIT, 0, "ABCD", 1.0),
    "PC2 contact:forward/shutdown/A": ("PLCA", 1, DISCRETE, 11, BIT, 0, "ABCD", 1.0),
    "PC2 contact:forward/shutdown/B": ("PLCA", 1, DISCRETE, 12, BIT, 0, "ABCD", 1.0),
    "PC2 running": ("PLCA", 1, DISCRETE, 13, BIT, 0, "ABCD", 1.0),
    "PC2 rack_healthy": ("PLCA", 1, DISCRETE, 20, BIT, 0, "ABCD", 1.0),
    "PC2 position": ("PLCA", 1, INPUT, 10, U16, 0, "ABCD", 0.001),
    "PC2 power": ("PLCA", 1, INPUT, 11, U16, 0, "ABCD", 0.001),
    "PC2 heartbeat": ("PLCA", 1, INPUT, 20, U16, 0, "ABCD", 1.0),
    **{
        f"{drive} {role}": ("PLCB", 1, HOLDING, base + at, kind, bit, order, scale)
        for drive, base in (("SC1", 100), ("SC2", 120))
        for role, at, kind, bit, order, scale in (
            ("contact:forward/alarm/A", 0, BIT, 0, "ABCD", 1.0),
            ("contact:forward/shutdown/A", 0, BIT, 1, "ABCD", 1.0),
            ("running", 0, BIT, 2, "ABCD", 1.0),
            ("rack_healthy", 0, BIT, 3, "ABCD", 1.0),
            ("latched:forward/alarm/A", 0, BIT, 8, "ABCD", 1.0),
            ("latched:forward/shutdown/A", 0, BIT, 9, "ABCD", 1.0),
            ("counter:forward/alarm/A", 1, U16, 0, "ABCD", 1.0),
            ("counter:forward/shutdown/A", 2, U16, 0, "ABCD", 1.0),
            ("position", 3, ValueType.FLOAT32, 0, "CDAB", 1.0),
            ("speed", 5, U16, 0, "ABCD", 0.0001),
            ("heartbeat", 6, U16, 0, "ABCD", 1.0),
        )
    },
    "GT1 contact:forward/alarm/A": ("GWC", 3, COIL, 0, BIT, 0, "ABCD", 1.0),
    "GT1 contact:forward/shutdown/A": ("GWC", 3, COIL, 1, BIT, 0, "ABCD", 1.0),
    "GT1 contact:reverse/alarm/A": ("GWC", 3, COIL, 2, BIT, 0, "ABCD", 1.0),
    "GT1 contact:reverse/shutdown/A": ("GWC", 3, COIL, 3, BIT, 0, "ABCD", 1.0),
    "GT1 running": ("GWC", 3, COIL, 4, BIT, 0, "ABCD", 1.0),
    "GT1 position": ("GWC", 3, INPUT, 10, U16, 0, "ABCD", 1.0),
    "GT1 heartbeat": ("GWC", 3, INPUT, 11, U16, 0, "ABCD", 1.0),
    "GT1 kept:underflow_m3_per_h": ("GWC", 3, INPUT, 12, U16, 0, "ABCD", 0.1),
    "GT1 kept:blanket_level_mm": ("GWC", 3, INPUT, 13, U16, 0, "ABCD", 1.0),
    "GT1 kept:underflow_density_kg_per_m3": ("GWC", 3, INPUT, 14, U16, 0, "ABCD", 1.0),
    "GT1 kept:rake_lift_mm": ("GWC", 3, INPUT, 15, U16, 0, "ABCD", 1.0),
    "SCR1 contact:forward/alarm/A": ("GWC", 4, COIL, 0, BIT, 0, "ABCD", 1.0),
    "SCR1 contact:forward/shutdown/A": ("GWC", 4, COIL, 1, BIT, 0, "ABCD", 1.0),
    "SCR1 running": ("GWC", 4, COIL, 2, BIT, 0, "ABCD", 1.0),
    "SCR1 position": ("GWC", 4, HOLDING, 40, ValueType.INT32, 0, "DCBA", 0.001),
    "SCR1 speed": ("GWC", 4, HOLDING, 42, ValueType.FLOAT32, 0, "BADC", 1.0),
    "SCR1 heartbeat": ("GWC", 4, INPUT, 0, U16, 0, "ABCD", 1.0),
}
OPERATED_BIT = {"PC1": (0, 0, 0), "PC2": (0, 0, 0), "SC1": (1, 1), "SC2": (1, 1), "GT1": (0, 0, 0, 0), "SCR1": (1, 0)}


def points_of(settings: Settings) -> dict[str, PointSpec]:
    """Every point: drive and role -> point."""
    return {f"{d.id} {role}": p for d in settings.site.drives.values() for role, p in d.points().items()}


def test_example_reads_what_the_printed_list_says(fennmark: Folder) -> None:
    """Point for point: PLC, unit, table, address, type, bit, order and scale of the printed register list."""
    found = {
        name: (p.endpoint, p.unit, p.table, p.address, p.type, p.bit, p.order, p.scale)
        for name, p in points_of(fennmark.load()).items()
    }

    assert found == PRINTED


def test_example_knows_polarity_and_machines(fennmark: Folder) -> None:
    """Which bit value means operated, and the set points and spans of the factory records."""
    drives = fennmark.load().site.drives

    assert {n: tuple(c.operated_bit for c in d.contacts) for n, d in drives.items()} == OPERATED_BIT
    assert [(d.alarm_nm, d.shutdown_nm) for d in drives.values()] == [
        (32000.0, 40000.0), (32000.0, 40000.0), (18000.0, 22500.0), (18000.0, 22500.0), (90000.0, 112500.0), (6400.0, 8000.0),
    ]  # fmt: skip
    assert drives["GT1"].position is not None
    assert (drives["GT1"].position.lo, drives["GT1"].position.lo_mm) == (819.0, -25.0)
    assert set(drives["GT1"].calibrations) == {Direction.FORWARD, Direction.REVERSE}
    assert all(set(d.calibrations) == set(d.directions) for d in drives.values())


def test_example_respects_the_devices_limits(fennmark: Folder) -> None:
    """Ports, 16 registers a request, 20 ms between requests."""
    plcs = fennmark.load().site.endpoints

    assert {n: p.port for n, p in plcs.items()} == {"PLCA": 15021, "PLCB": 15022, "GWC": 15023}
    assert plcs["PLCB"].max_registers == 16
    assert plcs["GWC"].min_gap_ns == 20_000_000


def test_ten_mistakes_in_five_files_are_told_at_once(fennmark: Folder) -> None:
    """All mistakes of all files, each with its file and line, in that order."""
    planted = [
        ("site.toml", fennmark.replace("site.toml", "contacts_s = 0.25", "contacts_s = 0.01")),
        ("site.toml", fennmark.replace("site.toml", "port = 18831", "prot = 18831")),
        ("plcs.toml", fennmark.replace("plcs.toml", "port = 15022", 'port = "502"')),
        ("plcs.toml", fennmark.replace("plcs.toml", "timeout_s = 1.0\n\n", "timeout_s = nan\n\n")),
        ("people.toml", fennmark.replace("people.toml", 'role = "operator"', 'role = "oper"')),
        ("drives.toml", fennmark.replace("drives.toml", "alarm_nm = 90000.0", "alarm_nm = 990000.0")),
        ("drives.toml", fennmark.replace("drives.toml", "{ address = 10003 }", "{ address = 10002 }")),
        ("drives.toml", fennmark.replace("drives.toml", 'order = "DCBA"', 'order = "DBCA"')),
        ("drives.toml", fennmark.replace("drives.toml", 'machine = "sludge screw', 'machin = "sludge screw')),
    ]
    file = "calibration/PC1-forward-2026-03-14.toml"
    planted.append((file, fennmark.replace(file, 'made_on = "2026-03-14"', 'made_on = "14.3.2026"')))

    mistakes = fennmark.mistakes()

    told = {(m.file.removeprefix("config/"), m.line) for m in mistakes}
    assert set(planted) <= told
    assert [(m.file, m.line) for m in mistakes] == sorted((m.file, m.line) for m in mistakes)
    assert len(mistakes) == 10


def test_mistake_in_a_template_is_told_once(fennmark: Folder) -> None:
    """Two drives inherit it from one line; it is one mistake."""
    line = fennmark.replace("drives.toml", "speed = { table", "speed = { tabel = 1, table")

    mistakes = fennmark.mistakes()

    assert [(m.line, m.text) for m in mistakes] == [(line, "unknown key; did you mean 'table'?")]


def test_unused_template_is_checked_too(fennmark: Folder) -> None:
    """A typing error waits in no template until a drive uses it."""
    line = fennmark.append("drives.toml", '[template.spare]\nmachin = "mixer"')

    (mistake,) = fennmark.mistakes()

    assert (mistake.line, mistake.key) == (line + 1, "template.spare.machin")
    assert "did you mean 'machine'?" in mistake.text


def test_file_that_does_not_parse_hides_no_mistake_and_makes_none(fennmark: Folder) -> None:
    """What may stand in the broken file is not told as missing; mistakes of other files are."""
    fennmark.write("plcs.toml", "[plc.PLCA\n")
    fennmark.replace("people.toml", 'role = "engineer"', 'role = "boss"')

    mistakes = fennmark.mistakes()

    assert [m.file for m in mistakes] == ["config/people.toml", "config/plcs.toml"]


@pytest.mark.parametrize(
    ("content", "line", "words"),
    [
        (b"a = 1\nb = \xff\xfe\n", 2, "UTF-8"),
        ("x = 1".encode("utf-16"), 1, "UTF-8"),
        (b"a = 1\na = 2\n", 2, "stands twice in one table"),
        (b"a = \n", 1, "none that TOML knows"),
        (b"a = " + b"9" * 5000, 0, "too many digits"),
        (b"a = " + b"[" * 5000 + b"]" * 5000, 0, "too deep"),
        (b'a = """\n', 2, "unterminated"),
        (b"\x00" * (4 * 1024 * 1024 + 1), 0, "larger than 4 MB"),
    ],
)
def test_file_that_is_no_toml_is_named(fennmark: Folder, content: bytes, line: int, words: str) -> None:
    """One sentence with the line, never the parser's traceback."""
    fennmark.write("more.toml", content)

    (mistake,) = fennmark.mistakes()

    assert (mistake.file, mistake.line) == ("config/more.toml", line)
    assert words in mistake.text


def test_byte_order_mark_is_no_mistake(fennmark: Folder) -> None:
    """Some editors put one in front; it says nothing."""
    text = (fennmark.path / "people.toml").read_bytes()
    fennmark.write("people.toml", b"\xef\xbb\xbf" + text)

    assert set(fennmark.load().people) == {"night1", "drives"}


def test_pipe_in_the_folder_blocks_nothing(fennmark: Folder) -> None:
    """Whatever is called .toml and is no file is refused unread."""
    os.mkfifo(fennmark.path / "pipe.toml")
    (fennmark.path / "folder.toml").mkdir()

    assert [m.text.split(";")[0] for m in fennmark.mistakes()] == ["is no ordinary file"] * 2


def test_dangling_link_is_named(fennmark: Folder) -> None:
    """A link to nowhere cannot be read."""
    (fennmark.path / "gone.toml").symlink_to("nowhere")

    (mistake,) = fennmark.mistakes()

    assert "cannot be read (no such file or directory)" in mistake.text


@pytest.mark.parametrize(
    ("name", "words"), [("none", "no such folder"), ("site.toml", "not a folder"), ("", "no .toml")]
)
def test_folder_that_is_none_is_named(tmp_path: Path, name: str, words: str) -> None:
    """A missing folder, a file in its place, an empty folder."""
    (tmp_path / "site.toml").touch() if name else None

    with pytest.raises(ConfigError, match=words):
        load(tmp_path / name)


def test_id_in_two_files_is_told_with_both_places(fennmark: Folder) -> None:
    """A copied drive that kept its id."""
    fennmark.write("more.toml", '\n[drive.GT1]\nname = "Again"\n')

    mistakes = [m for m in fennmark.mistakes() if "stands twice" in m.text]

    assert [(m.file, m.line, m.key) for m in mistakes] == [("config/more.toml", 2, "drive.GT1")]
    assert re.search(r"config/drives.toml:\d+", mistakes[0].text)


# --- digest -----------------------------------------------------------------------------------------------------------


def test_digest_names_the_content_not_its_layout(fennmark: Folder) -> None:
    """Comments, order, file names and written-out defaults change nothing; a value changes it."""
    before = fennmark.load()
    text = (fennmark.path / "people.toml").read_text()
    parts = text.split("\n[")
    fennmark.write("zz.toml", "# moved\n" + "\n[".join([parts[0], parts[2], parts[1]]))
    (fennmark.path / "people.toml").unlink()
    fennmark.replace("site.toml", "# tail_hours = 2.0", "tail_hours = 2")

    moved = fennmark.load()
    fennmark.replace("drives.toml", "turn_s = 20.0", "turn_s = 21.0")
    changed = fennmark.load()

    assert moved.digest == before.digest
    assert moved.content == before.content
    assert changed.digest != before.digest
    assert before.digest == before.site.digest


def test_digest_holds_the_calibration(fennmark: Folder) -> None:
    """Another record in force is another digest."""
    before = fennmark.load()
    fennmark.replace("calibration/GT1-reverse-2026-03-14.toml", "28125.0", "28126.0")

    assert fennmark.load().digest != before.digest


def test_secret_is_not_in_the_settings(fennmark: Folder, monkeypatch: pytest.MonkeyPatch) -> None:
    """Digest and content know where a secret is, not what it is."""
    fennmark.replace("site.toml", "port = 18831", 'username = "watch"\npassword_env = "NR_TEST_PASSWORD"')
    monkeypatch.setenv("NR_TEST_PASSWORD", "hunter2")
    one = fennmark.load()
    monkeypatch.setenv("NR_TEST_PASSWORD", "hunter3")

    assert fennmark.load().digest == one.digest
    assert "hunter2" not in repr(one) + one.content


def test_settings_do_not_change(fennmark: Folder) -> None:
    """Everything is frozen."""
    settings = fennmark.load()

    with pytest.raises(dataclasses.FrozenInstanceError):
        settings.digest = ""  # type: ignore[misc]
    with pytest.raises(ValueError, match="frozen"):
        settings.mqtt.port = 1


# --- overrides and periods --------------------------------------------------------------------------------------------


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
