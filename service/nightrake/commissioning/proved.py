"""What a proving session says of the contacts: where each operated and released, and whether that is where it should.

Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from nightrake.commissioning.points import CalibrationPoint, ContactPoint, RecordContent
from nightrake.commissioning.proving import AS_FOUND, AS_LEFT, About, Session


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
    figures = []
    for stage, channel in contacts:
        found = any(session.edges_of(stage, channel, operated=x, state=AS_FOUND) for x in (True, False))
        # A clipboard may hold only what was left; a contact that was never seen is not proved in the last state.
        states = [*([AS_FOUND] if found or not session.adjusted else []), *([AS_LEFT] if session.adjusted else [])]
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


def all_passed(verdicts: Sequence[Verdict]) -> bool:
    """Whether every contact, as it was left, operates where it should; what was found before an adjustment may not."""
    last = {(v.figures.stage, v.figures.channel): v for v in verdicts}
    return bool(last) and all(v.passed for v in last.values())


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


def content_of(
    session: Session,
    contacts: Sequence[tuple[str, str]],
    made_on: str,
    resolution_mm: float | None = None,
    transducer: str = "",
    supersedes: str = "",
) -> RecordContent:
    """What a finished session measured, as the content of a calibration record.

    Contacts whose release was not seen are left out: a contact point has both.

    Args:
        contacts: (stage, channel) of the proved direction. made_on: ISO date.
        resolution_mm: Least step of the position as read. transducer: its name.
        supersedes: Reference of the record in force until now, "" = none.
    """
    about = session.about
    assert about is not None
    figures = contact_figures(session, contacts)
    return RecordContent(
        drive=about.drive,
        direction=about.direction,
        device_serial=about.device_serial,
        made_by=about.made_by,
        made_on=made_on,
        place=about.place,
        ambient_c=about.ambient_c,
        reference_standard=about.reference_standard,
        reference_uncertainty_pct=about.reference_uncertainty_pct,
        method=about.method,
        method_detail=_method_detail(about),
        method_uncertainty_pct=about.method_uncertainty_pct or None,
        transducer=transducer,
        resolution_mm=resolution_mm,
        due_on=about.due_on,
        supersedes=supersedes,
        remarks="; ".join(x for x in (about.remarks, *session.notes) if x),
        points=tuple(CalibrationPoint(p.torque_nm, p.position_mm, p.branch, p.run) for p in session.points),
        contact_points=tuple(
            ContactPoint(f.stage, f.channel, f.state, round(f.operating_mm, 4), round(f.release_mm, 4))
            for f in figures
            if f.operating_mm is not None and f.release_mm is not None
        ),
    )


def _method_detail(about: About) -> str:
    if about.method == "rakes tied off" and about.radius_m:
        return f"pull x {about.radius_m:g} m"
    if about.method == "force at the arm" and about.arm_m:
        return f"force x {about.arm_m:g} m x ratio {about.ratio:g} x efficiency {about.efficiency:g}"
    return ""
