"""The example folder reads what the plant's printed register list says."""

from __future__ import annotations

from nightrake.domain.site import Direction, Table, ValueType
from unit.settings.spoil import Folder, points_of

BIT, U16 = ValueType.BIT, ValueType.UINT16
DISCRETE, INPUT, COIL, HOLDING = Table.DISCRETE, Table.INPUT, Table.COIL, Table.HOLDING
# The printed register list, in PDU addresses: (PLC, unit, table, address, type, bit, order, scale).
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
        (32000.0, 40000.0),
        (32000.0, 40000.0),
        (18000.0, 22500.0),
        (18000.0, 22500.0),
        (90000.0, 112500.0),
        (6400.0, 8000.0),
    ]
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


def test_heartbeat_may_be_a_bit(fennmark: Folder) -> None:
    """Many PLC programs turn a bit over in place of counting; a coil, or a bit of a register."""
    fennmark.replace(
        "drives.toml",
        'heartbeat = { table = "input", address = 0, type = "uint16" }',
        'heartbeat = { table = "coil", address = 9 }',
    )
    fennmark.replace("drives.toml", "address = 6, type", "address = 6, bit = 4, type")
    fennmark.replace("drives.toml", 'bit = 4, type = "uint16"', "bit = 4")

    drives = fennmark.load().site.drives

    assert drives["SCR1"].heartbeat is not None
    assert drives["SCR1"].heartbeat.type is ValueType.BIT
    assert drives["SC1"].heartbeat is not None
    assert (drives["SC1"].heartbeat.address, drives["SC1"].heartbeat.bit) == (106, 4)
