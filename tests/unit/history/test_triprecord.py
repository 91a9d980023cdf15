"""The text of a trip record comes back as it was, and what is no such text is refused in words."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.history.triprecord import (
    Part,
    Peak,
    Record,
    RecordFault,
    grown,
    header_of,
    lines_of,
    record_of,
    record_text,
    row_of,
    row_text,
    utc_text,
)
from nightrake.history.trips import At, take
from nightrake.history.tripscans import NOT_ASKED, Scans
from triprows import alarm, at

(TRIP,) = take(alarm(5, 0, "shutdown", 3), (), ())
RECORD = Record(TRIP, "fennmark", "Fennmark", 3_600_000)
PART = Part(10, 20, at(5), 9, 11, 2, ("0001-readings-PLCA.csv.gz",))


def test_record_comes_back_as_it_was() -> None:
    """Open, grown, and whole."""
    one = grown(RECORD, PART, Peak(41_000.0, "exact", 7), [("a", 10), ("a", 12), ("b", 15)])
    two = grown(one, PART._replace(from_seq=21), Peak(-42_000.0, "beyond", 8), [("b", 21)])
    ended = replace(two.trip, over=At("boot", 1, 2), why="the lockout was released", lockout=True, occurrences=(3, 4))
    whole = replace(two, trip=ended, after_ms=5, because="x", remarks=("y",), files={"events.jsonl": (7, "ab")})
    for record in (RECORD, one, two, whole):
        assert record_of(record_text(record)) == record
    assert two.settings == (("a", 10), ("b", 15))
    assert two.peak == Peak(-42_000.0, "beyond", 8)
    told = json.loads(record_text(whole))
    assert (told["state"], told["readings"], told["events"]) == ("whole", 22, 4)
    assert told["at"] == "2026-09-21T14:13:20.000Z"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{}",
        '{"form": "another"}',
        record_text(RECORD).replace('"site"', '"seat"'),
        "[" * 100_000,
        record_text(RECORD).replace('"PC1"', '"../x"'),
    ],
)
def test_other_text_is_refused(text: str) -> None:
    """Whatever it is."""
    with pytest.raises(RecordFault):
        record_of(text)


@given(st.binary(max_size=60) | st.just(b'{"torque_nm":41000.0}'), st.text(max_size=10))
def test_row_comes_back_as_it_was(payload: bytes, drive: str) -> None:
    """With every byte that its hash is made of, whatever its payload is."""
    row = alarm(5, 0, "shutdown", 1)._replace(payload=payload, drive=drive, hash=b"\1" * 32, prev_hash=b"\2" * 32)
    text = row_text(row)
    assert text.count("\n") == 1
    assert row_of(text) == row


def scans(value: list[float], quality: list[int]) -> Scans:
    """Scans of one point, without a position."""
    count = np.arange(len(value), dtype=np.int64)
    columns = {"running": np.array(value)}, {"running": np.array(quality, np.uint8)}
    return Scans("PLCA", "d", count, count, count, *columns, None)


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1))
def test_numbers_come_back_bit_for_bit(values: list[float]) -> None:
    """Nothing is rounded in the text."""
    cells = [line.split(",")[3] for line in lines_of(scans(values, [0] * len(values)))]
    assert [float(cell).hex() for cell in cells] == [value.hex() for value in values]


def test_what_was_not_read_says_why() -> None:
    """Not asked for is empty; asked for in vain has its reason."""
    made = scans([1.0, np.nan, np.nan, np.nan], [0, NOT_ASKED, 1, 10])
    assert header_of(made) == ("utc", "mono_ns", "input", "running", "not_good")
    assert [line.rstrip("\n").split(",")[3:] for line in lines_of(made)] == [
        ["1", ""],
        ["", ""],
        ["", "running=no_reply"],
        ["", "running=not_a_number"],
    ]


def test_any_year_can_be_said() -> None:
    """A clock that has lost its date ends no record."""
    assert utc_text(0) == "1970-01-01T00:00:00.000Z"
    assert utc_text(400_000_000_000_000).startswith("14645-")
