"""Columns of summaries as bytes: everything comes back, single columns too; damage is a sentence."""

from __future__ import annotations

from contextlib import suppress

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from nightrake.history.basis import basis_from, basis_of
from nightrake.history.histogram import histogram
from nightrake.history.kept import pack_entries, pack_hour, unpack_entries, unpack_hour
from nightrake.history.rowcolumns import RowFault, decode, decode_days, encode
from nightrake.history.rows import Table
from nightrake.history.summaries import Entry, Share, summarise
from summarydrives import HOUR_UTC_MS, make_drive, track

KINDS = [np.float32, np.float64, np.int32, np.int64]


@given(data=st.data(), n=st.integers(0, 80))
def test_columns_come_back_bit_for_bit(data: st.DataObject, n: int) -> None:
    """Of every kind of number, NaN of any bits among them; asked for singly or all."""
    table = {f"column{i}": data.draw(arrays.arrays(kind, n)) for i, kind in enumerate(KINDS)}
    blob = encode(table)
    back = decode(blob)

    assert list(back) == list(table)
    for name, column in table.items():
        assert back[name].tobytes() == column.tobytes()
        assert back[name].dtype == column.dtype
    assert list(decode(blob, {"column2", "nothing"})) == ["column2"]


def test_wandering_and_constant_columns_come_back() -> None:
    """Long enough that every way of squeezing is taken."""
    chance = np.random.default_rng(1)
    table = {
        "constant": np.full(1_440, 60_000_000_000),
        "few": chance.integers(0, 5, 1_440).astype(np.float32) * 20,
        "noise": (20_000 + chance.normal(0, 10, 1_440)).astype(np.float32),
    }
    back = decode(encode(table))

    assert all(back[name].tobytes() == column.tobytes() for name, column in table.items())
    assert len(encode({"constant": table["constant"]})) < 40


@given(
    days=st.lists(st.sampled_from(["constant", "few", "noise", "nan", "two"]), min_size=1, max_size=8),
    seed=st.integers(0, 9),
)
def test_many_days_at_once_are_the_days_one_by_one(days: list[str], seed: int) -> None:
    """Whatever ways of squeezing the days were given; a column that one of them lacks is left out."""
    chance = np.random.default_rng(seed)
    made = {
        "constant": np.full(240, 7.5),
        "few": chance.integers(0, 50, 240) * 20.0,
        "noise": 20_000 + chance.normal(0, 10, 240),
        "nan": np.where(chance.random(240) < 0.5, np.nan, chance.integers(0, 9, 240) * 1.5),
        "two": np.repeat([1.0, 2.0], 120),
    }
    tables: list[Table] = [{"a": made[name].astype(np.float32), "b": np.arange(240) + i} for i, name in enumerate(days)]
    blobs = [encode(table) for table in tables]
    found = decode_days(blobs, {"a", "b"})

    for name in ("a", "b"):
        assert [row.tobytes() for row in found[name]] == [table[name].tobytes() for table in tables]
    assert list(decode_days([*blobs, encode({"b": np.arange(240)})], {"a", "b"})) == ["b"]
    with pytest.raises(RowFault, match="same length"):
        decode_days([*blobs, encode({"a": made["few"][:7].astype(np.float32)})], {"a"})


@given(blob=st.binary(max_size=60))
def test_other_bytes_are_refused_in_a_sentence(blob: bytes) -> None:
    """Never another exception, whatever lies in the file."""
    for act in (decode, unpack_entries, unpack_hour):
        with suppress(RowFault):
            act(blob)


@given(at=st.integers(0, 10_000), bit=st.integers(0, 7))
def test_flipped_bit_is_found(at: int, bit: int) -> None:
    """A real hour with one bit flipped is never taken for another hour."""
    damaged = bytearray(HOUR_BLOB)
    damaged[at % len(damaged)] ^= 1 << bit

    with pytest.raises(RowFault):
        unpack_hour(bytes(damaged))


DRIVE = make_drive()
SECONDS = [float(s) for s in range(0, 3_600, 7)]
HOUR = summarise(
    HOUR_UTC_MS,
    [Share(DRIVE, {"position": track(SECONDS, [1_500.0 + s % 40 for s in range(len(SECONDS))])})],
)
HOUR_BLOB = pack_hour(HOUR.minutes, HOUR.hour, HOUR.entries)


def test_hour_comes_back() -> None:
    """Rows and counts."""
    back = unpack_hour(HOUR_BLOB)

    for table, mine in ((back.minutes, HOUR.minutes), (back.hour, HOUR.hour)):
        assert all(table[name].tobytes() == column.tobytes() for name, column in mine.items())
    assert repr(back.entries) == repr(HOUR.entries)


@given(parts=st.lists(st.lists(st.integers(-(2**31), 2**31), max_size=30), max_size=6))
def test_counts_come_back(parts: list[list[int]]) -> None:
    """Any number of them, empty ones among them."""
    rows = [
        (i % 24, Entry(f"basis{i % 2}", i % 2, i % 3, histogram(np.array(p, np.int64)))) for i, p in enumerate(parts)
    ]

    assert repr(unpack_entries(pack_entries(rows))) == repr(rows)


@pytest.mark.parametrize("two", [False, True])
def test_basis_comes_back_from_its_text(two: bool) -> None:
    """With the same digest, so that counts find it."""
    basis = basis_of(make_drive(two=two))

    assert basis is not None
    assert basis_from(basis.content()) == basis
    assert basis_from(basis.content()).digest == basis.digest
