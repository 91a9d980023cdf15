"""Drives and readings for the tests of summaries, and a slow summary that reads one reading at a time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from nightrake.domain.calibration import torque_of
from nightrake.domain.signals import position_of
from nightrake.domain.site import (
    BitMeans,
    BitSignal,
    CalibrationCurve,
    ContactId,
    ContactSpec,
    Direction,
    DriveSpec,
    Form,
    PointSpec,
    PositionSignal,
    PositionSpec,
    Stage,
    Table,
    ValueType,
)
from nightrake.history.timeline import Track

SECOND_NS = 1_000_000_000
HOUR_MS = 3_600_000
HOUR_UTC_MS = 1_790_000_400_000 // HOUR_MS * HOUR_MS
FORWARD_CURVE = CalibrationCurve("R1", "a" * 64, Direction.FORWARD, (0.0, 10.0, 20.0), (8_000.0, 24_000.0, 40_000.0))
REVERSE_CURVE = CalibrationCurve("R2", "b" * 64, Direction.REVERSE, (0.0, -10.0, -20.0), (0.0, 50_000.0, 112_500.0))
STEEPER = CalibrationCurve("R9", "c" * 64, Direction.FORWARD, (0.0, 10.0, 20.0), (8_400.0, 25_000.0, 43_000.0))


def point(address: int, kind: ValueType = ValueType.BIT, *, plc: str = "P", scale: float = 1.0) -> PointSpec:
    """A point of the drive: bits are discrete inputs, values input registers."""
    table = Table.DISCRETE if kind is ValueType.BIT else Table.INPUT
    return PointSpec(plc, 1, table, address, kind, scale=scale)


def contact(stage: Stage, side: Direction, channel: str, address: int, hold_ns: int = 0) -> ContactSpec:
    """A normally open contact whose bit 1 means closed."""
    identity = ContactId("PC1", side, stage, channel)
    return ContactSpec(identity, point(address), Form.NORMALLY_OPEN, BitMeans.CLOSED, hold_ns, hold_ns)


def make_drive(*, two: bool = False, kind: ValueType = ValueType.UINT16, hold_ns: int = 0) -> DriveSpec:
    """Counts of a 4-20 mA loop (4096 for 20.48 mA), an alarm contact and two shutdown channels a side, run feedback."""
    sides = (Direction.FORWARD, Direction.REVERSE) if two else (Direction.FORWARD,)
    contacts = []
    for i, side in enumerate(sides):
        contacts += [
            contact(Stage.ALARM, side, "A", 10 * i, hold_ns),
            contact(Stage.SHUTDOWN, side, "A", 10 * i + 1, hold_ns),
            contact(Stage.SHUTDOWN, side, "B", 10 * i + 2, hold_ns),
        ]
    low_mm = -25.0 if two else -2.0
    position = PositionSpec(
        point(100, kind),
        PositionSignal.COUNTS,
        800.0,
        4_000.0,
        low_mm,
        25.0,
        0.0 if kind is ValueType.FLOAT32 else 200.0,
    )
    curves = {Direction.FORWARD: FORWARD_CURVE}
    if two:
        curves[Direction.REVERSE] = REVERSE_CURVE
    return DriveSpec(
        "PC1",
        "Primary clarifier 1",
        directions=sides,
        contacts=tuple(contacts),
        position=position,
        running=BitSignal(point(20)),
        calibrations=curves,
    )


def track(
    seconds: Sequence[float], values: Sequence[float | None], *, boot: int = 1, start_utc_ms: int = HOUR_UTC_MS
) -> Track:
    """Readings at seconds after the hour's beginning under one steady clock; None was not read well."""
    at_ns = np.array([round(s * SECOND_NS) for s in seconds], np.int64)
    return Track(
        np.full(len(at_ns), boot, np.int64),
        at_ns + 5_000_000 * SECOND_NS,
        start_utc_ms + at_ns // 1_000_000,
        np.array([np.nan if v is None else float(v) for v in values]),
        np.array([v is not None for v in values], np.bool_),
    )


@dataclass
class Slow:
    """What a slow summary found.

    Attributes:
        torques: (minute, side, running) -> torques. codes: (minute, side, code) -> readings.
        ns: (minute, column) -> time.
    """

    torques: dict[tuple[int, Direction, int], list[float]]
    codes: dict[tuple[int, str], int]
    ns: dict[tuple[int, str], int]


def _last(readings: Track, boot: int, mono_ns: int, stale_ns: int) -> int:
    """The last reading by then, still fresh; -1 = none."""
    best = -1
    for i in range(len(readings.boot)):
        age_ns = mono_ns - int(readings.mono_ns[i])
        if readings.boot[i] == boot and 0 <= age_ns <= stale_ns:
            best = i if best < 0 or readings.mono_ns[i] > readings.mono_ns[best] else best
    return best


def _stage_of(drive: DriveSpec, side: Direction, bits: Mapping[str, int]) -> str:
    known, operated = True, set()
    for stage in (Stage.ALARM, Stage.SHUTDOWN):
        mine = [bits[str(c.id)] for c in drive.contacts if c.id.direction is side and c.id.stage is stage]
        known = known and any(b >= 0 for b in mine)
        if 1 in mine:
            operated.add(stage)
    if Stage.SHUTDOWN in operated:
        return "shutdown"
    if Stage.ALARM in operated:
        return "alarm"
    return "normal" if known else "unknown"


def slowly(drive: DriveSpec, tracks: Mapping[str, Track], hour_utc_ms: int = HOUR_UTC_MS) -> Slow:
    """Summarise an hour one reading at a time, by the watch's scalar conversions; contacts have no debounce."""
    found = Slow({}, {}, {})
    assert drive.position is not None
    to_mm, torque = position_of(drive.position), {s: torque_of(c) for s, c in drive.calibrations.items()}
    moments = sorted(
        {(int(b), int(m), int(u)) for t in tracks.values() for b, m, u in zip(t.boot, t.mono_ns, t.utc_ms, strict=True)}
    )

    def state(role: str, boot: int, mono_ns: int) -> float | None:
        readings = tracks.get(role)
        i = _last(readings, boot, mono_ns, drive.stale_ns) if readings is not None else -1
        return float(readings.value[i]) if readings is not None and i >= 0 and readings.good[i] else None

    for i, (boot, mono_ns, utc_ms) in enumerate(moments):
        span_ns = drive.stale_ns
        if i + 1 < len(moments) and moments[i + 1][0] == boot:
            span_ns = min(span_ns, moments[i + 1][1] - mono_ns)
        bits = {}
        for c in drive.contacts:
            value = state(f"contact:{c.id.direction}/{c.id.stage}/{c.id.channel}", boot, mono_ns)
            bits[str(c.id)] = -1 if value is None else int(value == c.operated_bit)
        running = state("running", boot, mono_ns)
        place = state("position", boot, mono_ns)
        good = all(b >= 0 for b in bits.values()) and running is not None
        good = good and place is not None and to_mm(place).value is not None
        columns = ["drive.covered_ns", *(["drive.good_ns"] if good else [])]
        columns += [] if running is None else ["drive.running_ns" if running == 1.0 else "drive.stopped_ns"]
        columns += [f"{side}.time.{_stage_of(drive, side, bits)}_ns" for side in drive.directions]
        begin, end = (utc_ms - hour_utc_ms) * 1_000_000, (utc_ms - hour_utc_ms) * 1_000_000 + span_ns
        for minute in range(60):
            inside = min(end, (minute + 1) * 60 * SECOND_NS) - max(begin, minute * 60 * SECOND_NS)
            for column in columns:
                if inside > 0:
                    found.ns[minute, column] = found.ns.get((minute, column), 0) + inside
    readings = tracks.get("position")
    for i in range(len(readings.boot)) if readings is not None else ():
        assert readings is not None
        minute = (int(readings.utc_ms[i]) - hour_utc_ms) // 60_000
        if not 0 <= minute < 60:
            continue
        position = to_mm(float(readings.value[i])) if readings.good[i] else None
        if position is None or position.value is None:
            found.codes[minute, "drive.absent"] = found.codes.get((minute, "drive.absent"), 0) + 1
            continue
        side = drive.directions[0]
        if len(drive.directions) == 2:
            side = Direction.REVERSE if position.value < 0.0 else Direction.FORWARD
        said = torque[side](position.value)
        assert said.value is not None
        running = state("running", int(readings.boot[i]), int(readings.mono_ns[i]))
        found.torques.setdefault((minute, side, 2 if running is None else int(running)), []).append(said.value)
        column = f"{side}.time.{said.kind}"
        found.codes[minute, column] = found.codes.get((minute, column), 0) + 1
    return found
