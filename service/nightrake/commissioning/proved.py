"""What a proving session says of the contacts: where each operated and released, and whether that is where it should.

Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from nightrake.commissioning.proving import AS_FOUND, AS_LEFT, Session


@dataclass(frozen=True, slots=True)
class ContactFigures:
    """Where one contact operated and released.

    Attributes:
        stage, channel, state: Which, and as found or as left.
        operating_mm, release_mm: Means; None where it was not seen.
        spread_mm: Largest less smallest operating position (or what a single one may be off).
        operations, releases: How many were seen.
    """

    stage: str
    channel: str
    state: str
    operating_mm: float | None
    release_mm: float | None
    spread_mm: float
    operations: int
    releases: int


def contact_figures(session: Session, contacts: Sequence[tuple[str, str]]) -> list[ContactFigures]:
    """Figures of each contact, as found, and as left where contacts were adjusted.

    Args:
        contacts: (stage, channel) of the proved direction.
    """
    states = (AS_FOUND, AS_LEFT) if session.adjusted else (AS_FOUND,)
    figures = []
    for stage, channel in contacts:
        for state in states:
            operated = session.edges_of(stage, channel, operated=True, state=state)
            released = session.edges_of(stage, channel, operated=False, state=state)
            places = [e.position_mm for e in operated]
            spread = max(places) - min(places) if places else 0.0
            spread = max([spread, *(2.0 * e.half_width_mm for e in operated)])
            figures.append(
                ContactFigures(
                    stage, channel, state, _mean(places), _mean([e.position_mm for e in released]), spread,
                    len(operated), len(released),
                )
            )  # fmt: skip
    return figures


def _mean(values: Sequence[float]) -> float | None:
    return sum(values) / len(values) if values else None


@dataclass(frozen=True, slots=True)
class Verdict:
    """A contact's operating torque against its set point.

    Attributes:
        figures: Where it operated. set_nm: what was asked for. tolerance_nm: how far off it may be.
        torque_nm, uncertainty_nm: Where it operates by the new record, with the expanded uncertainty (95 %).
        passed: Within the tolerance. close: Within or outside it by less than the uncertainty.
        text: One sentence.
    """

    figures: ContactFigures
    set_nm: float
    tolerance_nm: float
    torque_nm: float | None
    uncertainty_nm: float
    passed: bool
    close: bool = False
    text: str = ""


def verdict(
    figures: ContactFigures, set_nm: float, tolerance_nm: float, torque_nm: float | None, uncertainty_nm: float
) -> Verdict:
    """Judge one contact; simple acceptance (JCGM 106: the tolerance itself decides), with a word where it is close."""
    which = f"{figures.stage} {figures.channel} {figures.state}"
    if torque_nm is None:
        text = f"{which}: did not operate while its position was seen; not proved"
        return Verdict(figures, set_nm, tolerance_nm, None, 0.0, False, False, text)
    off_nm = abs(torque_nm - set_nm)
    passed = off_nm <= tolerance_nm
    close = abs(off_nm - tolerance_nm) < uncertainty_nm
    text = (
        f"{which}: {'PASS' if passed else 'FAIL'}, operates at {torque_nm / 1000:.2f} kN.m "
        f"(+-{uncertainty_nm / 1000:.2f}), set {set_nm / 1000:.2f} +-{tolerance_nm / 1000:.2f}"
    )
    if close:
        text += "; nearer to the limit than the uncertainty"
    return Verdict(figures, set_nm, tolerance_nm, torque_nm, uncertainty_nm, passed, close, text)
