"""Each mistake is told in one sentence of its own, with file, line and key."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import pytest

if TYPE_CHECKING:
    from conftest import Folder


class Slip(NamedTuple):
    """One mistake: what is replaced in a file, and what has to be said of it."""

    file: str
    old: str
    new: str
    key: str
    words: str


SLIPS = {
    "unknown table": Slip("people.toml", "[person.night1]", "[persn.night1]", "persn", "did you mean 'person'?"),
    "unknown key": Slip("site.toml", "values_s = 1.0", "value_s = 1.0", "scan.value_s", "did you mean 'values_s'?"),
    "unknown drive key": Slip("drives.toml", "shift = 10", "shft = 10", "drive.PC2.shft", "did you mean 'shift'?"),
    "nothing like it": Slip("people.toml", 'role = "engineer"', 'role = "engineer"\nzz = 1', "person.drives.zz", "known"),
    "missing key": Slip("drives.toml", 'name = "Gravity thickener"\n', "", "drive.GT1.name", "is missing"),
    "wrong type": Slip("plcs.toml", "port = 15021", 'port = "15021"', "plc.PLCA.port", "expected a whole number"),
    "whole number": Slip("plcs.toml", "port = 15022", "port = 15022.5", "plc.PLCB.port", "expected a whole number"),
    "true or false": Slip("site.toml", "enabled = false", "enabled = 0", "forward.enabled", "expected true or false"),
    "table": Slip("plcs.toml", "min_gap_s = 0.02\ntimeout_s = 1.0\n\n[plc.GWC.scan]", "scan = 5\n[scan]", "plc.GWC.scan", "expected a table"),
    "port": Slip("plcs.toml", "port = 15023", "port = 70000", "plc.GWC.port", "65535 or less"),
    "word": Slip("plcs.toml", '"reference"', '"referense"', "plc.PLCA.addressing", "did you mean 'reference'?"),
    "id": Slip("site.toml", 'id = "fennmark"', 'id = "fenn mark"', "site.id", "letters, digits"),
    "empty name": Slip("site.toml", 'name = "Fennmark treatment works"', 'name = ""', "site.name", "is empty"),
    "not a number": Slip("drives.toml", "alarm_nm = 90000.0", "alarm_nm = nan", "drive.GT1.alarm_nm", "finite"),
    "infinite": Slip("drives.toml", "counts_per_ma = 204.75", "counts_per_ma = inf", "drive.GT1.position.counts_per_ma", "finite"),
    "secret": Slip("site.toml", "port = 18831", 'password = "hunter2"', "mqtt.password", "password_env or password_file"),
    "token": Slip("site.toml", "enabled = false", 'token = "hunter2"', "forward.token", "token_env or token_file"),
    "secret in address": Slip("site.toml", '"http://127.0.0.1:18428"', '"http://u:hunter2@h"', "forward.url", "secret"),
    "two secrets": Slip("site.toml", "port = 18831", 'username = "u"\npassword_file = "a"\npassword_env = "B"', "mqtt.password_env", "remove one"),
    "no address": Slip("site.toml", '"http://127.0.0.1:18428"', '"127.0.0.1:18428"', "forward.url", "expected for instance"),
    "half a certificate": Slip("site.toml", "port = 18831", 'cert_file = "c.pem"', "mqtt.key_file", "together"),
    "long socket": Slip("site.toml", '"state/control"', f'"{"x" * 120}"', "control.socket", "at most 107"),
    "port in host": Slip("plcs.toml", 'host = "127.0.0.1"\nport = 15022', 'host = "plcb:502"', "plc.PLCB.host", "port"),
    "one PLC twice": Slip("plcs.toml", "port = 15022", "port = 15021", "plc.PLCB.host", "plc.PLCA already"),
    "back-off": Slip("plcs.toml", "max_registers = 16", "backoff_max_s = 0.2", "plc.PLCB.backoff_max_s", "less than"),
    "too many registers": Slip("plcs.toml", "max_registers = 16", "max_registers = 126", "plc.PLCB.max_registers", "125 or less"),
    "gap": Slip("plcs.toml", "min_gap_s = 0.02", 'readable_gaps = [{ table = "coil", first = 9, last = 3 }]', "plc.GWC.readable_gaps[0]", "lower one first"),
    "gap by PDU address": Slip("plcs.toml", 'addressing = "reference"', 'addressing = "reference"\nreadable_gaps = [{ table = "input", first = 3, last = 30009 }]', "plc.PLCA.readable_gaps[0].first", "no reference number of the input table"),
    "too slow gateway": Slip("plcs.toml", "min_gap_s = 0.02", "min_gap_s = 2.0", "plc.GWC.min_gap_s", "requests per second at most"),
    "unknown PLC": Slip("drives.toml", 'plc = "GWC"', 'plc = "GWD"', "drive.GT1.plc", "did you mean 'GWC'?"),
    "unknown template": Slip("drives.toml", 'template = "secondary"', 'template = "third"', "drive.SC1.template", "there are: primary, secondary"),
    "shift without template": Slip("drives.toml", "unit = 3", "unit = 3\nshift = 4 ", "drive.GT1.shift", "has none"),
    "shift over the table": Slip("drives.toml", "shift = 10", "shift = 9999", "drive.PC2.shift", "to 40001, out of the input table"),
    "shift is a text": Slip("drives.toml", "shift = 10", 'shift = "10"', "drive.PC2.shift", "whole number"),
    "template in template": Slip("drives.toml", 'machine = "secondary clarifier rake"', "shift = 7", "template.secondary.shift", "no place in a template"),
    "forgotten shift": Slip("drives.toml", "shift = 120", "shift = 100", "drive.SC2.contact[0].point", "lacks its shift"),
    "alarm above shutdown": Slip("drives.toml", "alarm_nm = 90000.0", "alarm_nm = 120000.0", "drive.GT1.alarm_nm", "before the shutdown"),
    "alarm at shutdown": Slip("drives.toml", "alarm_nm = 6400.0", "alarm_nm = 8000.0", "drive.SCR1.alarm_nm", "before the shutdown"),
    "only reverse": Slip("drives.toml", 'directions = ["forward", "reverse"]', 'directions = ["reverse"]', "drive.GT1.directions", "'forward'"),
    "direction twice": Slip("drives.toml", 'directions = ["forward", "reverse"]', 'directions = ["reverse", "reverse"]', "drive.GT1.directions", "two different"),
    "direction not sensed": Slip("drives.toml", 'directions = ["forward", "reverse"]', 'directions = ["forward"]', "drive.GT1.contact[2].direction", "senses forward only"),
    "channel B twice": Slip("drives.toml", "channel = \"B\"", "channel = \"A\"", "drive.PC1.contact[2]", "second forward shutdown contact"),
    "channel B alone": Slip("drives.toml", 'stage = "shutdown"\nform = "normally_closed"', 'stage = "shutdown"\nchannel = "B"\nform = "normally_closed"', "drive.PC1.contact[1].channel", "no channel A"),
    "debounce": Slip("drives.toml", "debounce_operate_s = 0.5", "debounce_operate_s = 1.5", "drive.PC1.contact[0].debounce_operate_s", "1 or less"),
    "debounce in ms": Slip("drives.toml", "debounce_operate_s = 0.5", "debounce_operate_ms = 500", "drive.PC1.contact[0].debounce_operate_ms", "did you mean 'debounce_operate_s'?"),
    "negative debounce": Slip("drives.toml", "debounce_release_s = 0.5", "debounce_release_s = -0.1", "drive.PC1.contact[0].debounce_release_s", "0 or more"),
    "scan too fast": Slip("site.toml", "contacts_s = 0.25", "contacts_s = 0.04", "scan.contacts_s", "0.05 or more"),
    "scan too slow": Slip("site.toml", "values_s = 1.0", "values_s = 61", "scan.values_s", "60 or less"),
    "stale before read": Slip("drives.toml", "turn_s = 20.0", "stale_s = 1.5", "drive.SCR1.stale_s", "2 s or more"),
    "frozen before read": Slip("drives.toml", "turn_s = 20.0", "heartbeat_s = 1.0", "drive.SCR1.heartbeat_s", "the heartbeat is read only"),
    "running before read": Slip("drives.toml", "turn_s = 20.0", "stop_confirm_s = 0.5", "drive.SCR1.stop_confirm_s", "running is read only"),
    "PDU address in a reference list": Slip("drives.toml", "address = 30021,", "address = 20,", "drive.PC1.heartbeat.address", "if 20 is a PDU address"),
    "no such reference": Slip("drives.toml", "point = { address = 10021, fixed = true }", "point = { address = 20021, fixed = true }", "drive.PC1.rack_healthy.point.address", "if 20021 is a PDU address, set plc.PLCA.addressing = 'pdu'"),
    "reference of another table": Slip("drives.toml", "point = { address = 10021, fixed = true }", 'point = { address = 10021, table = "coil", fixed = true }', "drive.PC1.rack_healthy.point.address", "table says coil"),
    "reference in a PDU list": Slip("drives.toml", 'point = { table = "coil", address = 4 }', "point = { address = 10005 }", "drive.GT1.running.point", "addressing = 'reference'"),
    "large reference in a PDU list": Slip("drives.toml", '{ table = "input", address = 12,', '{ table = "input", address = 300013,', "drive.GT1.kept.underflow_m3_per_h.address", "addressing = 'reference'"),
    "past the end": Slip("drives.toml", 'address = 42, type = "float32"', 'address = 65535, type = "float32"', "drive.SCR1.speed.address", "past the last address"),
    "bit 16": Slip("drives.toml", "address = 0, bit = 2", "address = 0, bit = 16", "drive.SC1.running.point.bit", "15 or less"),
    "no bit": Slip("drives.toml", "address = 0, bit = 2", "address = 0", "drive.SC1.running.point", "say which bit"),
    "number from bits": Slip("drives.toml", 'heartbeat = { table = "input", address = 0,', 'heartbeat = { table = "coil", address = 9,', "drive.SCR1.heartbeat.address", "holds bits"),
    "bit with a type": Slip("drives.toml", 'point = { table = "coil", address = 4 }', 'point = { table = "coil", address = 4, type = "uint16" }', "drive.GT1.running.point", "leave out type and bit"),
    "contact as number": Slip("drives.toml", "address = 0, bit = 2 }", 'address = 0, type = "uint16" }', "drive.SC1.running.point.type", "bit = 0 to 15"),
    "number as bit": Slip("drives.toml", 'address = 12, type = "uint16"', 'address = 12, type = "bit"', "drive.GT1.kept.underflow_m3_per_h.type", "this needs a number"),
    "no type": Slip("drives.toml", 'address = 12, type = "uint16",', "address = 12,", "drive.GT1.kept.underflow_m3_per_h", "needs a type"),
    "bit of a number": Slip("drives.toml", 'address = 12, type = "uint16"', 'address = 12, bit = 3, type = "uint16"', "drive.GT1.kept.underflow_m3_per_h.bit", "no meaning for uint16"),
    "scaled bit": Slip("drives.toml", 'point = { table = "coil", address = 4 }', 'point = { table = "coil", address = 4, scale = 2.0 }', "drive.GT1.running.point.scale", "no meaning for a bit"),
    "scale 0": Slip("drives.toml", "scale = 0.1 }\nblanket", "scale = 0 }\nblanket", "drive.GT1.kept.underflow_m3_per_h.scale", "every value the same"),
    "word order": Slip("drives.toml", 'order = "BADC"', 'order = "BACD"', "drive.SCR1.speed.order", "did you mean"),
    "one register for two": Slip("plcs.toml", "max_registers = 16", "max_registers = 1", "drive.SC1.position.point.type", "gives 1 in one request"),
    "unit 0": Slip("drives.toml", "unit = 4", "unit = 0", "drive.SCR1.unit", "broadcast"),
    "unit 248": Slip("drives.toml", "unit = 4", "unit = 248", "drive.SCR1.unit", "247 or less"),
    "two roles, one bit": Slip("drives.toml", 'point = { table = "coil", address = 4 }', 'point = { table = "coil", address = 3 }', "drive.GT1.running.point", "has the place of contact:reverse/shutdown/A"),
    "overlapping words": Slip("drives.toml", 'address = 42, type = "float32"', 'address = 41, type = "float32"', "drive.SCR1.speed", "has the place of position"),
    "counter of int": Slip("drives.toml", 'address = 1, type = "uint16"', 'address = 1, type = "int16"', "drive.SC1.contact[0].counter.type", "uint16 or uint32"),
    "scaled counter": Slip("drives.toml", 'address = 2, type = "uint16" }', 'address = 2, type = "uint16", scale = 2 }', "drive.SC1.contact[1].counter", "read as it is"),
    "signal without travel": Slip("drives.toml", "lo_mm = -25.0", "lo_mm = 25.0", "drive.GT1.position.hi_mm", "would never move"),
    "signal without span": Slip("drives.toml", "lo = 819.0", "lo = 4095.0", "drive.GT1.position.hi", "span is nothing"),
    "counts without span": Slip("drives.toml", "lo = 819.0\n", "", "drive.GT1.position", "needs lo and hi"),
    "counts said to be mA": Slip("drives.toml", 'signal = "counts"', 'signal = "mA"', "drive.GT1.position.hi", "signal = 'counts'"),
    "scaled with a span": Slip("drives.toml", 'signal = "scaled"', 'signal = "scaled"\nlo = 4.0', "drive.SC1.position.lo", "leave it out"),
    "kept without unit": Slip("drives.toml", "blanket_level_mm", "Blanket-Level", "drive.GT1.kept.Blanket-Level", "flow_m3_per_h"),
    "role": Slip("people.toml", '"engineer"', '"boss"', "person.drives.role", "expected 'operator'"),
}  # fmt: skip


@pytest.mark.parametrize("slip", SLIPS.values(), ids=SLIPS)
def test_slip_is_named_where_it_stands(fennmark: Folder, slip: Slip) -> None:
    """One slip in a good folder: its key, its file, a line of its own or of its table, and what to do."""
    fennmark.replace(slip.file, slip.old, slip.new)

    mistakes = fennmark.mistakes()

    told = [m for m in mistakes if m.key == slip.key and slip.words in m.text]
    assert told, [str(m) for m in mistakes]
    assert all(m.line > 0 for m in mistakes)
    assert "hunter2" not in "".join(str(m) for m in mistakes)
