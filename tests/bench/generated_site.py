"""Settings folders of sites of any size, for the benchmarks."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path

from stand import DRIVES_PER_PLC, Stand

TEMPLATE = """
[template.bench]
machine = "rake"
directions = ["forward"]
alarm_nm = 32000.0
shutdown_nm = 40000.0
stale_s = 30.0
power = { table = "input", address = 1, type = "uint16", scale = 0.001 }
heartbeat = { table = "input", address = 16, type = "uint16", fixed = true }

[[template.bench.contact]]
stage = "alarm"
form = "normally_closed"
bit_1_means = "closed"
point = { table = "discrete", address = 0 }

[[template.bench.contact]]
stage = "shutdown"
form = "normally_closed"
bit_1_means = "closed"
point = { table = "discrete", address = 1 }

[template.bench.running]
point = { table = "discrete", address = 2 }

[template.bench.rack_healthy]
point = { table = "discrete", address = 3 }

[template.bench.position]
point = { table = "input", address = 0, type = "uint16", scale = 0.001 }
signal = "mA"
"""

RECORD = """drive = "{drive}"
device_serial = "BENCH-{drive}"
made_by = "bench"
made_on = "2025-01-01"
method = "factory output"
[[point]]
torque_nm = 8000.0
position_mm = 0.0
[[point]]
torque_nm = 32000.0
position_mm = 15.0
[[point]]
torque_nm = 48000.0
position_mm = 25.0
"""


def write_site(
    stand: Stand, drives: int, ports: Sequence[int], period_s: float, *, forward: bool = True, debounce_s: float = 0.0
) -> Path:
    """Write the settings folder of a site: eight drives to a PLC, a port for each PLC, everything read at one pace.

    Args:
        stand: Where broker and store are.
        drives: How many.
        ports: Of the PLCs, at least one for eight drives.
        period_s: Of contacts and values, in s.
        forward: Whether samples go on to the store.
        debounce_s: Of the alarm contacts, in s.
    """
    folder = stand.folder / "site"
    shutil.rmtree(folder, ignore_errors=True)
    (folder / "calibration").mkdir(parents=True)
    plcs = -(-drives // DRIVES_PER_PLC)
    names = [f"D{i:04d}" for i in range(drives)]
    head = (
        f'[site]\nid = "bench"\nname = "Bench"\n\n[scan]\ncontacts_s = {period_s}\nvalues_s = {period_s}\n\n'
        f'[store]\ndir = "{stand.folder}/state"\n\n[control]\nsocket = "{stand.folder}/state/control"\n\n'
        f'[mqtt]\nhost = "127.0.0.1"\nport = {stand.mqtt_port}\n\n'
        f'[forward]\nenabled = {str(forward).lower()}\nurl = "{stand.store_url}"\n'
    )
    (folder / "site.toml").write_text(head)
    tables = [f'[plc.P{i:03d}]\nhost = "127.0.0.1"\nport = {ports[i]}\naddressing = "pdu"\n' for i in range(plcs)]
    (folder / "plcs.toml").write_text("\n".join(tables))
    template = TEMPLATE.replace("address = 0 }\n\n[[", f"address = 0 }}\ndebounce_operate_s = {debounce_s}\n\n[[", 1)
    (folder / "drives.toml").write_text(template + "".join(drive_table(i, name) for i, name in enumerate(names)))
    for name in names:
        (folder / "calibration" / f"{name}.toml").write_text(RECORD.format(drive=name))
    return folder


def drive_table(number: int, name: str) -> str:
    """Settings of one drive."""
    place = number % DRIVES_PER_PLC
    return (
        f'\n[drive.{name}]\ntemplate = "bench"\nname = "Drive {number}"\nplc = "P{number // DRIVES_PER_PLC:03d}"\n'
        f'device_serial = "BENCH-{name}"\nshift = {{ discrete = {4 * place}, input = {2 * place} }}\n'
    )
