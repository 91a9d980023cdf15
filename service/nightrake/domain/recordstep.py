"""Whether a calibration record says another torque than the one before it of the same device. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from nightrake.domain.calibration import torque_of
from nightrake.domain.reading import Exactness
from nightrake.domain.site import CalibrationCurve, Direction

ALTERED = "device altered: "
"""How the remark of a record begins that says what was altered on the device since the record before."""
PLACES = 101
"""Positions at which two records are compared."""
NOT_STATED_SHARE = 0.05
"""Uncertainty of a record that states none, as a share of its torque (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Step:
    """Where two records differ most beyond what both of them allow for.

    Attributes:
        ref: The record before. position_mm: Arm position, magnitude.
        before_nm, before_u_nm: Torque by the record before, and its expanded uncertainty. now_nm, now_u_nm: By this.
    """

    ref: str
    position_mm: float
    before_nm: float
    before_u_nm: float
    now_nm: float
    now_u_nm: float

    @property
    def text(self) -> str:
        """One sentence."""
        share = 100.0 * (self.now_nm - self.before_nm) / self.before_nm if self.before_nm else 100.0
        return (
            f"look again: with the arm at {self.position_mm:.2f} mm this record says {self.now_nm / 1000:.2f} kN.m "
            f"(+-{self.now_u_nm / 1000:.2f}), and {self.ref} before it {self.before_nm / 1000:.2f} "
            f"(+-{self.before_u_nm / 1000:.2f}), so this one is {abs(share):.2g} % "
            f"{'higher' if share > 0.0 else 'lower'}, more than both uncertainties allow: were lever, ratio and "
            "reference right? A device that was altered since is proved with 'altered'"
        )


def step_between(before: CalibrationCurve, now: CalibrationCurve) -> Step | None:
    """The largest difference beyond both expanded uncertainties together, anywhere in the common range; None = none.

    Args:
        before, now: Two records of one device and direction.
    """
    low = max(abs(before.position_mm[0]), abs(now.position_mm[0]))
    high = min(abs(before.position_mm[-1]), abs(now.position_mm[-1]))
    if high <= low:
        return None
    sign = -1.0 if now.direction is Direction.REVERSE else 1.0
    old_of, new_of = torque_of(before), torque_of(now)
    worst, most_nm = None, 0.0
    for i in range(PLACES):
        x_mm = min(high, low + (high - low) * i / (PLACES - 1))
        old, new = old_of(sign * x_mm), new_of(sign * x_mm)
        if old.value is None or new.value is None or {old.kind, new.kind} != {Exactness.EXACT}:
            continue
        old_u = NOT_STATED_SHARE * old.value if old.uncertainty is None else old.uncertainty
        new_u = NOT_STATED_SHARE * new.value if new.uncertainty is None else new.uncertainty
        beyond_nm = abs(new.value - old.value) - old_u - new_u
        if beyond_nm > most_nm:
            worst, most_nm = Step(before.ref, x_mm, old.value, old_u, new.value, new_u), beyond_nm
    return worst


def is_altered(remarks: str) -> bool:
    """Whether the remarks of a record say that the device was altered since the one before."""
    return any(part.startswith(ALTERED) for part in remarks.split("; "))
