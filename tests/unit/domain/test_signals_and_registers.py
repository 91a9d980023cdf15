"""From bytes to values: registers in every order, NE 43 currents, calibrated torque."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.domain.calibration import REST_BAND_MM, torque_of
from nightrake.domain.reading import Exactness
from nightrake.domain.registers import decoder
from nightrake.domain.signals import OVER_RANGE, UNDEFINED, UNDER_RANGE, position_of
from nightrake.domain.site import (
    CalibrationCurve,
    Direction,
    Order,
    PointSpec,
    PositionSignal,
    PositionSpec,
    Table,
    ValueType,
)
from works import PRELOADED, word

PACK = {
    ValueType.INT16: ">h",
    ValueType.UINT16: ">H",
    ValueType.INT32: ">i",
    ValueType.UINT32: ">I",
    ValueType.FLOAT32: ">f",
}
ARRANGE = {Order.ABCD: (0, 1, 2, 3), Order.CDAB: (2, 3, 0, 1), Order.BADC: (1, 0, 3, 2), Order.DCBA: (3, 2, 1, 0)}
"""Where byte n of the value (A = 0, most significant) comes from on the wire, by the order's own letters."""


def test_integer_scaled_beyond_every_number_is_no_value() -> None:
    """Infinity is no reading, whatever the settings multiply by; a large scale that still gives numbers is kept."""
    for order in (Order.ABCD, Order.CDAB):
        huge, large = (
            decoder(PointSpec("P", 1, Table.INPUT, 0, ValueType.UINT32, 0, order, scale), 0) for scale in (1e305, 1e290)
        )

        assert huge(b"\xff" * 4) == "value is not a number"
        assert large(b"\xff" * 4) == (2**32 - 1) * 1e290


def point(kind: ValueType, order: Order = Order.ABCD, *, bit: int = 0, table: Table = Table.HOLDING) -> PointSpec:
    """A point of a type and order."""
    return PointSpec("P", 1, table, 0, kind, bit=bit, order=order)


@pytest.mark.parametrize(
    ("kind", "order", "data", "value"),
    [
        (ValueType.UINT16, Order.ABCD, "1234", 0x1234),
        (ValueType.UINT16, Order.BADC, "1234", 0x3412),
        (ValueType.INT16, Order.ABCD, "fffe", -2),
        (ValueType.UINT32, Order.ABCD, "12345678", 0x12345678),
        (ValueType.UINT32, Order.CDAB, "56781234", 0x12345678),
        (ValueType.UINT32, Order.BADC, "34127856", 0x12345678),
        (ValueType.UINT32, Order.DCBA, "78563412", 0x12345678),
        (ValueType.INT32, Order.CDAB, "fffeffff", -2),
        (ValueType.FLOAT32, Order.ABCD, "41480000", 12.5),
        (ValueType.FLOAT32, Order.CDAB, "00004148", 12.5),
    ],
)
def test_golden_words_decode(kind: ValueType, order: Order, data: str, value: float) -> None:
    """Lopsided patterns, worked out by hand from the order's letters."""
    assert decoder(point(kind, order), 0)(bytes.fromhex(data)) == value


@given(
    kind=st.sampled_from([k for k in PACK if k.words == 2]),
    order=st.sampled_from(list(Order)),
    offset=st.integers(0, 3),
    number=st.integers(-(2**31), 2**31 - 1),
)
def test_any_value_survives_any_order(kind: ValueType, order: Order, offset: int, number: int) -> None:
    """What a device sends in an order is read in that order, wherever in the block it stands."""
    value = float(number % 1000) if kind is ValueType.FLOAT32 else number % 2**31
    plain = struct.pack(PACK[kind], value)
    wire = bytes(plain[i] for i in ARRANGE[order])

    assert decoder(point(kind, order), offset)(b"\xa5\x5a" * offset + wire + b"\xff\xff") == value


@pytest.mark.parametrize("text", ["7fc00000", "7f800000", "ff800000"])
def test_value_that_is_no_number_is_a_reason(text: str) -> None:
    """NaN and the infinities never become a value."""
    assert isinstance(decoder(point(ValueType.FLOAT32), 0)(bytes.fromhex(text)), str)


@pytest.mark.parametrize("kind", [k for k in PACK if k is not ValueType.FLOAT32])
@pytest.mark.parametrize("order", list(Order))
def test_scale_and_offset_hold_in_every_type_and_order(kind: ValueType, order: Order) -> None:
    """value = raw * scale + offset; without either an integer stays an integer."""
    plain = struct.pack(PACK[kind], 1234)
    letters = ARRANGE[order] if len(plain) == 4 else (1, 0) if order in (Order.BADC, Order.DCBA) else (0, 1)
    wire = bytes(plain[i] for i in letters)
    scaled = point(kind, order)._replace(scale=0.5, offset=-17.0)

    assert decoder(scaled, 0)(wire) == 600.0
    raw = decoder(point(kind, order), 0)(wire)
    assert (raw, type(raw)) == (1234, int)


@given(bits=st.integers(0, 0xFFFF), number=st.integers(0, 15))
def test_bit_of_a_register_counts_from_the_least_significant(bits: int, number: int) -> None:
    """Bit 0 is the one that is worth 1."""
    assert decoder(point(ValueType.BIT, bit=number), 0)(bits.to_bytes(2, "big")) == bits >> number & 1


@given(bits=st.integers(0, 2**24 - 1), at=st.integers(0, 23))
def test_packed_bit_is_the_one_asked_for(bits: int, at: int) -> None:
    """Coils and discrete inputs come least significant first."""
    assert decoder(point(ValueType.BIT, table=Table.COIL), at)(bits.to_bytes(3, "little")) == bits >> at & 1


# NAMUR NE 43: 3.8 to 20.5 mA measurement, failure at 3.6 and below, at 21.0 and above; nothing assigned between them.
@pytest.mark.parametrize(
    ("current_ma", "usable", "reason"),
    [
        (0.0, False, "failure"),
        (3.5, False, "failure"),
        (3.6, False, "failure"),
        (3.61, False, UNDEFINED),
        (3.79, False, UNDEFINED),
        (3.8, True, UNDER_RANGE),
        (3.99, True, UNDER_RANGE),
        (4.0, True, ""),
        (12.0, True, ""),
        (20.0, True, ""),
        (20.01, True, OVER_RANGE),
        (20.5, True, OVER_RANGE),
        (20.51, False, UNDEFINED),
        (20.99, False, UNDEFINED),
        (21.0, False, "failure"),
        (22.5, False, "failure"),
    ],
)
def test_loop_current_is_judged_by_ne_43(current_ma: float, usable: bool, reason: str) -> None:
    """A broken loop is no torque of zero."""
    convert = position_of(PositionSpec(word(0), PositionSignal.CURRENT_MA, 4.0, 20.0, 0.0, 25.0))

    reading = convert(current_ma)

    assert (reading.value is not None) is usable
    assert reason in reading.reason if reason else reading.reason == ""
    if usable:
        assert reading.value == pytest.approx((current_ma - 4.0) / 16.0 * 25.0)


def test_counts_of_a_twelve_bit_converter_follow_the_same_limits() -> None:
    """0 to 20 mA as 0 to 4095: 4 mA is 819, 3.6 mA is 737."""
    spec = PositionSpec(word(0), PositionSignal.COUNTS, 819.0, 4095.0, -25.0, 25.0, 204.75)
    convert = position_of(spec)

    assert convert(819).value == -25.0
    assert convert(4095).value == 25.0
    assert convert(737).value is None
    assert convert(2457).value == pytest.approx(0.0)


@given(position_mm=st.floats(-50.0, 50.0))
def test_torque_is_never_extrapolated(position_mm: float) -> None:
    """Inside the record a straight line between its points, outside a limit that says which way."""
    reading = torque_of(PRELOADED)(position_mm)

    assert reading.value is not None
    assert 8_000.0 <= reading.value <= 40_000.0
    expected = (
        Exactness.BELOW if position_mm < REST_BAND_MM else Exactness.BEYOND if position_mm > 20 else Exactness.EXACT
    )
    assert reading.kind is expected
    if expected is Exactness.EXACT:
        assert math.isclose(reading.value, 8_000.0 + 1_600.0 * position_mm, rel_tol=1e-12)


def test_reverse_record_gives_magnitudes() -> None:
    """Positions of the reverse direction are negative, torques are not."""
    curve = CalibrationCurve("R", "d", Direction.REVERSE, (0.0, -10.0, -20.0), (0.0, 500.0, 900.0))
    convert = torque_of(curve)

    assert [convert(x).value for x in (0.0, -5.0, -10.0, -20.0)] == [0.0, 250.0, 500.0, 900.0]
    assert convert(-21.0).kind is Exactness.BEYOND
