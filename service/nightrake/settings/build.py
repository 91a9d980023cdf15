"""Models -> `DriveSpec`, with every check that looks at more than one key of a drive."""

from __future__ import annotations

from collections.abc import Sequence

from nightrake.domain.onchangespec import OnChange
from nightrake.domain.site import (
    BitMeans,
    BitSignal,
    CalibrationCurve,
    ContactId,
    ContactSpec,
    Direction,
    DriveSpec,
    Form,
    PointSpec,
    PositionSignal,
    PositionSpec,
    Stage,
    ValueType,
)
from nightrake.settings.folder import Document
from nightrake.settings.lines import Path as KeyPath
from nightrake.settings.models import BitTable, ContactTable, DriveTable, FolderModel, PointTable, PositionTable
from nightrake.settings.points import Points, unknown_plc

LEAST_PERIODS = 3
"""Fewer than this many periods of silence leave nothing out: a scan may come late (`domain.onchange`)."""


def ns(seconds: float) -> int:
    """Whole nanoseconds."""
    return round(seconds * 1e9)


class DriveBuilder:
    """Builds one drive and notes what is wrong with it.

    Attributes:
        points: Each role's point that can be used. paths: Where each role's point is written.
        periods_ns: How often each role's point is read, where that is known.
        on_change: How each role's point is recorded, where that is said.
    """

    def __init__(self, document: Document, folder: FolderModel, drive_id: str, drive: DriveTable) -> None:
        self._document = document
        self._points = Points(document, folder, drive)
        self._id = drive_id
        self._drive = drive
        self.points: dict[str, PointSpec] = {}
        self.paths: dict[str, KeyPath] = {}
        self.periods_ns: dict[str, int] = {}
        self.on_change: dict[str, OnChange] = {}

    def build(self, curves: Sequence[CalibrationCurve]) -> DriveSpec:
        """The drive; only to be used when the document has no mistakes."""
        drive = self._drive
        unknown_plc(self._document, ("drive", self._id, "plc"), drive.plc)
        self._check_set_points()
        contacts = tuple(c for i, t in enumerate(drive.contact) if (c := self._contact(i, t)) is not None)
        self._check_contacts()
        spec = DriveSpec(
            id=self._id,
            name=drive.name,
            area=drive.area,
            machine=drive.machine,
            device_serial=drive.device_serial,
            device_since=drive.device_since,
            directions=tuple(Direction(d) for d in drive.directions),
            contacts=contacts,
            position=self._position(drive.position),
            running=self._bit("running", drive.running),
            power=self._number("power", drive.power),
            speed=self._number("speed", drive.speed),
            heartbeat=self._heartbeat(drive.heartbeat),
            rack_healthy=self._bit("rack_healthy", drive.rack_healthy),
            kept={n: s for n, p in drive.kept.items() if (s := self._number(f"kept:{n}", p)) is not None},
            on_change=self.on_change,
            calibrations={c.direction: c for c in curves},
            alarm_nm=drive.alarm_nm,
            shutdown_nm=drive.shutdown_nm,
            alarm_reverse_nm=drive.alarm_reverse_nm,
            shutdown_reverse_nm=drive.shutdown_reverse_nm,
            stop_confirm_ns=ns(drive.stop_confirm_s),
            disagree_ns=ns(drive.disagree_s),
            heartbeat_ns=ns(drive.heartbeat_s),
            stale_ns=ns(drive.stale_s),
            turn_ns=ns(drive.turn_s),
        )
        self._check_spans()
        return spec

    def _wrong(self, tail: KeyPath, text: str, *rests_on: KeyPath) -> None:
        self._document.wrong(("drive", self._id, *tail), text, *(("drive", self._id, *rest) for rest in rests_on))

    def _check_set_points(self) -> None:
        drive = self._drive
        reverse = drive.alarm_reverse_nm or drive.alarm_nm, drive.shutdown_reverse_nm or drive.shutdown_nm
        both = ("alarm_nm", drive.alarm_nm, drive.shutdown_nm), ("alarm_reverse_nm", *reverse)
        for key, alarm_nm, shutdown_nm in both:
            own = key == "alarm_nm" or drive.alarm_reverse_nm or drive.shutdown_reverse_nm
            if own and alarm_nm and shutdown_nm and alarm_nm >= shutdown_nm:
                text = f"is {alarm_nm:g} N.m, but the alarm has to come before the shutdown at {shutdown_nm:g}"
                rests = [(k,) for k in ("alarm_nm", "shutdown_nm", key, key.replace("alarm", "shutdown"))]
                self._wrong((key,), f"{text}; correct one of them", *rests)
        if (drive.alarm_reverse_nm or drive.shutdown_reverse_nm) and "reverse" not in drive.directions:
            key = "alarm_reverse_nm" if drive.alarm_reverse_nm else "shutdown_reverse_nm"
            text = "is given, but the drive senses no reverse direction; leave it out, or add directions"
            self._wrong((key,), text, ("directions",))
        if not drive.directions or len(set(drive.directions)) != len(drive.directions):
            self._wrong(("directions",), "has to name one or two different directions", ("directions",))
        elif drive.directions == ["reverse"]:
            self._wrong(("directions",), "a device with one sensed direction calls it 'forward'", ("directions",))

    def _contact(self, index: int, table: ContactTable) -> ContactSpec | None:
        path: KeyPath = ("drive", self._id, "contact", index)
        if self._drive.directions and table.direction not in self._drive.directions:
            sensed = ", ".join(self._drive.directions)
            text = f"is {table.direction}, but this drive senses {sensed} only; correct it or directions"
            self._document.wrong((*path, "direction"), text, ("drive", self._id, "directions"))
        tail = self._tail(index, table)
        point = self._point(f"contact{tail}", table.point, (*path, "point"), bit=True, fast=True)
        latched = self._point(f"latched{tail}", table.latched, (*path, "latched"), bit=True, fast=True)
        counter = self._point(f"counter{tail}", table.counter, (*path, "counter"), bit=False, fast=True)
        if counter is not None:
            self._check_counter(counter, (*path, "counter"))
        if point is None:
            return None
        return ContactSpec(
            id=ContactId(self._id, Direction(table.direction), Stage(table.stage), table.channel),
            point=point,
            form=Form(table.form),
            bit_1_means=BitMeans(table.bit_1_means),
            debounce_operate_ns=ns(table.debounce_operate_s),
            debounce_release_ns=ns(table.debounce_release_s),
            latched=latched,
            counter=counter,
        )

    def _tail(self, index: int, table: ContactTable) -> str:
        """What tells the roles of a contact from those of others, also where its own words do not."""
        tail = f":{table.direction}/{table.stage}/{table.channel}"
        known = not any(self._document.is_spoilt(("drive", self._id, *key)) for key in _identity(index))
        return tail if known and f"contact{tail}" not in self.paths else f"[{index}]"

    def _heartbeat(self, table: PointTable | None) -> PointSpec | None:
        """A counter, or a bit that the PLC keeps turning over: the core only asks whether it changes."""
        path: KeyPath = ("drive", self._id, "heartbeat")
        is_bit = table is not None and self._points.is_bit(table)
        return self._point("heartbeat", table, path, bit=is_bit, fast=False)

    def _check_counter(self, counter: PointSpec, path: KeyPath) -> None:
        if counter.type not in (ValueType.UINT16, ValueType.UINT32):
            self._document.wrong((*path, "type"), f"is {counter.type}; a counter is uint16 or uint32")
        if (counter.scale, counter.offset) != (1.0, 0.0):
            self._document.wrong(path, "a counter is read as it is; leave out scale and offset")

    def _point(self, role: str, table: PointTable | None, path: KeyPath, *, bit: bool, fast: bool) -> PointSpec | None:
        if table is None:
            return None
        self.paths[role] = path
        if self._points.knows_period(table, path, fast=fast):
            self.periods_ns[role] = self._points.period_ns(table, fast=fast)
        point = self._points.build(table, path, bit=bit, fast=fast)
        if point is not None:
            self.points[role] = point
        self._record_on_change(role, table, (*path, "record_on_change"), bit=bit)
        return point

    def _record_on_change(self, role: str, table: PointTable, path: KeyPath, *, bit: bool) -> None:
        rule = table.record_on_change
        if rule is None:
            return
        self.on_change[role] = OnChange(rule.band, ns(rule.longest_s))
        if bit and "band" in rule.model_fields_set:
            text = "has no meaning for a bit, of which every change is recorded; leave it out"
            self._document.wrong((*path, "band"), text)
        drive, longest_s, period_s = self._drive, rule.longest_s, self.periods_ns.get(role, 0) / 1e9
        limits = [("stale_s", drive.stale_s, "what was not recorded would count as not read")]
        limits += [("heartbeat_s", drive.heartbeat_s, "it would seem to stand still")] if role == "heartbeat" else []
        for key, limit_s, why in limits:
            if longest_s >= limit_s:
                text = f"is {longest_s:g} s, but {key} of this drive is {limit_s:g} s, beyond which {why}; choose less"
                self._document.wrong((*path, "longest_s"), text, ("drive", self._id, key))
        if longest_s < LEAST_PERIODS * period_s:
            text = f"is {longest_s:g} s, but the point is read only every {period_s:g} s, so all would be recorded"
            text = f"{text}; it has to be {LEAST_PERIODS * period_s:g} s or more"
            self._document.wrong((*path, "longest_s"), text)

    def _check_contacts(self) -> None:
        seen: dict[tuple[str, str, str], int] = {}
        for i, contact in enumerate(self._drive.contact):
            key = (contact.direction, contact.stage, contact.channel)
            if key in seen:
                text = f"is a second {contact.direction} {contact.stage} contact on channel {contact.channel}"
                text = f"{text}; two sensors of one stage are channels A and B"
                self._wrong(("contact", i), text, *_identity(i), *_identity(seen[key]))
            seen.setdefault(key, i)
        for (direction, stage, channel), index in seen.items():
            if channel == "B" and (direction, stage, "A") not in seen:
                text = f"is channel B of the {direction} {stage} stage, which has no channel A; name it A"
                others = (key for i in range(len(self._drive.contact)) for key in _identity(i))
                self._wrong(("contact", index, "channel"), text, *others)
        if not self._drive.contact:
            self._wrong(("contact",), "there is no contact; a drive to be watched has at least one for shutdown")

    def _position(self, table: PositionTable | None) -> PositionSpec | None:
        if table is None:
            return None
        path: KeyPath = ("drive", self._id, "position")
        point = self._point("position", table.point, (*path, "point"), bit=False, fast=False)
        self._check_position(table, path)
        lo, hi, lo_mm, hi_mm = table.lo, table.hi, table.lo_mm, table.hi_mm
        if table.signal == "scaled":
            lo, hi = lo_mm, hi_mm
        return (
            None
            if point is None
            else PositionSpec(point, PositionSignal(table.signal), lo, hi, lo_mm, hi_mm, table.counts_per_ma)
        )

    def _check_position(self, table: PositionTable, path: KeyPath) -> None:
        given = table.model_fields_set

        def wrong(tail: KeyPath, text: str, *judged_by: str) -> None:
            self._document.wrong((*path, *tail), text, *((*path, key) for key in judged_by))

        if table.lo_mm == table.hi_mm:
            text = "is the same as lo_mm, so the position would never move; correct one of them"
            wrong(("hi_mm",), text, "lo_mm")
        if table.signal == "scaled":
            for key in sorted({"lo", "hi"} & given):
                text = "has no meaning for signal = 'scaled', which is in mm already; leave it out"
                wrong((key,), text, "signal")
        elif table.lo == table.hi:
            wrong(("hi",), "is the same as lo, so the signal's span is nothing; correct one of them", "lo", "signal")
        if table.signal == "mA" and not 0.0 <= min(table.lo, table.hi) <= max(table.lo, table.hi) <= 20.5:
            text = f"the loop current spans {table.lo:g} to {table.hi:g} mA; expected 4 to 20, after scale and offset"
            wrong(("hi",), f"{text}; counts are signal = 'counts'", "lo", "signal")
        if table.signal == "counts" and not {"lo", "hi"} <= given:
            text = "signal = 'counts' needs lo and hi, the counts at both ends of the span"
            wrong((), text, "lo", "hi", "signal")
        if table.signal != "counts" and table.counts_per_ma:
            wrong(("counts_per_ma",), "has a meaning for signal = 'counts' only; leave it out", "signal")

    def _bit(self, role: str, table: BitTable | None) -> BitSignal | None:
        path: KeyPath = ("drive", self._id, role, "point")
        point = self._point(role, table.point if table else None, path, bit=True, fast=True)
        return None if point is None or table is None else BitSignal(point, table.true_bit)

    def _number(self, role: str, table: PointTable | None) -> PointSpec | None:
        return self._point(role, table, ("drive", self._id, *role.split(":")), bit=False, fast=False)

    def _check_spans(self) -> None:
        """Time limits that the scan periods could never keep."""
        drive, periods_ns = self._drive, self.periods_ns
        limits = (
            ("stale_s", drive.stale_s, max(periods_ns.values(), default=0), "a point of this drive"),
            ("heartbeat_s", drive.heartbeat_s, periods_ns.get("heartbeat", 0), "the heartbeat"),
            ("stop_confirm_s", drive.stop_confirm_s, periods_ns.get("running", 0), "running"),
        )
        for key, limit_s, period_ns, what in limits:
            if ns(limit_s) < 2 * period_ns:
                text = f"is {limit_s:g} s, but {what} is read only every {period_ns / 1e9:g} s"
                self._wrong((key,), f"{text}; it has to be {2 * period_ns / 1e9:g} s or more")


def _identity(index: int) -> list[KeyPath]:
    """The keys that tell one contact of a drive from another."""
    return [("contact", index, key) for key in ("direction", "stage", "channel")]
