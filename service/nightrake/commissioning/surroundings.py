"""What specification and site say of a record's transducer and temperature, for its uncertainty budget. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from nightrake.commissioning.specification import Specification
from nightrake.domain.site import PositionSpec

KELVIN = 273.15


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Parts of a record's head that no point shows; None where nothing is known.

    Attributes:
        transducer_error_mm: Largest error of the transducer between proof and use, +- mm.
        temperature_pct_per_k: Change of torque at one position, % per K.
        temperature_range_k: How far the site's temperature goes from that of the proof, +- K.
    """

    transducer_error_mm: float | None = None
    temperature_pct_per_k: float | None = None
    temperature_range_k: float | None = None


NOTHING_KNOWN = Surroundings()


def surroundings(specification: Specification, direction: str, ambient_c: float | None) -> Surroundings:
    """Transducer from its class and span, temperature from the springs and the site's range.

    Args:
        specification: Of the drive. direction: The proved one.
        ambient_c: Temperature of the proof, degrees C; None: it may have been anywhere in the site's range.

    Returns:
        Both temperature values or neither. The springs' own change counts; that of gears and oil is in the points.
    """
    spec = specification
    error_mm = None
    if spec.transducer_class_pct is not None and spec.drive.position is not None:
        error_mm = _span_mm(spec.drive.position) * spec.transducer_class_pct / 100.0
    springs = spec.springs.get(direction)
    if springs is None or spec.lowest_k is None or spec.highest_k is None:
        return Surroundings(error_mm)
    far_k = spec.highest_k - spec.lowest_k
    if ambient_c is not None:
        far_k = max(abs(k - KELVIN - ambient_c) for k in (spec.lowest_k, spec.highest_k))
    return Surroundings(error_mm, 100.0 * springs.rate_change_per_k, round(far_k, 3))


def _span_mm(position: PositionSpec) -> float:
    return abs(position.hi_mm - position.lo_mm)
