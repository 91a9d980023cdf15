"""What the settings state of a drive -> its specification, with every mistake in it. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from nightrake.commissioning.reader import Path, Slip, TableReader
from nightrake.commissioning.specification import Process, SetPoint, Specification
from nightrake.commissioning.stated_parts import arm_of, motor_of, springs_of, stage_of, temperatures_of
from nightrake.commissioning.statics import rake_torque_nm
from nightrake.commissioning.units import Dimension
from nightrake.domain.site import Direction, DriveSpec
from nightrake.domain.site import Stage as ContactStage

SAME_TORQUE = 1e-3
"""Set points that are given twice agree within this share: people round to three or four figures."""
SAME_BASE = 5e-3
"""A percentage and the torque that it comes to agree within this share: percentages are rounded harder."""
SAME_SPEED = 0.02


def specification_slips(drive: DriveSpec, table: Mapping[str, Any]) -> list[Slip]:
    """Every mistake in a specification's quantities, by key path below its table."""
    return read_specification(drive, table)[1]


def read_specification(drive: DriveSpec, table: Mapping[str, Any]) -> tuple[Specification, list[Slip]]:
    """Read a specification.

    Args:
        drive: The drive it belongs to. table: Its table with all keys, of the right shapes, quantities as texts.

    Returns:
        The specification, only to be used where there is no slip, and the slips.
    """
    read = TableReader(table)
    rating = read.quantity(("gear_rating",), Dimension.TORQUE, 1.0, 1e8)
    process = _process(read)
    bases = {"gear rating": rating, "process torque": _nm(process)}
    shutdown = _set_point(read, "shutdown", drive.shutdown_nm, bases)
    alarm = _set_point(read, "alarm", drive.alarm_nm, {**bases, "shutdown": _nm(shutdown)})
    reverse = _reverse_set_points(read, drive, bases, shutdown)
    lowest, highest, adjusted = temperatures_of(read)
    contacts = table["contacts"] or {}
    specification = Specification(
        drive=drive,
        output_rad_s=_output_speed(read, drive),
        runs=tuple(table["runs"]),
        forward=" ".join(
            w for w in (table["forward_is"] or "", table["seen_from"] and f"seen from {table['seen_from']}") if w
        ),
        mounting=table["mounting"],
        orientation=table["orientation"],
        balanced=table["balanced"],
        floating=table["floating"],
        gear_rating_nm=rating,
        resolution_m=read.quantity(("transducer_resolution",), Dimension.LENGTH, 1e-9, 0.1),
        transducer_class_pct=table["transducer_class_pct"],
        process=process,
        motor=motor_of(read),
        stages=tuple(stage_of(read, i, g) for i, g in enumerate(table["gear"])),
        springs=springs_of(read, drive),
        arm=arm_of(read),
        alarm=alarm,
        shutdown=shutdown,
        alarm_reverse=reverse[0],
        shutdown_reverse=reverse[1],
        differential_m=read.quantity(("contacts", "differential"), Dimension.LENGTH, 1e-6, 0.1),
        tolerance_pct=float(contacts.get("tolerance_pct", 5.0)),
        supervised=frozenset(ContactStage(s) for s in contacts.get("supervised", ())),
        protecting=frozenset(ContactStage(s) for s in contacts.get("protects_people", ())),
        lowest_k=lowest,
        highest_k=highest,
        adjusted_k=adjusted,
    )
    return specification, read.slips


def _nm(known: Process | SetPoint | None) -> float | None:
    return None if known is None else known.torque_nm


def _output_speed(read: TableReader, drive: DriveSpec) -> float | None:
    """As given, or by `turn_s`; both have to agree."""
    path: Path = ("output_speed",)
    speed = read.quantity(path, Dimension.SPEED, 1e-7, 1e3)
    turn_s = drive.turn_ns / 1e9
    if speed is None:
        return 2.0 * math.pi / turn_s if turn_s else None
    if turn_s and abs(speed * turn_s / (2.0 * math.pi) - 1.0) > SAME_SPEED:
        text = f"is '{read.value(path)}', one turn in {2.0 * math.pi / speed:.4g} s, but the drive's turn_s says"
        read.slip(path, f"{text} {turn_s:g}; correct one of them")
    return speed


_PROCESS_KEYS = {"given torque": ("torque",), "two-arm rake": ("load", "radius"), "screw": ("load", "length")}


def _process(read: TableReader) -> Process | None:
    table = read.value(("process",))
    if table is None:
        return None
    kind, wanted = table["kind"], _PROCESS_KEYS[table["kind"]]
    for key in ("torque", "load", "radius", "length"):
        path: Path = ("process", key)
        if key in wanted and table[key] is None:
            read.slip(path, f"is missing; kind = '{kind}' needs {' and '.join(wanted)}")
        elif key not in wanted and table[key] is not None:
            read.slip(path, f"has no meaning for kind = '{kind}', which needs {' and '.join(wanted)}; leave it out")
    if kind == "given torque":
        torque = read.quantity(("process", "torque"), Dimension.TORQUE, 1.0, 1e8)
        return None if torque is None else Process(torque, "given torque")
    if kind == "two-arm rake":
        load = read.quantity(("process", "load"), Dimension.LINE_LOAD, 0.1, 1e6)
        radius = read.quantity(("process", "radius"), Dimension.LENGTH, 0.1, 200.0)
        if load is None or radius is None:
            return None
        how = f"two-arm rake, T = w r^2, w = {table['load']}, r = {table['radius']}"
        return Process(rake_torque_nm(load, radius), how, (load, Dimension.LINE_LOAD))
    along = read.quantity(("process", "load"), Dimension.LINE_TORQUE, 0.1, 1e7)
    length = read.quantity(("process", "length"), Dimension.LENGTH, 0.1, 200.0)
    if along is None or length is None:
        return None
    return Process(along * length, f"screw, {table['load']} over {table['length']}", (along, Dimension.LINE_TORQUE))


def _reverse_set_points(
    read: TableReader, drive: DriveSpec, bases: Mapping[str, float | None], forward: SetPoint | None
) -> tuple[SetPoint | None, SetPoint | None]:
    """(alarm, shutdown) of the reverse direction; None where it has none of its own."""
    for name in ("alarm_reverse", "shutdown_reverse"):
        if read.value((name,)) is not None and Direction.REVERSE not in drive.directions:
            read.slip((name,), "the drive senses no reverse direction; leave it out, or add directions")
            return None, None
    shutdown = _set_point(read, "shutdown_reverse", drive.shutdown_reverse_nm, bases)
    base = {**bases, "shutdown": _nm(shutdown or forward)}
    return _set_point(read, "alarm_reverse", drive.alarm_reverse_nm, base), shutdown


def _set_point(read: TableReader, name: str, own_nm: float, bases: Mapping[str, float | None]) -> SetPoint | None:
    """A set point from its percentage, its torque, or both; and the drive's own `alarm_nm` or `shutdown_nm`."""
    table = read.value((name,))
    if table is None:
        return SetPoint(own_nm, None, "") if own_nm else None
    percent, base = table["percent"], table["of"]
    torque = read.quantity((name, "torque"), Dimension.TORQUE, 1.0, 1e8)
    if (percent is None) != (base is None):
        key = "of" if base is None else "percent"
        read.slip((name, key), "is missing; a percentage is stored with its base, so percent and of go together")
        return None
    if percent is None:
        if table["torque"] is None:
            read.slip((name,), "says neither percent and of nor torque; give one of them")
        at = ("torque",)
    else:
        at = ("percent",)
        torque = _by_percent(read, name, torque, bases)
    if torque is None:
        return None
    if own_nm and abs(torque / own_nm - 1.0) > (SAME_BASE if at == ("percent",) else SAME_TORQUE):
        text = f"comes to {torque:.6g} N.m, but the drive's {name}_nm says {own_nm:g}"
        read.slip((name, *at), f"{text}; correct one of them")
        return None
    return SetPoint(torque, percent, base or "torque")


_BASES = {
    "gear rating": ("gear_rating",),
    "process torque": ("process",),
    "shutdown": ("shutdown", "gear_rating", "process"),
}
"""What a base is given by; a mistake in any of these is told there, not again where the base is used."""


def _by_percent(read: TableReader, name: str, torque: float | None, bases: Mapping[str, float | None]) -> float | None:
    table = read.value((name,))
    percent, base = table["percent"], table["of"]
    if base not in bases:
        read.slip((name, "of"), f"is {base}, which the {name} itself is; expected {' or '.join(bases)}")
        return None
    whole = bases[base]
    if whole is None:
        needed = _BASES[base]
        if torque is None and not any(read.has_slip((key,)) for key in needed):
            read.slip((name, "of"), f"is {base}, which is not known; add {needed[0]}, or the torque that it comes to")
        return torque
    comes_to = whole * percent / 100.0
    if torque is not None and abs(torque / comes_to - 1.0) > SAME_BASE:
        text = f"is '{table['torque']}', but {percent:g} % of {base} comes to {comes_to:.6g} N.m"
        read.slip((name, "torque"), f"{text}; correct one of them")
        return None
    return comes_to if torque is None else torque
