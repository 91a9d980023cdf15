"""What a finished proving says: where each contact operated and released, and the content of its record. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from nightrake.commissioning.points import SHORT_FORMS, CalibrationPoint, ContactPoint, RecordContent
from nightrake.commissioning.proving import AS_FOUND, AS_LEFT, About, ContactEdge, Session
from nightrake.commissioning.surroundings import NOTHING_KNOWN, Surroundings
from nightrake.domain.recordstep import ALTERED

EVERYWHERE: Mapping[str, float] = MappingProxyType({})
"""No limit to how far off the place of a release may be."""


@dataclass(frozen=True, slots=True)
class ContactFigures:
    """Where one contact operated and released.

    Attributes:
        stage, channel, state: Which, and as found or as left.
        operated_mm, released_mm: Every position that was seen and counts, in the order of time.
        spread_mm: Largest less smallest operating position (or what a single one may be off).
        fast_releases: Releases while the arm moved too fast to say where. stray_releases: those without an operation.
    """

    stage: str
    channel: str
    state: str
    operated_mm: tuple[float, ...]
    released_mm: tuple[float, ...]
    spread_mm: float
    fast_releases: int = 0
    stray_releases: int = 0

    @property
    def operating_mm(self) -> float | None:
        """Mean operating position; None where it was not seen."""
        return _mean(self.operated_mm)

    @property
    def release_mm(self) -> float | None:
        """Mean release position; None where it was not seen."""
        return _mean(self.released_mm)

    @property
    def operations(self) -> int:
        """How many were seen."""
        return len(self.operated_mm)

    @property
    def releases(self) -> int:
        """How many were seen."""
        return len(self.released_mm)


def contact_figures(
    session: Session, contacts: Sequence[tuple[str, str]], within_mm: Mapping[str, float] = EVERYWHERE
) -> list[ContactFigures]:
    """Figures of each contact, as found, and as left where contacts were adjusted.

    Args:
        contacts: (stage, channel) of the proved direction.
        within_mm: Stage -> how far off the place of a release may be for it to count; left out = anything.
    """
    figures = []
    for stage, channel in contacts:
        found = any(session.edges_of(stage, channel, operated=x, state=AS_FOUND) for x in (True, False))
        # A clipboard may hold only what was left; a contact that was never seen is not proved in the last state.
        states = [*([AS_FOUND] if found or not session.adjusted else []), *([AS_LEFT] if session.adjusted else [])]
        for state in states:
            operated = session.edges_of(stage, channel, operated=True, state=state)
            released = _releases(session, stage, channel, state)
            placed = [e for e in released if e.half_width_mm <= within_mm.get(stage, math.inf)]
            seen = session.edges_of(stage, channel, operated=False, state=state)
            places = tuple(e.position_mm for e in operated)
            spread = max(places) - min(places) if places else 0.0
            spread = max([spread, *(2.0 * e.half_width_mm for e in operated)])
            figures.append(
                ContactFigures(
                    stage, channel, state, places, tuple(e.position_mm for e in placed), spread,
                    len(released) - len(placed), len(seen) - len(released),
                )
            )  # fmt: skip
    return figures


def _releases(session: Session, stage: str, channel: str, state: str) -> tuple[ContactEdge, ...]:
    """Releases that an operation of this state went before, be it one that was not placed: no more than those."""
    operations = sum((e.stage, e.channel, e.operated, e.state) == (stage, channel, True, state) for e in session.edges)
    return session.edges_of(stage, channel, operated=False, state=state)[:operations]


def _mean(values: Sequence[float]) -> float | None:
    return sum(values) / len(values) if values else None


def strange_contacts(session: Session, contacts: Sequence[tuple[str, str]]) -> list[str]:
    """Contacts of the session, by name, that the drive does not have in this direction."""
    seen = dict.fromkeys((e.stage, e.channel) for e in session.edges)
    return [f"{stage} {channel}" for stage, channel in seen if (stage, channel) not in contacts]


def content_of(
    session: Session,
    contacts: Sequence[tuple[str, str]],
    made_on: str,
    resolution_mm: float | None = None,
    transducer: str = "",
    supersedes: str = "",
    surroundings: Surroundings = NOTHING_KNOWN,
    within_mm: Mapping[str, float] = EVERYWHERE,
) -> RecordContent:
    """What a finished session measured, as the content of a calibration record.

    Contacts whose release was not seen are left out: a contact point has both.

    Args:
        contacts: (stage, channel) of the proved direction. made_on: ISO date.
        resolution_mm: Least step of the position as read. transducer: its name.
        supersedes: Reference of the record in force until now, "" = none.
        surroundings: What specification and site say of transducer and temperature.
        within_mm: As in `contact_figures`.
    """
    about = session.about
    assert about is not None
    altered = f"{ALTERED}{about.altered}" if about.altered else ""
    figures = contact_figures(session, contacts, within_mm)
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
        method_uncertainty_pct=about.method_uncertainty_pct,
        transducer=transducer,
        resolution_mm=resolution_mm,
        transducer_error_mm=surroundings.transducer_error_mm,
        temperature_pct_per_k=surroundings.temperature_pct_per_k,
        temperature_range_k=surroundings.temperature_range_k,
        due_on=about.due_on,
        supersedes=supersedes,
        remarks="; ".join(x for x in (about.remarks, altered, *session.notes) if x),
        form=SHORT_FORMS.get(about.form, about.form),
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
