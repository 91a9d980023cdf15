"""One trip's approach in a sentence. Pure."""

from __future__ import annotations

import math
from dataclasses import replace

from nightrake.learning.approachtypes import Approach, Kind, Rise
from nightrake.learning.dutywords import limited, moment, span, torque


def told(found: Approach) -> Approach:
    """With its sentence."""
    head = f"{found.stage.capitalize()} of {found.drive}"
    head += f" ({found.direction})" if found.direction != "forward" else ""
    return replace(found, sentence=f"{head} at {moment(found.utc_ms)}: {_what(found)}.")


def _what(found: Approach) -> str:
    if found.kind is Kind.CONTACT_FAULT:
        return (
            f"contact fault; the torque was {_with_uncertainty(found)}, clearly below the operating point of "
            f"{torque(found.operating_nm)}: look at the contact and its wiring, then at the load"
        )
    if found.kind is Kind.CANNOT_SAY or found.rise is None:
        return f"cannot say how it came, for {found.why}"
    if found.kind is Kind.CREEP:
        return f"creep; the level rose {_from_to(found.rise)}, and the torque reached {torque(found.torque_nm)}"
    under = f", on a level that had crept {_from_to(found.crept)}" if found.crept is not None else ""
    return f"{found.kind}; torque rose {_from_to(found.rise)}{under}"


def _from_to(rise: Rise) -> str:
    begin, end = limited(rise.from_nm, below=rise.from_is_below), limited(rise.to_nm, beyond=rise.to_is_beyond)
    return f"from {begin} to {end} in {span(rise.seconds)}"


def _with_uncertainty(found: Approach) -> str:
    if math.isnan(found.uncertainty_nm):
        return f"{torque(found.torque_nm)} at most"
    return f"{torque(found.torque_nm)} at most (±{torque(found.uncertainty_nm)})"
