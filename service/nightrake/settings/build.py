"""Models -> `SiteSpec`, with every check that looks at more than one key."""

from __future__ import annotations

from collections.abc import Mapping

from nightrake.domain.site import (
    BitMeans,
    BitSignal,
    CalibrationCurve,
    ContactId,
    ContactSpec,
    Direction,
    DriveSpec,
    EndpointSpec,
    Form,
    Gap,
    PointSpec,
    PositionSignal,
    PositionSpec,
    Stage,
    Table,
)
from nightrake.settings.folder import Document
from nightrake.settings.lines import Path as KeyPath
from nightrake.settings.models import BitTable, ContactTable, DriveTable, FolderModel, PlcTable, PointTable
from nightrake.settings.points import REFERENCE_TABLES, Points


def _ns(seconds: float) -> int:
    return round(seconds * 1e9)


def build_endpoint(document: Document, plc_id: str, plc: PlcTable) -> EndpointSpec:
    """One PLC."""
    if plc.backoff_max_s < plc.backoff_min_s:
        document.wrong(("plc", plc_id, "backoff_max_s"), "is less than backoff_min_s")
    return EndpointSpec(
        id=plc_id,
        host=plc.host,
        port=plc.port,
        timeout_ns=_ns(plc.timeout_s),
        max_registers=plc.max_registers,
        max_bits=plc.max_bits,
        readable_gaps=tuple(_gap(document, plc_id, plc, i) for i in range(len(plc.readable_gaps))),
        min_gap_ns=_ns(plc.min_gap_s),
        transaction_zero_ok=plc.transaction_zero_ok,
        backoff_min_ns=_ns(plc.backoff_min_s),
        backoff_max_ns=_ns(plc.backoff_max_s),
        unit_retry_ns=_ns(plc.unit_retry_s),
    )


def _gap(document: Document, plc_id: str, plc: PlcTable, index: int) -> Gap:
    gap = plc.readable_gaps[index]
    first, last, table = gap.first, gap.last, Table(gap.table)
    path = ("plc", plc_id, "readable_gaps", index)
    if plc.addressing == "reference":
        digits = 100_000 if first >= 100_000 else 10_000
        if REFERENCE_TABLES.get(first // digits) is not table:
            document.wrong(path, f"{first} is no reference number of the {table} table")
        first, last = first % digits - 1, last % digits - 1
    if not 0 <= first <= last <= 65535:
        document.wrong(path, "first and last have to be addresses, first not above last")
    return Gap(gap.unit, table, first, last)


class DriveBuilder:
    """Builds one drive and notes what is wrong with it."""

    def __init__(self, document: Document, folder: FolderModel, drive_id: str, drive: DriveTable) -> None:
        self._document = document
        self._points = Points(document, folder)
        self._id = drive_id
        self._drive = drive
        self._path: KeyPath = ("drive", drive_id)
        self._folder = folder

    def build(self, curves: list[CalibrationCurve]) -> DriveSpec:
        """The drive; only to be used when the document has no mistakes."""
        drive = self._drive
        if drive.plc not in self._document.names("plc"):
            known = ", ".join(self._document.names("plc")) or "none"
            self._wrong(("plc",), f"there is no [plc.{drive.plc}]; there are: {known}")
        self._check_set_points()
        contacts = tuple(c for i, t in enumerate(drive.contact) if (c := self._contact(i, t)) is not None)
        self._check_contacts()
        spec = DriveSpec(
            id=self._id,
            name=drive.name,
            area=drive.area,
            machine=drive.machine,
            device_serial=drive.device_serial,
            directions=tuple(Direction(d) for d in drive.directions),
            contacts=contacts,
            position=self._position(),
            running=self._bit("running", drive.running),
            power=self._number("power", drive.power),
            speed=self._number("speed", drive.speed),
            heartbeat=self._number("heartbeat", drive.heartbeat),
            rack_healthy=self._bit("rack_healthy", drive.rack_healthy),
            kept={n: s for n, p in drive.kept.items() if (s := self._number("kept", p, n)) is not None},
            calibrations={c.direction: c for c in curves},
            alarm_nm=drive.alarm_nm,
            shutdown_nm=drive.shutdown_nm,
            stop_confirm_ns=_ns(drive.stop_confirm_s),
            disagree_ns=_ns(drive.disagree_s),
            heartbeat_ns=_ns(drive.heartbeat_s),
            stale_ns=_ns(drive.stale_s),
            turn_ns=_ns(drive.turn_s),
        )
        self._check_stale(spec)
        self._check_addresses(spec)
        return spec

    def _wrong(self, tail: KeyPath, text: str) -> None:
        self._document.wrong((*self._path, *tail), text)

    def _check_set_points(self) -> None:
        drive = self._drive
        if drive.alarm_nm and drive.shutdown_nm and drive.alarm_nm >= drive.shutdown_nm:
            text = f"is {drive.alarm_nm:g}; the alarm has to come before the shutdown at {drive.shutdown_nm:g} N.m"
            self._wrong(("alarm_nm",), text)
        if not drive.directions or len(set(drive.directions)) != len(drive.directions):
            self._wrong(("directions",), "has to name one or two different directions")

    def _contact(self, index: int, table: ContactTable) -> ContactSpec | None:
        path = (*self._path, "contact", index)
        if table.direction not in self._drive.directions:
            text = f"is {table.direction}, which this drive does not sense (directions = {self._drive.directions})"
            self._document.wrong((*path, "direction"), text)
        point = self._points.build(self._drive, table.point, (*path, "point"), bit=True, fast=True)
        latched = self._optional(table.latched, (*path, "latched"), bit=True)
        counter = self._optional(table.counter, (*path, "counter"), bit=False)
        if counter is not None and counter.type not in ("uint16", "uint32"):
            self._document.wrong((*path, "counter", "type"), f"is {counter.type}; a counter is uint16 or uint32")
        if counter is not None and (counter.scale, counter.offset) != (1.0, 0.0):
            self._document.wrong((*path, "counter"), "a counter is read as it is; leave out scale and offset")
        if point is None:
            return None
        return ContactSpec(
            id=ContactId(self._id, Direction(table.direction), Stage(table.stage), table.channel),
            point=point,
            form=Form(table.form),
            bit_1_means=BitMeans(table.bit_1_means),
            debounce_operate_ns=_ns(table.debounce_operate_s),
            debounce_release_ns=_ns(table.debounce_release_s),
            latched=latched,
            counter=counter,
        )

    def _optional(self, table: PointTable | None, path: KeyPath, *, bit: bool) -> PointSpec | None:
        return None if table is None else self._points.build(self._drive, table, path, bit=bit, fast=True)

    def _check_contacts(self) -> None:
        seen: dict[tuple[str, str, str], int] = {}
        for i, contact in enumerate(self._drive.contact):
            key = (contact.direction, contact.stage, contact.channel)
            if key in seen:
                text = f"is a second {contact.direction} {contact.stage} contact on channel {contact.channel}"
                self._wrong(("contact", i), f"{text}; two channels of a stage are A and B")
            seen[key] = i
        for direction, stage, channel in seen:
            if channel == "B" and (direction, stage, "A") not in seen:
                self._wrong(("contact", seen[direction, stage, channel]), f"channel B of the {stage} stage has no A")
        if not self._drive.contact:
            self._wrong(("contact",), "the drive has no contact; a drive to be watched has one for shutdown at least")

    def _position(self) -> PositionSpec | None:
        table = self._drive.position
        if table is None:
            return None
        path = (*self._path, "position")
        if table.signal != "scaled" and table.lo == table.hi:
            self._document.wrong((*path, "hi"), "is the same as lo; the signal's span would be nothing")
        if table.signal != "scaled" and table.lo_mm == table.hi_mm:
            self._document.wrong((*path, "hi_mm"), "is the same as lo_mm; the position would never move")
        point = self._points.build(self._drive, table.point, (*path, "point"), bit=False, fast=False)
        if point is None:
            return None
        signal = PositionSignal(table.signal)
        return PositionSpec(point, signal, table.lo, table.hi, table.lo_mm, table.hi_mm, table.counts_per_ma)

    def _bit(self, key: str, table: BitTable | None) -> BitSignal | None:
        if table is None:
            return None
        point = self._points.build(self._drive, table.point, (*self._path, key, "point"), bit=True, fast=True)
        return None if point is None else BitSignal(point, table.true_bit)

    def _number(self, key: str, table: PointTable | None, name: str = "") -> PointSpec | None:
        if table is None:
            return None
        path = (*self._path, key, name) if name else (*self._path, key)
        return self._points.build(self._drive, table, path, bit=False, fast=False)

    def _check_stale(self, spec: DriveSpec) -> None:
        slowest = max((p.period_ns for p in spec.points().values()), default=0)
        if spec.stale_ns < 2 * slowest:
            text = f"is {spec.stale_ns / 1e9:g}; a point of this drive is read every {slowest / 1e9:g} s only"
            self._wrong(("stale_s",), f"{text}, so this has to be {2 * slowest / 1e9:g} or more")

    def _check_addresses(self, spec: DriveSpec) -> None:
        """Two roles of one drive on one bit or register are a slip of the pen."""
        seen: dict[object, str] = {}
        for role, point in spec.points().items():
            key = (point.endpoint, point.unit, point.table, point.address, point.bit)
            if key in seen:
                text = f"{role} has the same place as {seen[key]} ({point.endpoint} unit {point.unit} {point.table}"
                self._wrong((), f"{text} PDU address {point.address}); each needs its own")
            seen[key] = role


def check_shared(document: Document, drives: Mapping[str, DriveSpec]) -> None:
    """A contact bit or position that two drives claim is a wrong address in one of them."""
    seen: dict[object, str] = {}
    for drive in drives.values():
        for role, point in drive.points().items():
            if not role.startswith(("contact:", "latched:", "counter:", "position")):
                continue
            key = (point.endpoint, point.unit, point.table, point.address, point.bit)
            owner = f"{drive.id} {role}"
            if key in seen:
                text = f"{role} reads the same place as {seen[key]} ({point.endpoint} unit {point.unit} {point.table}"
                document.wrong(("drive", drive.id), f"{text} PDU address {point.address}); one address is wrong")
            seen.setdefault(key, owner)
