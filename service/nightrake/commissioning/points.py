"""What a calibration record is made from: its head, its points, its contact points. Frozen values, nothing computed.

Everything here is as written down at the machine. Positions of the reverse direction are negative, as read; `magnitude`
turns them round, and every fit works in magnitudes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

RISING, FALLING = "rising", "falling"
STRAIGHT_LINE, QUADRATIC, STRAIGHT_SEGMENTS = "straight line", "quadratic", "straight segments"
FORMS = (STRAIGHT_LINE, QUADRATIC, STRAIGHT_SEGMENTS)
SHORT_FORMS = {"straight": STRAIGHT_LINE, "quadratic": QUADRATIC, "segments": STRAIGHT_SEGMENTS}
"""How people ask for a form."""
FACTORY_OUTPUT, RAKES_TIED_OFF, FORCE_AT_ARM = "factory output", "rakes tied off", "force at the arm"


@dataclass(frozen=True, slots=True)
class CalibrationPoint:
    """One applied torque and where the arm stood.

    Attributes:
        torque_nm: Applied output torque, N.m.
        position_mm: Arm position, mm from the rest stop; negative in the reverse direction.
        branch: ``rising`` or ``falling`` torque.
        run: Number of the run, from 1.
        weight: Relative weight in the fit, > 0; 1 = as good as the others.
    """

    torque_nm: float
    position_mm: float
    branch: str = RISING
    run: int = 1
    weight: float = 1.0

    @property
    def pair(self) -> tuple[float, float]:
        """Position and torque as magnitudes."""
        return abs(self.position_mm), abs(self.torque_nm)


@dataclass(frozen=True, slots=True)
class ContactPoint:
    """Where a contact operated and released.

    Attributes:
        stage, channel: Which contact of the record's direction. state: ``as found`` or ``as left``.
        operating_mm, release_mm: Arm position of both, mm from the rest stop, as read.
    """

    stage: str
    channel: str
    state: str
    operating_mm: float
    release_mm: float


@dataclass(frozen=True, slots=True)
class RecordContent:
    """A calibration record before its fit: who measured what, how, with what.

    Attributes:
        drive, direction, device_serial: What was measured.
        made_by, made_on, place, due_on: Who, when (ISO dates; `due_on` may be ""), where, when again.
        ambient_c: Ambient temperature, degrees Celsius, or None.
        reference_standard: What the applied torque was measured with.
        reference_uncertainty_pct: Its expanded uncertainty (k = 2), % of reading, or None.
        method: ``factory output``, ``rakes tied off`` (pull x radius) or ``force at the arm`` (x ratio x efficiency).
        method_detail: Radius, or ratio and efficiency, in words.
        method_uncertainty_pct: Expanded uncertainty (k = 2) that the method adds to the reference's, % of torque.
        transducer: The position transducer. resolution_mm: The least step of a position as it is read.
        transducer_error_mm: Largest error that it may have between proof and use, +- mm.
        temperature_pct_per_k: Change of torque at one position, % of torque per K (springs soften as they warm).
        temperature_range_k: How far the site's temperature goes from the ambient temperature of the proof, +- K.
        points, contact_points: What was read.
        form: ``straight line``, ``quadratic``, ``straight segments``, or "" to choose line or quadratic by test.
        supersedes: Reference of the record that this one takes the place of, "" = none.
        remarks: Anything else.
    """

    drive: str
    device_serial: str
    made_by: str
    made_on: str
    method: str
    points: tuple[CalibrationPoint, ...]
    direction: str = "forward"
    place: str = ""
    ambient_c: float | None = None
    reference_standard: str = ""
    reference_uncertainty_pct: float | None = None
    method_detail: str = ""
    method_uncertainty_pct: float | None = None
    transducer: str = ""
    resolution_mm: float | None = None
    transducer_error_mm: float | None = None
    temperature_pct_per_k: float | None = None
    temperature_range_k: float | None = None
    due_on: str = ""
    supersedes: str = ""
    remarks: str = ""
    contact_points: tuple[ContactPoint, ...] = field(default=())
    form: str = ""

    def branch(self, name: str) -> tuple[CalibrationPoint, ...]:
        """The points of one branch, in the order taken."""
        return tuple(p for p in self.points if p.branch == name)


HEAD_KEYS = (
    "drive direction device_serial made_by made_on place ambient_c reference_standard reference_uncertainty_pct method "
    "method_detail method_uncertainty_pct transducer resolution_mm transducer_error_mm temperature_pct_per_k "
    "temperature_range_k due_on supersedes remarks"
).split()
"""Keys of a record file that stand above its points, in the order in which they are written."""


def content_of(table: Mapping[str, Any]) -> RecordContent:
    """The content of a record file that has been checked already, as the mapping of its keys; its fit is left out."""
    fit = table.get("fit") or {}
    return RecordContent(
        **{key: table[key] for key in HEAD_KEYS if key in table},
        points=tuple(CalibrationPoint(**p) for p in table["point"]),
        contact_points=tuple(ContactPoint(**c) for c in table.get("contact_point", ())),
        form=fit.get("asked", ""),
    )
