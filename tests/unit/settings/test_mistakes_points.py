"""Slips in points and signals: each told in one sentence of its own."""

from __future__ import annotations

import pytest

from unit.settings.spoil import Folder, Slip, assert_told

SLIPS = {
    "PDU address in a reference list": Slip(
        "drives.toml", "address = 30021,", "address = 20,", "drive.PC1.heartbeat.address", "if 20 is a PDU address"
    ),
    "no such reference": Slip(
        "drives.toml",
        "point = { address = 10021, fixed = true }",
        "point = { address = 20021, fixed = true }",
        "drive.PC1.rack_healthy.point.address",
        "if 20021 is a PDU address, set plc.PLCA.addressing = 'pdu'",
    ),
    "reference of another table": Slip(
        "drives.toml",
        "point = { address = 10021, fixed = true }",
        'point = { address = 10021, table = "coil", fixed = true }',
        "drive.PC1.rack_healthy.point.address",
        "table says coil",
    ),
    "reference in a PDU list": Slip(
        "drives.toml",
        'point = { table = "coil", address = 4 }',
        "point = { address = 10005 }",
        "drive.GT1.running.point",
        "addressing = 'reference'",
    ),
    "large reference in a PDU list": Slip(
        "drives.toml",
        '{ table = "input", address = 12,',
        '{ table = "input", address = 300013,',
        "drive.GT1.kept.underflow_m3_per_h.address",
        "addressing = 'reference'",
    ),
    "past the end": Slip(
        "drives.toml",
        'address = 42, type = "float32"',
        'address = 65535, type = "float32"',
        "drive.SCR1.speed.address",
        "past the last address",
    ),
    "bit 16": Slip(
        "drives.toml", "address = 0, bit = 2", "address = 0, bit = 16", "drive.SC1.running.point.bit", "15 or less"
    ),
    "no bit": Slip("drives.toml", "address = 0, bit = 2", "address = 0", "drive.SC1.running.point", "say which bit"),
    "number from bits": Slip(
        "drives.toml",
        'heartbeat = { table = "input", address = 0,',
        'heartbeat = { table = "coil", address = 9,',
        "drive.SCR1.heartbeat.address",
        "holds bits",
    ),
    "heartbeat bit of a register": Slip(
        "drives.toml",
        'heartbeat = { table = "input", address = 0, type = "uint16" }',
        'heartbeat = { table = "input", address = 0, type = "bit" }',
        "drive.SCR1.heartbeat",
        "say which bit",
    ),
    "heartbeat of no type": Slip(
        "drives.toml",
        'heartbeat = { table = "input", address = 0, type = "uint16" }',
        'heartbeat = { table = "input", address = 0 }',
        "drive.SCR1.heartbeat",
        "needs a type",
    ),
    "bit with a type": Slip(
        "drives.toml",
        'point = { table = "coil", address = 4 }',
        'point = { table = "coil", address = 4, type = "uint16" }',
        "drive.GT1.running.point",
        "leave out type and bit",
    ),
    "contact as number": Slip(
        "drives.toml",
        "address = 0, bit = 2 }",
        'address = 0, type = "uint16" }',
        "drive.SC1.running.point.type",
        "bit = 0 to 15",
    ),
    "number as bit": Slip(
        "drives.toml",
        'address = 12, type = "uint16"',
        'address = 12, type = "bit"',
        "drive.GT1.kept.underflow_m3_per_h.type",
        "this needs a number",
    ),
    "no type": Slip(
        "drives.toml",
        'address = 12, type = "uint16",',
        "address = 12,",
        "drive.GT1.kept.underflow_m3_per_h",
        "needs a type",
    ),
    "bit of a number": Slip(
        "drives.toml",
        'address = 12, type = "uint16"',
        'address = 12, bit = 3, type = "uint16"',
        "drive.GT1.kept.underflow_m3_per_h.bit",
        "no meaning for uint16",
    ),
    "scaled bit": Slip(
        "drives.toml",
        'point = { table = "coil", address = 4 }',
        'point = { table = "coil", address = 4, scale = 2.0 }',
        "drive.GT1.running.point.scale",
        "no meaning for a bit",
    ),
    "scale 0": Slip(
        "drives.toml",
        "scale = 0.1 }\nblanket",
        "scale = 0 }\nblanket",
        "drive.GT1.kept.underflow_m3_per_h.scale",
        "every value the same",
    ),
    "word order": Slip("drives.toml", 'order = "BADC"', 'order = "BACD"', "drive.SCR1.speed.order", "did you mean"),
    "unit 0": Slip("drives.toml", "unit = 4", "unit = 0", "drive.SCR1.unit", "broadcast"),
    "unit 248": Slip("drives.toml", "unit = 4", "unit = 248", "drive.SCR1.unit", "247 or less"),
    "two roles, one bit": Slip(
        "drives.toml",
        'point = { table = "coil", address = 4 }',
        'point = { table = "coil", address = 3 }',
        "drive.GT1.running.point",
        "has the place of contact:reverse/shutdown/A",
    ),
    "overlapping words": Slip(
        "drives.toml",
        'address = 42, type = "float32"',
        'address = 41, type = "float32"',
        "drive.SCR1.speed",
        "has the place of position",
    ),
    "counter of int": Slip(
        "drives.toml",
        'address = 1, type = "uint16"',
        'address = 1, type = "int16"',
        "drive.SC1.contact[0].counter.type",
        "uint16 or uint32",
    ),
    "scaled counter": Slip(
        "drives.toml",
        'address = 2, type = "uint16" }',
        'address = 2, type = "uint16", scale = 2 }',
        "drive.SC1.contact[1].counter",
        "read as it is",
    ),
    "signal without travel": Slip(
        "drives.toml", "lo_mm = -25.0", "lo_mm = 25.0", "drive.GT1.position.hi_mm", "would never move"
    ),
    "signal without span": Slip("drives.toml", "lo = 819.0", "lo = 4095.0", "drive.GT1.position.hi", "span is nothing"),
    "counts without span": Slip("drives.toml", "lo = 819.0\n", "", "drive.GT1.position", "needs lo and hi"),
    "counts said to be mA": Slip(
        "drives.toml", 'signal = "counts"', 'signal = "mA"', "drive.GT1.position.hi", "signal = 'counts'"
    ),
    "scaled with a span": Slip(
        "drives.toml", 'signal = "scaled"', 'signal = "scaled"\nlo = 4.0', "drive.SC1.position.lo", "leave it out"
    ),
    "kept without unit": Slip(
        "drives.toml", "blanket_level_mm", "Blanket-Level", "drive.GT1.kept.Blanket-Level", "flow_m3_per_h"
    ),
}


@pytest.mark.parametrize("slip", SLIPS.values(), ids=SLIPS)
def test_slip_is_named_where_it_stands(fennmark: Folder, slip: Slip) -> None:
    """One slip in a good folder: its key, its file, a line of its own or of its table, and what to do."""
    assert_told(fennmark, slip)
