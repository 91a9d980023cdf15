"""Series out of sealed blocks: bit for bit what the watch's own decoders give."""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from nightrake.commissioning.convert import ABSENT
from nightrake.domain.calibration import torque_of
from nightrake.domain.inputs import BlockReply, Got, RawScan
from nightrake.domain.reading import Exactness
from nightrake.domain.readplan import ReadPlan, make_plan
from nightrake.domain.registers import decoder
from nightrake.domain.rows import TailRecord
from nightrake.domain.signals import position_of
from nightrake.domain.site import (
    Direction,
    EndpointSpec,
    Order,
    PointSpec,
    PositionSignal,
    PositionSpec,
    Table,
    ValueType,
)
from nightrake.domain.tailcodec import pack_scan
from nightrake.history.pack import pack
from nightrake.history.series import GOOD, NOT_A_NUMBER, TOO_SHORT, drive_torque, positions, read
from nightrake.history.unpack import Unpacked
from nightrake.settings import load

DRIVES = load(Path(__file__).resolve().parents[2] / "config").site.drives
NUMBERS = [kind for kind in ValueType if kind is not ValueType.BIT]
SCALES = st.sampled_from([1.0, 0.001, -2.5, 1e300])
OFFSETS = st.sampled_from([0.0, 4.0, -1e9])


@st.composite
def points(draw: st.DrawFn) -> list[PointSpec]:
    """Points of one PLC in both kinds of tables, at any address."""
    found = []
    for _ in range(draw(st.integers(1, 8))):
        address = draw(st.integers(0, 40))
        if draw(st.booleans()):
            found.append(PointSpec("plc1", 1, Table.DISCRETE, address, ValueType.BIT))
        elif draw(st.integers(0, 3)) == 0:
            found.append(PointSpec("plc1", 1, Table.HOLDING, address, ValueType.BIT, draw(st.integers(0, 15))))
        else:
            kind, order = draw(st.sampled_from(NUMBERS)), draw(st.sampled_from(Order))
            scale, offset = draw(SCALES), draw(OFFSETS)
            found.append(PointSpec("plc1", 1, Table.HOLDING, address, kind, 0, order, scale, offset))
    return found


def expected(plan: ReadPlan, point: PointSpec, scans: list[RawScan]) -> list[tuple[int, float, int]]:
    """Record, value and quality of each reading, by the watch's own decoder."""
    block, offset = plan.places[point]
    decode = decoder(point, offset)
    found = []
    for row, scan in enumerate(scans):
        for reply in scan.blocks:
            if reply.block != block:
                continue
            value: float | int | str = ""
            quality = int(reply.got)
            if reply.got == Got.GOOD:
                try:
                    value = decode(reply.data)
                    quality = NOT_A_NUMBER if isinstance(value, str) else GOOD
                except (struct.error, IndexError):
                    quality = TOO_SHORT
            found.append((row, float("nan") if isinstance(value, str) else float(value), quality))
    return found


@settings(max_examples=100)
@given(points(), st.data())
def test_series_is_what_the_decoders_give(wanted: list[PointSpec], data: st.DataObject) -> None:
    """All types, orders and scales; failures, replies that are too short, blocks that were not due."""
    plan = make_plan(EndpointSpec("plc1", "h"), wanted)
    scans = []
    for _ in range(data.draw(st.integers(1, 25))):
        replies = []
        for number, block in enumerate(plan.blocks):
            size = (block.count + 7) // 8 if block.table.holds_bits else 2 * block.count
            case = data.draw(st.integers(0, 9))
            whole = 1 if block.table.holds_bits else 2  # half a register never comes out of the adapter
            size = whole * data.draw(st.integers(0, size // whole)) if case == 0 else size
            got = Got.NO_REPLY if case == 1 else Got.GOOD
            if case != 2:
                payload = data.draw(st.binary(min_size=size, max_size=size)) if got == Got.GOOD else b""
                replies.append(BlockReply(number, got, payload, 0))
        scans.append(RawScan("plc1", plan, 0, 0, tuple(replies)))
    records = [TailRecord(i, "scan", "plc1", plan.layout, 0, 0, pack_scan(s)) for i, s in enumerate(scans)]
    sealed = Unpacked.of(pack(records))
    for point in wanted:
        series = read(sealed, plan, point)
        assert series is not None
        theirs = expected(plan, point, scans)
        assert series.rows.tolist() == [row for row, _, _ in theirs]
        assert series.quality.tolist() == [quality for _, _, quality in theirs]
        assert series.value.tobytes() == np.array([value for _, value, _ in theirs], dtype=np.float64).tobytes()


MA = st.one_of(
    st.floats(0.0, 25.0), st.sampled_from([3.6, 3.8, 4.0, 20.0, 20.5, 21.0, 3.6000004, 3.7999996, 20.5000004])
)


@given(st.lists(MA, min_size=1, max_size=50), st.sampled_from(PositionSignal), st.sampled_from([0.0, 1.0, 1000.0]))
def test_positions_are_the_watchs_own(current_ma: list[float], signal: PositionSignal, per_ma: float) -> None:
    """Every signal, at and about the limits of NAMUR NE 43."""
    point = PointSpec("plc1", 1, Table.INPUT, 0, ValueType.FLOAT32)
    factor = per_ma if signal is PositionSignal.COUNTS and per_ma else 1.0
    spec = PositionSpec(point, signal, 4.0 * factor, 20.0 * factor, -2.0, 23.0, per_ma)
    convert = position_of(spec)
    values = [factor * one for one in current_ma]
    theirs = [convert(value) for value in values]
    wanted = [np.nan if r.kind is Exactness.ABSENT or r.value is None else r.value for r in theirs]
    assert positions(np.array(values), spec).tobytes() == np.array(wanted, dtype=np.float64).tobytes()


@given(st.lists(st.floats(-30.0, 40.0), min_size=1, max_size=60), st.sampled_from(["PC1", "GT1"]), st.booleans())
def test_torque_is_the_watchs_own(position_mm: list[float], name: str, both: bool) -> None:
    """Under each direction's own record, negative in reverse; absent where there is none."""
    drive = DRIVES[name]
    if both:
        drive = replace(drive, directions=(Direction.FORWARD, Direction.REVERSE))
    torque_nm, code = drive_torque(np.array(position_mm), drive)
    for at, position in enumerate(position_mm):
        backward = position < 0.0 and len(drive.directions) == 2
        side = Direction.REVERSE if backward else drive.directions[0]
        curve = drive.calibrations.get(side)
        reading = torque_of(curve)(position) if curve is not None else None
        if reading is None or reading.value is None:
            assert np.isnan(torque_nm[at])
            assert code[at] == ABSENT
        else:
            assert torque_nm[at] == (-reading.value if backward else reading.value)
            assert code[at] == {Exactness.EXACT: 0, Exactness.BELOW: -1, Exactness.BEYOND: 1}[reading.kind]
