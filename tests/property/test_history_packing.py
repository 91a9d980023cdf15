"""Tail records to columns and back: bit for bit, whatever they hold."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightrake.domain.inputs import BlockReply, Got, RawScan
from nightrake.domain.readplan import Block, ReadPlan
from nightrake.domain.rows import TailRecord
from nightrake.domain.site import Table
from nightrake.domain.tailcodec import pack_scan, unpack_scan
from nightrake.history.columns import ColumnFault, pack_column, unpack_column
from nightrake.history.pack import pack
from nightrake.history.unpack import Unpacked

INT64 = st.integers(-(2**63), 2**63 - 1)
SAID = ("", "no reply within 1 s", "exception 2 at 40010", "Verbindung verweigert \u2026")


def columns(kind: st.SearchStrategy[int]) -> st.SearchStrategy[list[int]]:
    """Lists of numbers, often with runs in them."""
    run = st.tuples(kind, st.integers(1, 40)).map(lambda given: [given[0]] * given[1])
    return st.lists(run, min_size=1, max_size=30).map(lambda runs: [v for one in runs for v in one])


@given(columns(st.one_of(INT64.map(lambda v: v % 2**64), st.integers(0, 300), st.integers(0, 65535))), st.booleans())
def test_column_comes_back(numbers: list[int], steps: bool) -> None:
    """Any numbers of 64 bits, as steps or plain."""
    values = np.array(numbers, dtype=np.uint64)
    assert unpack_column(pack_column(values, steps=steps), len(values)).tolist() == numbers


@given(columns(st.integers(0, 5000)), st.booleans(), st.data())
def test_damage_to_a_column_is_found(numbers: list[int], steps: bool, data: st.DataObject) -> None:
    """A flipped bit or a cut anywhere is an error of one kind, never other numbers."""
    packed = bytearray(pack_column(np.array(numbers, dtype=np.uint64), steps=steps))
    at = data.draw(st.integers(0, len(packed) - 1))
    if data.draw(st.booleans()):
        packed[at] ^= 1 << data.draw(st.integers(0, 7))
    else:
        del packed[at:]
    with pytest.raises(ColumnFault):
        unpack_column(bytes(packed), len(numbers))


@st.composite
def scans(draw: st.DrawFn) -> list[TailRecord]:
    """Scans of one plan of a few blocks: most alike, some with failures, other lengths, other blocks."""
    sizes = draw(st.lists(st.integers(1, 60), min_size=1, max_size=4))
    records, seq, mono_ns, utc_ms = [], draw(st.integers(0, 2**40)), draw(INT64), draw(INT64)
    for _ in range(draw(st.integers(1, 60))):
        chosen = draw(st.lists(st.integers(0, len(sizes) - 1), unique=True, max_size=len(sizes)))
        replies = []
        for block in sorted(chosen):
            got = draw(st.sampled_from(Got)) if draw(st.integers(0, 5)) == 0 else Got.GOOD
            size = sizes[block] if draw(st.integers(0, 9)) else draw(st.integers(0, 300))
            data = draw(st.binary(min_size=size, max_size=size)) if got == Got.GOOD else b""
            ago_ns = draw(st.one_of(st.integers(0, 10**9), INT64))
            replies.append(BlockReply(block, got, data, 0, "" if got == Got.GOOD else draw(st.sampled_from(SAID))))
            replies[-1] = replies[-1]._replace(mono_ns=-max(-(2**63) + 1, ago_ns))
        seq += draw(st.integers(1, 70))
        mono_ns = _wrapped(mono_ns + draw(st.one_of(st.integers(0, 2 * 10**9), INT64)))
        utc_ms = _wrapped(utc_ms + draw(st.one_of(st.integers(0, 2000), INT64)))
        payload = pack_scan(RawScan("plc1", ReadPlan("plc1", (), {}), 0, 0, tuple(replies)))
        records.append(TailRecord(seq, "scan", "plc1", "layout1", mono_ns, utc_ms, payload))
    return records


def _wrapped(value: int) -> int:
    return (value + 2**63) % 2**64 - 2**63


@settings(max_examples=150)
@given(scans())
def test_scans_come_back_bit_for_bit(records: list[TailRecord]) -> None:
    """Failures with their words, reply times, any order of the clocks."""
    assert list(Unpacked.of(pack(records)).records()) == records


KINDS = st.sampled_from(["scan", "scan", "tick", "command", "link", "settings", "unheard of"])


@settings(max_examples=150)
@given(st.lists(st.tuples(KINDS, st.binary(max_size=80), INT64, INT64, INT64), min_size=1, max_size=40))
def test_anything_comes_back(given_records: list[tuple[str, bytes, int, int, int]]) -> None:
    """Payloads that are no scans at all, other inputs, numbers without order."""
    records = [
        TailRecord(seq, kind, "plc1", "layout1", mono, utc, data) for kind, data, seq, mono, utc in given_records
    ]
    assert list(Unpacked.of(pack(records)).records()) == records


@given(st.lists(st.integers(0, 65535), min_size=30, max_size=200), st.data())
def test_damaged_block_never_gives_other_records(values: list[int], data: st.DataObject) -> None:
    """A flipped bit in any column is found before a record is made of it, or the record is as it was."""
    head = struct.Struct("<HBqHH").pack
    payloads = [head(0, 0, 1000 + 7 * i % 100, 2, 0) + v.to_bytes(2, "big") for i, v in enumerate(values)]
    records = [TailRecord(i, "scan", "p", "l", 10**9 * i, 1000 * i, p) for i, p in enumerate(payloads)]
    packed = pack(records)
    number = data.draw(st.sampled_from(sorted(packed.columns)))
    column = bytearray(packed.columns[number])
    column[data.draw(st.integers(0, len(column) - 1))] ^= 1 << data.draw(st.integers(0, 7))
    columns_now = {**packed.columns, number: bytes(column)}
    with pytest.raises(ColumnFault):
        list(Unpacked(packed.head, columns_now.get).records())


def test_scan_unpacks_from_what_came_back() -> None:
    """The codec of the hot tail reads sealed records as it reads its own."""
    plan = ReadPlan("plc1", (Block(1, Table.HOLDING, 0, 2, 10**9),), {}, layout="layout1")
    scans_in = [
        RawScan("plc1", plan, 10**9 * i, 1000 * i, (BlockReply(0, Got.GOOD, bytes((0, i, 1, 2)), 10**9 * i - 5),))
        for i in range(50)
    ]
    records = [
        TailRecord(i, "scan", "plc1", "layout1", s.mono_ns, s.utc_ms, pack_scan(s)) for i, s in enumerate(scans_in)
    ]
    back = Unpacked.of(pack(records)).records()
    assert [unpack_scan(record, plan) for record in back] == scans_in
