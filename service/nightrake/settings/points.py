"""Points as people write them -> `PointSpec`: defaults, reference numbers, and everything that can be wrong."""

from __future__ import annotations

from nightrake.domain.site import Order, PointSpec, Table, ValueType
from nightrake.settings.folder import Document
from nightrake.settings.lines import Path as KeyPath
from nightrake.settings.models import DriveTable, FolderModel, PlcTable, PointTable, ScanTable

REFERENCE_TABLES = {0: Table.COIL, 1: Table.DISCRETE, 3: Table.INPUT, 4: Table.HOLDING}
"""First digit of a classic reference number -> table. Source: Modbus convention, common practice."""


class Points:
    """Builds points; notes mistakes in the document and gives None for a point that cannot be used."""

    def __init__(self, document: Document, folder: FolderModel) -> None:
        self._document = document
        self._folder = folder

    def build(self, drive: DriveTable, point: PointTable, path: KeyPath, *, bit: bool, fast: bool) -> PointSpec | None:
        """One point of a drive.

        Args:
            bit: The role needs a bit (contact, running); otherwise a number.
            fast: Read at the contacts' period unless it says otherwise.
        """
        plc_id = point.plc or drive.plc
        plc = self._folder.plc.get(plc_id)
        if plc is None:
            if point.plc is not None and plc_id not in self._document.names("plc"):
                self._document.wrong((*path, "plc"), f"there is no [plc.{plc_id}]")
            return None
        place = self._place(point, plc, plc_id, path)
        if place is None:
            return None
        table, address = place
        kind = self._type(point, table, path, bit=bit)
        unit = drive.unit if point.unit is None else point.unit
        if kind is None:
            return None
        if unit == 0 and not plc.unit_zero_ok:
            text = f"unit 0 is the broadcast address; set plc.{plc_id}.unit_zero_ok = true if this device uses it"
            self._document.wrong((*path, "unit") if point.unit is not None else path, text)
            return None
        if address + kind.words - 1 > 65535:
            self._document.wrong((*path, "address"), "the value runs past address 65535")
            return None
        if point.scale == 0.0:
            self._document.wrong((*path, "scale"), "is 0, which makes every value the same; expected another number")
            return None
        scan = plc.scan or self._folder.scan
        return PointSpec(
            endpoint=plc_id,
            unit=unit,
            table=table,
            address=address,
            type=kind,
            bit=point.bit or 0,
            order=Order(point.order),
            scale=point.scale,
            offset=point.offset,
            period_ns=_period_ns(point, scan, fast=fast),
        )

    def _place(self, point: PointTable, plc: PlcTable, plc_id: str, path: KeyPath) -> tuple[Table, int] | None:
        where = (*path, "address")
        if plc.addressing == "pdu":
            if point.table is None:
                self._document.wrong(path, "needs a table: coil, discrete, holding or input")
                return None
            if not 0 <= point.address <= 65535:
                hint = " (a reference number? then set addressing = 'reference')" if point.address > 65535 else ""
                self._document.wrong(where, f"is {point.address}; a PDU address is 0 to 65535{hint}")
                return None
            return Table(point.table), point.address
        return self._reference(point, plc_id, path)

    def _reference(self, point: PointTable, plc_id: str, path: KeyPath) -> tuple[Table, int] | None:
        number, where = point.address, (*path, "address")
        digits, base = (100_000, 100_000) if number >= 100_000 else (10_000, 10_000)
        table, offset = REFERENCE_TABLES.get(number // digits), number % base - 1
        if number < 1 or table is None or offset < 0 or offset > 65535:
            text = (
                f"is {number}; plc.{plc_id} uses reference numbers: coils 1-9999, discrete inputs 10001-19999, "
                "input registers 30001-39999, holding registers 40001-49999 (or six digits)"
            )
            self._document.wrong(where, text)
            return None
        if point.table is not None and point.table != table:
            self._document.wrong(
                where, f"{number} is the reference number of a {table} entry, but table says {point.table}"
            )
            return None
        return table, offset

    def _type(self, point: PointTable, table: Table, path: KeyPath, *, bit: bool) -> ValueType | None:
        kind = ValueType(point.type) if point.type else ValueType.BIT if bit else None
        wrong = self._document.wrong
        if table.holds_bits:
            if not bit:
                wrong(path, f"lies in the {table} table, which holds bits; a number needs holding or input registers")
            elif kind is not ValueType.BIT or point.bit is not None:
                wrong(path, f"is one bit of the {table} table; leave out type and bit")
            else:
                return kind
            return None
        if kind is None:
            wrong(path, "needs a type: int16, uint16, int32, uint32 or float32")
        elif bit and kind is not ValueType.BIT:
            wrong(
                (*path, "type"), f"is {kind}; a contact or a plain signal is a bit of a register: type = 'bit', bit = n"
            )
        elif not bit and kind is ValueType.BIT:
            wrong((*path, "type"), "is bit; this needs a number: int16, uint16, int32, uint32 or float32")
        elif kind is ValueType.BIT and point.bit is None:
            wrong(path, "lies in a register; say which bit (bit = 0 to 15, 0 = least significant)")
        elif kind is not ValueType.BIT and point.bit is not None:
            wrong((*path, "bit"), f"has no meaning for {kind}; leave it out")
        else:
            return kind
        return None


def _period_ns(point: PointTable, scan: ScanTable, *, fast: bool) -> int:
    if point.period_s is not None:
        return round(point.period_s * 1e9)
    return round((scan.contacts_s if fast else scan.values_s) * 1e9)
