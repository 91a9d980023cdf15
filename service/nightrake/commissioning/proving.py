"""The steps of proving a drive in the field, as an append-only list of events and what they come to. Pure.

Each event is one line of the session's file, written before anything is said about it; the session is what the lines
add up to, so that it goes on after any stop exactly where it was.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

from nightrake.commissioning.points import FALLING, RISING
from nightrake.errors import CalibrationError

AS_FOUND, AS_LEFT = "as found", "as left"


@dataclass(frozen=True, slots=True)
class About:
    """What is proved, by whom, with what: the head of the record.

    Attributes:
        drive, direction, device_serial: What. made_by, place, remarks: Texts.
        ambient_c: Temperature, degrees C, or None. reference_standard: the instrument.
        reference_uncertainty_pct: its expanded uncertainty (k = 2), percent of reading, or None.
        method: ``factory output``, ``rakes tied off`` or ``force at the arm``.
        method_uncertainty_pct: expanded uncertainty (k = 2) of what the method multiplies by (radius; ratio and
            efficiency), percent, or None.
        radius_m: rakes tied off: lever of the pull. arm_m, ratio, efficiency: force at the arm.
        due_on: When the next is due, ISO date, or "".
        altered: What was altered on the device since the record before (its springs, say), or ""; a slope that differs
            from that record's is then no mistake.
        form: Of the curve: ``straight``, ``quadratic``, ``segments``, or "" to have it chosen by test.
    """

    drive: str
    direction: str
    device_serial: str
    made_by: str
    place: str = ""
    ambient_c: float | None = None
    reference_standard: str = ""
    reference_uncertainty_pct: float | None = None
    method: str = "factory output"
    method_uncertainty_pct: float | None = None
    radius_m: float = 0.0
    arm_m: float = 0.0
    ratio: float = 0.0
    efficiency: float = 0.0
    due_on: str = ""
    remarks: str = ""
    altered: str = ""
    form: str = ""

    @property
    def factor(self) -> float:
        """Output torque in N.m for each N of a measured force, or for each N.m where a torque is measured."""
        if self.method == "rakes tied off" and self.radius_m:
            return self.radius_m
        if self.method == "force at the arm":
            return self.arm_m * self.ratio * self.efficiency or 1.0
        return 1.0

    def torque_nm(self, applied: float) -> float:
        """Output torque of what was applied: a force in N, where the method measures one, else the torque in N.m."""
        return applied * self.factor

    @property
    def applies_force(self) -> bool:
        """Whether what is applied is measured as a force."""
        lever = self.radius_m if self.method == "rakes tied off" else self.arm_m * self.ratio * self.efficiency
        return self.method in ("rakes tied off", "force at the arm") and lever != 0.0


@dataclass(frozen=True, slots=True)
class Point:
    """One point as taken: applied torque, where the arm stood, how still, which branch and run."""

    number: int
    torque_nm: float
    position_mm: float
    branch: str
    run: int
    spread_mm: float = 0.0
    readings: int = 1
    utc_ms: int = 0
    entered: str = ""


@dataclass(frozen=True, slots=True)
class ContactEdge:
    """One operation or release of one contact.

    Attributes:
        stage, channel: Which contact of the proved direction.
        operated: It operated (released otherwise).
        position_mm, half_width_mm: Where, and how far off that may be.
        known: The positions around it were seen; only such edges count.
        state: as found or as left. utc_ms: when. seq: journal row that it came from, 0 = none.
        running: The motor ran then: the edge is that of a stop, not of known torque, and does not count.
    """

    stage: str
    channel: str
    operated: bool
    position_mm: float
    half_width_mm: float
    known: bool
    state: str
    utc_ms: int = 0
    seq: int = 0
    running: bool = False


@dataclass(frozen=True, slots=True)
class Session:
    """What the events of one proving have come to.

    Attributes:
        about: Head; None before it began.
        points: Those that stand, in the order taken. taken: how many numbers were given out.
        edges: All edges. adjusted: contacts have been moved since the start. notes: remarks made on the way.
        seq: Journal row up to which edges were taken over.
        making: Reference and date of the record that is being written, "" = none yet. done: it was written.
        stops: How often it was left and taken up again.
    """

    about: About | None = None
    points: tuple[Point, ...] = ()
    taken: int = 0
    edges: tuple[ContactEdge, ...] = ()
    adjusted: bool = False
    notes: tuple[str, ...] = ()
    seq: int = 0
    making: str = ""
    made_on: str = ""
    done: bool = False
    stops: int = 0

    @property
    def state(self) -> str:
        """What a contact's edge says now: as found, or as left."""
        return AS_LEFT if self.adjusted else AS_FOUND

    def branch_of(self, torque_nm: float) -> tuple[str, int]:
        """Branch and run of a point at this torque, by the one before: less is falling, more after that a new run."""
        if not self.points:
            return RISING, 1
        last = self.points[-1]
        if abs(torque_nm) < abs(last.torque_nm):
            return FALLING, last.run
        if abs(torque_nm) > abs(last.torque_nm):
            return RISING, last.run + (last.branch == FALLING)
        return last.branch, last.run

    def edges_of(self, stage: str, channel: str, *, operated: bool, state: str) -> tuple[ContactEdge, ...]:
        """The edges that count for one contact."""
        return tuple(
            e
            for e in self.edges
            if (e.stage, e.channel, e.operated, e.state) == (stage, channel, operated, state)
            and e.known
            and not e.running
        )


def begun(about: About, seq: int) -> dict[str, Any]:
    """First event: who proves what. `seq`: the journal's head, so that older edges do not count."""
    return {"event": "begun", "format": 1, "about": asdict(about), "seq": seq}


def head_corrected(changes: Mapping[str, Any]) -> dict[str, Any]:
    """Values of the head are others than they were said to be; the torque of points taken follows them."""
    return {"event": "head", "about": dict(changes)}


def point_taken(point: Point) -> dict[str, Any]:
    """A point was taken."""
    return {"event": "point", **asdict(point)}


def point_dropped(number: int) -> dict[str, Any]:
    """A point is not to count."""
    return {"event": "dropped", "number": number}


def edge_seen(edge: ContactEdge) -> dict[str, Any]:
    """A contact operated or released."""
    return {"event": "edge", **asdict(edge)}


def contacts_adjusted() -> dict[str, Any]:
    """The contacts have been moved: what follows is 'as left'."""
    return {"event": "adjusted"}


def noted(text: str) -> dict[str, Any]:
    """A remark for the record."""
    return {"event": "note", "text": text[:500]}


def resumed(seq: int) -> dict[str, Any]:
    """Taken up again; edges up to `seq` were not seen with their positions."""
    return {"event": "resumed", "seq": seq}


def finishing(ref: str, made_on: str) -> dict[str, Any]:
    """The record is about to be written under this reference; a stop from here on must not make a second one."""
    return {"event": "finishing", "ref": ref, "made_on": made_on}


def finished() -> dict[str, Any]:
    """The record has been written."""
    return {"event": "finished"}


def after(session: Session, event: Mapping[str, Any]) -> Session:
    """The session after one more event.

    Raises:
        CalibrationError: The event is none of ours.
    """
    data = {k: v for k, v in event.items() if k != "event"}
    match event.get("event"):
        case "begun":
            return replace(session, about=About(**data["about"]), seq=int(data["seq"]))
        case "head":
            return _with_head(session, data["about"])
        case "point":
            point = Point(**data)
            return replace(session, points=(*session.points, point), taken=max(session.taken, point.number))
        case "dropped":
            return replace(session, points=tuple(p for p in session.points if p.number != data["number"]))
        case "edge":
            edge = ContactEdge(**data)
            return replace(session, edges=(*session.edges, edge), seq=max(session.seq, edge.seq))
        case "adjusted":
            return replace(session, adjusted=True)
        case "note":
            return replace(session, notes=(*session.notes, str(data["text"])))
        case "resumed":
            return replace(session, seq=max(session.seq, int(data["seq"])), stops=session.stops + 1)
        case "finishing":
            return replace(session, making=str(data["ref"]), made_on=str(data["made_on"]))
        case "finished":
            return replace(session, done=True)
    raise CalibrationError(f"a proving session holds the unknown event '{str(event.get('event'))[:32]}'")


def _with_head(session: Session, changes: Mapping[str, Any]) -> Session:
    before = session.about or About("", "", "", "")
    about = replace(before, **changes)
    if session.about is None:
        return session  # only its form is looked at
    by = about.factor / before.factor
    points = tuple(replace(p, torque_nm=p.torque_nm * by) for p in session.points) if by != 1.0 else session.points
    return replace(session, about=about, points=points)


def session_of(events: Iterable[Mapping[str, Any]]) -> Session:
    """What a list of events comes to."""
    session = Session()
    for event in events:
        session = after(session, event)
    return session


def read_events(text: str, where: str) -> list[dict[str, Any]]:
    """The lines of a session's file.

    A last line without its end was being written when the program was stopped; nobody had been told of it, so it does
    not count. Any other line that cannot be read is a damaged file.

    Raises:
        CalibrationError: Names the file and line.
    """
    lines = text.split("\n")
    events = []
    for number, line in enumerate(lines[:-1], 1):
        try:
            event = json.loads(line)
            after(Session(), event)
        except (ValueError, TypeError, KeyError, AttributeError, CalibrationError) as error:
            raise CalibrationError(
                f"{where}:{number}: cannot be read ({type(error).__name__}); "
                "restore the file, or move it away and begin anew"
            ) from error
        events.append(event)
    if events and events[0].get("event") != "begun":
        raise CalibrationError(f"{where}:1: does not begin with 'begun'; move the file away and begin anew")
    return events
