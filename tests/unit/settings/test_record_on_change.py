"""`record_on_change`: where it may stand, what it becomes, and what is wrong with it."""

from __future__ import annotations

import pytest

from nightrake.domain.onchangespec import OnChange
from nightrake.settings import reload_diff
from unit.settings.spoil import Folder, Slip, assert_told

POWER = 'power = { address = 30002, type = "uint16", scale = 0.001'
RULE = "record_on_change = { band = 0.05, longest_s = 4.0 }"
HEARTBEAT = 'heartbeat = { address = 30021, type = "uint16", fixed = true'
RUNNING = (
    "[template.primary.running]       # motor running feedback; without it a stop can never be confirmed\npoint = {"
)
NS = 1_000_000_000


def test_default_is_to_record_all(fennmark: Folder) -> None:
    """Nothing is left out unless somebody says so."""
    assert [d.on_change for d in fennmark.load().site.drives.values()] == [{}] * 6


def test_template_gives_it_to_its_drives(fennmark: Folder) -> None:
    """Values, bits, kept signals; a drive may take another band."""
    fennmark.replace("drives.toml", POWER, f"{POWER}, {RULE}")
    fennmark.replace("drives.toml", RUNNING, f"{RUNNING} record_on_change = {{ longest_s = 3.5 }},")
    fennmark.replace("drives.toml", "scale = 0.1 }", f"scale = 0.1, {RULE} }}")
    fennmark.replace(
        "drives.toml", "shift = 10  ", "power = { record_on_change = { band = 0.2, longest_s = 4.5 } }\nshift = 10  "
    )
    drives = fennmark.load().site.drives
    running = OnChange(0.0, NS * 7 // 2)
    assert drives["PC1"].on_change == {
        "running": running,
        "power": OnChange(0.05, 4 * NS),
        "kept:flow_m3_per_h": OnChange(0.05, 4 * NS),
    }
    assert drives["PC2"].on_change == {"running": running, "power": OnChange(0.2, NS * 9 // 2)}
    assert drives["SC1"].on_change == {}


def test_contact_with_its_memory(fennmark: Folder) -> None:
    """Each by its role."""
    rule = "record_on_change = { longest_s = 4 }"
    for old in ("address = 0, bit = 0", "address = 0, bit = 8"):
        fennmark.replace("drives.toml", old, f"{old}, {rule}")
    assert set(fennmark.load().site.drives["SC2"].on_change) == {"contact:forward/alarm/A", "latched:forward/alarm/A"}


def test_reload_says_what_became_of_it(fennmark: Folder) -> None:
    """New, changed, gone, by role and figure."""
    before = fennmark.load()
    fennmark.replace("drives.toml", POWER, f"{POWER}, {RULE}")
    first = fennmark.load()
    fennmark.replace("drives.toml", "band = 0.05", "band = 0.06")
    second = fennmark.load()
    assert "drive PC2: record_on_change of power is new" in reload_diff(before, first)
    line = "drive PC1: record_on_change of power 'band 0.05, longest_s 4' -> 'band 0.06, longest_s 4'"
    assert line in reload_diff(first, second)
    assert "drive PC1: record_on_change of power is gone" in reload_diff(second, before)


SLIPS = {
    "no longest silence": Slip(
        "drives.toml", POWER, f"{POWER}, record_on_change = {{ band = 1.0 }}",
        "drive.PC1.power.record_on_change.longest_s", "is missing",
    ),
    "not a table": Slip(
        "drives.toml", POWER, f"{POWER}, record_on_change = true",
        "drive.PC1.power.record_on_change", "",
    ),
    "negative band": Slip(
        "drives.toml", POWER, f"{POWER}, {RULE.replace('0.05', '-0.05')}",
        "drive.PC1.power.record_on_change.band", "0 or more",
    ),
    "infinite band": Slip(
        "drives.toml", POWER, f"{POWER}, {RULE.replace('0.05', 'inf')}",
        "drive.PC1.power.record_on_change.band", "finite",
    ),
    "another key": Slip(
        "drives.toml", POWER, f"{POWER}, {RULE.replace('band', 'bands')}",
        "drive.PC1.power.record_on_change.bands", "did you mean 'band'",
    ),
    "as long as stale": Slip(
        "drives.toml", POWER, f"{POWER}, {RULE.replace('4.0', '5.0')}",
        "drive.PC1.power.record_on_change.longest_s",
        "is 5 s, but stale_s of this drive is 5 s, beyond which what was not recorded would count as not read",
    ),
    "band of a bit": Slip(
        "drives.toml", RUNNING, f"{RUNNING} {RULE},",
        "drive.PC1.running.point.record_on_change.band", "no meaning for a bit",
    ),
    "shorter than can be kept": Slip(
        "drives.toml", POWER, f"{POWER}, {RULE.replace('4.0', '2.9')}",
        "drive.PC1.power.record_on_change.longest_s", "all would be recorded; it has to be 3 s or more",
    ),
    "heartbeat that seems to stand still": Slip(
        "drives.toml", "# heartbeat_s = 5.0 ", "heartbeat_s = 3.5 ",
        "drive.PC1.heartbeat.record_on_change.longest_s", "heartbeat_s of this drive is 3.5 s",
    ),
}  # fmt: skip


@pytest.mark.parametrize("slip", SLIPS)
def test_mistake_is_told(fennmark: Folder, slip: str) -> None:
    """In one sentence, at its line; of a template once."""
    if slip.startswith("heartbeat"):
        fennmark.replace("drives.toml", HEARTBEAT, f"{HEARTBEAT}, {RULE}")
    assert_told(fennmark, SLIPS[slip])
    assert len([m for m in fennmark.mistakes() if "record_on_change" in m.key]) == 1


def test_faulty_stale_s_is_told_alone(fennmark: Folder) -> None:
    """What rests on a value that is wrong itself is not judged by its stand-in."""
    fennmark.replace("drives.toml", POWER, f"{POWER}, {RULE.replace('4.0', '50.0')}")
    fennmark.replace("drives.toml", "# stale_s = 5.0 ", "stale_s = -1.0 ")
    assert [m.key for m in fennmark.mistakes()] == ["drive.PC1.stale_s"]


def test_check_names_what_saves_nothing(fennmark: Folder) -> None:
    """Power lies between points that are recorded each time; once all of the request have it, nothing is said."""
    fennmark.replace("drives.toml", POWER, f"{POWER}, {RULE}")
    (doubt,) = [w for w in fennmark.load().warnings if "record_on_change" in w]
    assert doubt.startswith(
        "plc.PLCA: PC1 power, PC2 power are recorded on change, but read in one request with PC1 pos"
    )
    fennmark.replace("drives.toml", POWER, POWER.replace("30002", "30502"))
    assert not [w for w in fennmark.load().warnings if "record_on_change" in w]
