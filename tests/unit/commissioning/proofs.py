"""Devices proved as in the field: slow pulls, readings at a scan's pace, contacts placed from raw edges, a session.

The device is `devices.Device`, which knows nothing of fit or session. Its two contacts are fixed on the arm's travel.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np

from nightrake.cli.prove_result import Proved, prove
from nightrake.commissioning.proving import About, ContactEdge, Point, Session, after, begun, edge_seen, point_taken
from nightrake.commissioning.record import curve_of
from nightrake.commissioning.stillness import Sample, place_of_edge, stillness
from nightrake.domain.calibration import torque_of
from nightrake.domain.site import (
    BitMeans,
    ContactId,
    ContactSpec,
    Direction,
    DriveSpec,
    Form,
    PointSpec,
    PositionSignal,
    PositionSpec,
    Stage,
    Table,
    ValueType,
)
from unit.commissioning.devices import SHUTDOWN_NM, Device, Kind

SCAN_NS = 250_000_000
STEP_NM = 0.002 * SHUTDOWN_NM
"""Torque added from scan to scan: a hand pump, a tenth of a millimetre in two scans."""
DIFFERENTIAL_MM = 0.4


def drive_of(resolution_mm: float) -> DriveSpec:
    """A drive with one contact each stage and a position in steps of the resolution."""
    contacts = tuple(
        ContactSpec(
            ContactId("D", Direction.FORWARD, stage, "A"),
            PointSpec("P", 1, Table.DISCRETE, n, ValueType.BIT),
            Form.NORMALLY_CLOSED,
            BitMeans.CLOSED,
        )
        for n, stage in enumerate((Stage.ALARM, Stage.SHUTDOWN))
    )
    place = PointSpec("P", 1, Table.INPUT, 0, ValueType.INT16, scale=resolution_mm)
    position = PositionSpec(place, PositionSignal.SCALED, 0.0, 25.0, 0.0, 25.0)
    return DriveSpec(
        "D", "D", device_serial="S", contacts=contacts, position=position,
        alarm_nm=0.8 * SHUTDOWN_NM, shutdown_nm=SHUTDOWN_NM,
    )  # fmt: skip


class Field:
    """One device under a known torque, scanned; the session that a proving of it writes."""

    def __init__(self, device: Device, rng: np.random.Generator) -> None:
        self.device, self._rng = device, rng
        self._now_ns, self._torque_nm = 0, 0.3 * device.preload_nm
        self._samples: list[Sample] = []
        self._waiting: list[tuple[int, str, bool]] = []
        # Set at the factory by the cold spring: where the set points' torque stood on a rising load.
        self.contacts = {
            stage: float(np.interp(share * SHUTDOWN_NM - device.friction.half, device.spring(GRID), GRID))
            for stage, share in (("alarm", 0.8), ("shutdown", 1.0))
        }
        self._operated = dict.fromkeys(self.contacts, False)
        wrong_pct = device.kind.reference_pct
        self._wrong = 1.0 + float(rng.normal(0.0, wrong_pct / 200.0))
        about = About("D", "forward", "S", "sim", reference_uncertainty_pct=wrong_pct)
        self.session: Session = after(Session(), begun(about, 0))

    def scan(self, torque_nm: float) -> None:
        """One scan: the arm is read, contacts show what they have done since the last one."""
        self._now_ns += SCAN_NS
        self._torque_nm = torque_nm
        self._samples.append(Sample(self._now_ns, self.device.apply(torque_nm)))
        arm_mm = self.device.backlash.at
        for stage, at_mm in self.contacts.items():
            operated = arm_mm >= at_mm - (DIFFERENTIAL_MM if self._operated[stage] else 0.0)
            if operated != self._operated[stage]:
                self._operated[stage] = operated
                self._waiting.append((self._now_ns, stage, operated))

    def pull(self, torque_nm: float) -> None:
        """Move the torque slowly, then hold it until the arm stands still, and take a point."""
        steps = max(2, int(abs(torque_nm - self._torque_nm) / STEP_NM))
        for value in np.linspace(self._torque_nm, torque_nm, steps):
            self.scan(float(value))
        began_ns = self._now_ns
        found = stillness(self._samples, self._now_ns, since_ns=began_ns)
        for _ in range(200):
            if found.still:
                break
            self.scan(torque_nm)
            found = stillness(self._samples[-40:], self._now_ns, since_ns=began_ns)
        assert found.still, found.why
        self._place()
        shown = round(torque_nm * self._wrong, 1)
        branch, run = self.session.branch_of(shown)
        point = Point(self.session.taken + 1, shown, found.position_mm, branch, run)
        self.session = after(self.session, point_taken(point))

    def _place(self) -> None:
        for edge_ns, stage, operated in self._waiting:
            place = place_of_edge(self._samples, edge_ns, SCAN_NS)
            edge = ContactEdge(stage, "A", operated, place.position_mm, place.half_width_mm, place.known, "as found")
            self.session = after(self.session, edge_seen(edge))
        self._waiting.clear()


GRID = np.linspace(0.0, 25.0, 2001)


def proved(kind: Kind, rng: np.random.Generator) -> tuple[Field, Proved]:
    """One device, proved: two runs up and down."""
    device = Device(kind, rng)
    field = Field(device, rng)
    levels = np.linspace(device.preload_nm + 0.03 * SHUTDOWN_NM, 1.1 * SHUTDOWN_NM, kind.levels)
    for _ in range(kind.runs):
        device.apply(0.5 * device.preload_nm)
        for level in (*levels, *(levels[::-1] - 0.01 * SHUTDOWN_NM)):
            field.pull(float(level) + float(rng.normal(0.0, kind.reference_noise * SHUTDOWN_NM)))
    return field, prove(field.session, drive_of(kind.resolution_mm), datetime.date(2026, 11, 25), "D-forward")


@dataclass(frozen=True)
class Tally:
    """How many statements were made, and how many held."""

    statements: int
    held: int
    widest_pct: float

    @property
    def share(self) -> float:
        """Share that held."""
        return self.held / self.statements


def tally(kind: Kind, count: int, seed: int, factor: float = 1.0) -> Tally:
    """Prove devices, and hold each record's torque and contact points against what is really so.

    Args:
        factor: What each stated uncertainty is multiplied by (1 = as stated).

    For each device: the torque under a swinging load, and the torque at which each contact operates on a rising one.
    """
    rng = np.random.default_rng(seed)
    statements = held = 0
    widest = 0.0
    for _ in range(count):
        field, result = proved(kind, rng)
        widest = max(widest, 100.0 * float(max(result.record.budget.result.expanded_nm)) / SHUTDOWN_NM)
        for verdict in result.verdicts:
            at_mm = field.contacts[verdict.figures.stage]
            truth_nm = float(field.device.spring(np.array([at_mm]))[0]) + field.device.friction.half
            assert verdict.torque_nm is not None
            statements += 1
            held += abs(verdict.torque_nm - truth_nm) <= factor * verdict.uncertainty_nm
        statements += 1
        held += _torque_holds(field, result, factor)
    return Tally(statements, held, widest)


def _torque_holds(field: Field, result: Proved, factor: float) -> bool:
    convert = torque_of(curve_of(result.record))
    for _ in range(20):
        true_nm, position_mm = field.device.work()
        reading = convert(position_mm)
        if reading.value is not None and reading.uncertainty is not None and reading.kind == "exact":
            return abs(reading.value - true_nm) <= factor * reading.uncertainty
    raise AssertionError("the load never came into the calibrated range")
