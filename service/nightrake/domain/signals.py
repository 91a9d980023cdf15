"""The position transducer's signal: current limits of NAMUR NE 43, and the arm position in mm. Pure.

NE 43: 3.8 to 20.5 mA is measurement; 3.6 mA or less and 21.0 mA or more is failure; between them nothing is assigned,
which is treated as no usable value.
"""

from __future__ import annotations

from collections.abc import Callable

from nightrake.domain.reading import Exactness, Reading, absent, reading
from nightrake.domain.site import PositionSignal, PositionSpec

FAILURE_LOW_MA = 3.6
MEASURE_LOW_MA = 3.8
MEASURE_HIGH_MA = 20.5
FAILURE_HIGH_MA = 21.0

UNDER_RANGE = "current under range"
OVER_RANGE = "current over range"
# No figures in these texts: a reason that changes with each reading would be told with each reading.
FAILURE_LOW = "transducer failure: 3.6 mA or less (NE 43)"
FAILURE_HIGH = "transducer failure: 21 mA or more (NE 43)"
UNDEFINED = "current in the undefined band of NE 43"

PositionOf = Callable[[float], Reading]


def current_fault(current_ma: float) -> str:
    """Name what NE 43 says of a loop current that is no measurement; "" for 3.8 to 20.5 mA.

    Args:
        current_ma: Loop current, mA, finite.
    """
    if current_ma <= FAILURE_LOW_MA:
        return FAILURE_LOW
    if current_ma >= FAILURE_HIGH_MA:
        return FAILURE_HIGH
    if not MEASURE_LOW_MA <= current_ma <= MEASURE_HIGH_MA:
        return UNDEFINED
    return ""


def position_of(spec: PositionSpec) -> PositionOf:
    """Make the conversion from the scaled signal to arm position in mm.

    A saturated but valid current (3.8 to 4.0 and 20.0 to 20.5 mA) gives an EXACT position with a reason.
    """
    lo, lo_mm = spec.lo, spec.lo_mm
    slope = 1.0 if spec.signal is PositionSignal.SCALED else (spec.hi_mm - spec.lo_mm) / (spec.hi - spec.lo)
    exact = Exactness.EXACT
    if spec.signal is PositionSignal.SCALED:
        return lambda value: Reading(exact, value)
    if spec.signal is PositionSignal.COUNTS and spec.counts_per_ma == 0.0:
        return lambda value: Reading(exact, lo_mm + (value - lo) * slope)
    per_ma = spec.counts_per_ma if spec.signal is PositionSignal.COUNTS else 1.0

    def convert(value: float) -> Reading:
        current_ma = value / per_ma
        # The common case first: 4 to 20 mA needs no further look.
        if 4.0 <= current_ma <= 20.0:
            return reading((exact, lo_mm + (value - lo) * slope, "", None))
        current_ma = round(current_ma, 6)  # 20500 uA x 0.001 must not miss a limit by a rounding error
        fault = current_fault(current_ma)
        if fault:
            return absent(fault)
        limit = UNDER_RANGE if current_ma < 4.0 else OVER_RANGE if current_ma > 20.0 else ""
        return Reading(exact, lo_mm + (value - lo) * slope, limit)

    return convert
