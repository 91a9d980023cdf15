"""Points as people write them -> `PointSpec`: defaults, reference numbers, and everything that can be wrong."""

from __future__ import annotations

from nightrake.domain.site import Order, PointSpec, Table, ValueType
from nightrake.settings.folder import Document
from nightrake.settings.lines import Path as KeyPath
from nightrake.settings.models import DriveTable, FolderModel, PlcTable, PointTable
from nightrake.settings.templates import table_of
from nightrake.settings.words import listed, nearest

LAST_ADDRESS = 65535
UNKNOWN_UNIT = -1
"""In the place of a drive's unit that is wrong: its points can still be compared with each other."""
REFERENCE_RANGES = (
    "coils 1-9999, discrete inputs 10001-19999, input registers 30001-39999, holding registers 40001-49999 "
    "(or six digits: 100001, 300001, 400001 and so on)"
)


def place_of(number: int) -> tuple[Table, int] | None:
    """Table and 0-based PDU address of a classic reference number; None where there is no such number.

    The first of five or six digits names the table (none or 0 coil, 1 discrete input, 3 input register, 4 holding
    register), the rest counts from 1.

    Source: common practice, no source.
    """
    name = table_of(number)
    address = number % (100_000 if number >= 100_000 else 10_000) - 1
    return (Table(name), address) if name and 0 <= address <= LAST_ADDRESS else None


class Points:
    """Builds the points of one drive; notes mistakes and gives None for a point that cannot be used."""

    def __init__(self, document: Document, folder: FolderModel, drive: DriveTable) -> None:
        self._document = document
        self._folder = folder
        self._drive = drive

    def build(self, point: PointTable, path: KeyPath, *, bit: bool, fast: bool) -> PointSpec | None:
        """One point.

        Args:
            point: As written. path: Where.
            bit: The role needs a bit (contact, running); otherwise a number.
            fast: Read at the contacts' period unless it says otherwise.
        """
        self._check_scale(point, path, bit=bit)
        plc_id = point.plc or self._drive.plc
        plc = self._folder.plc.get(plc_id)
        if plc is None and point.plc is not None:
            unknown_plc(self._document, (*path, "plc"), plc_id)  # of the drive itself it is told once, by the drive
        # Where a stand-in says which device, nobody knows how its addresses are written, nor whose places these are.
        own = [(*path, "plc")] if point.plc is not None else [(*path, "plc"), (*path[:2], "plc")]
        known = plc is not None and not self._spoilt(("plc", plc_id, "addressing"), *own)
        place = self._place(point, plc, plc_id, path) if plc and known else None
        table = place[0] if place else Table(point.table) if point.table else None
        kind = self._type(point, table, path, bit=bit) if table else None
        if plc is None or place is None or kind is None or self._spoilt((*path, "unit")):
            return None
        unit = self._drive.unit if point.unit is None else point.unit
        if point.unit is None and self._spoilt((*path[:2], "unit")):
            unit = UNKNOWN_UNIT
        spec = PointSpec(
            endpoint=plc_id,
            unit=unit,
            table=place[0],
            address=place[1],
            type=kind,
            bit=point.bit or 0,
            order=Order(point.order),
            scale=point.scale,
            offset=point.offset,
            period_ns=self.period_ns(point, fast=fast),
        )
        self._check(spec, point, plc, path)
        return spec

    def _spoilt(self, *paths: KeyPath) -> bool:
        return any(self._document.is_spoilt(path) for path in paths)

    def is_bit(self, point: PointTable) -> bool:
        """Whether a point that may be either is written as a bit: by its type, its bit number, or where it lies."""
        if point.type is not None or point.bit is not None:
            return point.type in (None, "bit")
        plc = self._folder.plc.get(point.plc or self._drive.plc)
        place = place_of(point.address) if plc is not None and plc.addressing == "reference" else None
        return place[0].holds_bits if place else point.table in ("coil", "discrete")

    def _place(self, point: PointTable, plc: PlcTable, plc_id: str, path: KeyPath) -> tuple[Table, int] | None:
        where, number = (*path, "address"), point.address
        if plc.addressing == "reference":
            return self._reference(point, plc_id, path)
        mixed_up = f"; if {number} is a classic reference number, set plc.{plc_id}.addressing = 'reference'"
        if point.table is None:
            hint = mixed_up if place_of(number) and number > 9999 and not self._spoilt(where) else ""
            self._document.wrong(path, f"needs a table: coil, discrete, holding or input{hint}", (*path, "table"))
        if not 0 <= number <= LAST_ADDRESS:
            hint = mixed_up if place_of(number) else ""
            self._document.wrong(where, f"is {number}; a PDU address is 0 to {LAST_ADDRESS}{hint}")
        elif point.table is not None and not self._spoilt(where):
            return Table(point.table), number
        return None

    def _reference(self, point: PointTable, plc_id: str, path: KeyPath) -> tuple[Table, int] | None:
        number, place = point.address, place_of(point.address)
        where = (*path, "address")
        mixed_up = f"if {number} is a PDU address, set plc.{plc_id}.addressing = 'pdu'"
        if place is None:
            text = f"is {number}; plc.{plc_id} uses reference numbers: {REFERENCE_RANGES}; {mixed_up}"
            self._document.wrong(where, text)
        elif point.table is not None and point.table != place[0]:
            text = f"is {number}, the reference number of a {place[0]} entry, but table says {point.table}; {mixed_up}"
            self._document.wrong(where, text, (*path, "table"))
        elif not self._spoilt(where, (*path, "table")):
            return place
        return None

    def _type(self, point: PointTable, table: Table, path: KeyPath, *, bit: bool) -> ValueType | None:
        kind = ValueType(point.type) if point.type else ValueType.BIT if bit else None
        text, key = "", ""
        if table.holds_bits and not bit:
            text = f"lies in the {table} table, which holds bits; a number needs holding or input registers"
            key = "address"
            if point.table is None and point.address <= 9999:
                text += f"; if {point.address} is a PDU address, set addressing = 'pdu' for the PLC"
        elif table.holds_bits and (kind is not ValueType.BIT or point.bit is not None):
            text = f"is one bit of the {table} table; leave out type and bit"
        elif kind is None:
            text = "needs a type: int16, uint16, int32, uint32 or float32"
        elif bit and kind is not ValueType.BIT:
            text, key = f"is {kind}; this needs a bit of the register: type = 'bit' and bit = 0 to 15", "type"
        elif not bit and kind is ValueType.BIT:
            text, key = "is bit; this needs a number: int16, uint16, int32, uint32 or float32", "type"
        elif bit and not table.holds_bits and point.bit is None:
            text = "lies in a register; say which bit of it (bit = 0 to 15, 0 = least significant)"
        elif not bit and point.bit is not None:
            text, key = f"has no meaning for {kind}; leave it out", "bit"
        judged_by = [(*path, name) for name in ("type", "bit", "table")]
        if text:
            self._document.wrong((*path, key) if key else path, text, *judged_by)
        return None if text or self._spoilt(*judged_by) else kind

    def _check_scale(self, point: PointTable, path: KeyPath, *, bit: bool) -> None:
        for name in sorted({"scale", "offset"} & point.model_fields_set) if bit else ():
            self._document.wrong((*path, name), "has no meaning for a bit; leave it out")
        if point.scale == 0.0 and not bit:
            text = "is 0, which makes every value the same; expected any other number"
            self._document.wrong((*path, "scale"), text)

    def _check(self, spec: PointSpec, point: PointTable, plc: PlcTable, path: KeyPath) -> None:
        wrong = self._document.wrong
        if spec.unit == 0 and not plc.unit_zero_ok:
            text = f"unit 0 is the broadcast address; set plc.{spec.endpoint}.unit_zero_ok = true if the device uses it"
            where = (*path, "unit") if point.unit is not None else (*path[:2], "unit")
            wrong(where, text, ("plc", spec.endpoint, "unit_zero_ok"))
        if spec.address + spec.words - 1 > LAST_ADDRESS:
            wrong((*path, "address"), f"{spec.type} takes {spec.words} registers, which runs past the last address")
        elif not spec.table.holds_bits and spec.words > plc.max_registers:
            text = f"takes {spec.words} registers, but plc.{spec.endpoint} gives {plc.max_registers} in one request"
            wrong((*path, "type"), f"{spec.type} {text}; its halves would not belong together")

    def period_ns(self, point: PointTable, *, fast: bool) -> int:
        """How often a point is read: its own period, else its drive's, its PLC's or the site's."""
        if point.period_s is not None:
            return round(point.period_s * 1e9)
        plc = self._folder.plc.get(point.plc or self._drive.plc)
        for scan in (self._drive.scan, plc.scan if plc else None):
            period_s = (scan.contacts_s if fast else scan.values_s) if scan else None
            if period_s is not None:
                return round(period_s * 1e9)
        site = self._folder.scan
        return round((site.contacts_s if fast else site.values_s) * 1e9)

    def knows_period(self, point: PointTable, path: KeyPath, *, fast: bool) -> bool:
        """Whether no stand-in says how often a point is read."""
        key = "contacts_s" if fast else "values_s"
        scans = ((*path[:2], "scan", key), ("plc", point.plc or self._drive.plc, "scan", key), ("scan", key))
        return not self._spoilt((*path, "period_s"), *(() if point.period_s is not None else scans))


def unknown_plc(document: Document, path: KeyPath, plc_id: str) -> None:
    """Note that there is no such PLC, unless none is known at all, which is told once."""
    known = document.names("plc")
    if plc_id in known or not known or document.broken:
        return
    hint = nearest(plc_id, known) or f"there are: {listed(known)}"
    document.wrong(path, f"there is no [plc.{plc_id}]; {hint}")
