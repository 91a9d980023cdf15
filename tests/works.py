"""A site of any shape, walked input by input: what the PLCs hold is set by role, scans read any of their blocks."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping

from nightrake.alarms.book import alarm_of, is_latched
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.life import UNANSWERED, AlarmState
from nightrake.alarms.response import UNSET, Response
from nightrake.domain.drive import DriveState
from nightrake.domain.inputs import BlockReply, Command, Got, Input, RawScan, Tick
from nightrake.domain.pipeline import step
from nightrake.domain.protection import Protection
from nightrake.domain.readplan import ReadPlan, make_plan
from nightrake.domain.rows import Entry
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
    Order,
    PointSpec,
    PositionSignal,
    PositionSpec,
    SiteSpec,
    Stage,
    Table,
    ValueType,
)
from nightrake.domain.state import Outcome, SiteState, new_site
from nightrake.domain.witness import is_witness

MS = 1_000_000
SECOND = 1_000 * MS
CODES = {
    ValueType.INT16: ">h",
    ValueType.UINT16: ">H",
    ValueType.INT32: ">i",
    ValueType.UINT32: ">I",
    ValueType.FLOAT32: ">f",
}
LETTERS = {Order.ABCD: (0, 1, 2, 3), Order.CDAB: (2, 3, 0, 1), Order.BADC: (1, 0, 3, 2), Order.DCBA: (3, 2, 1, 0)}
PRELOADED = CalibrationCurve("R1", "d" * 64, Direction.FORWARD, (0.0, 10.0, 20.0), (8_000.0, 24_000.0, 40_000.0))
FAR_SIDE = CalibrationCurve("R2", "e" * 64, Direction.REVERSE, (0.0, -10.0, -20.0), (0.0, 50_000.0, 112_500.0))
NEAR_SIDE = CalibrationCurve("R3", "f" * 64, Direction.FORWARD, (0.0, 10.0, 20.0), (0.0, 50_000.0, 112_500.0))


def bit(address: int, *, plc: str = "P", unit: int = 1, table: Table = Table.DISCRETE) -> PointSpec:
    """A bit that is read every 250 ms."""
    return PointSpec(plc, unit, table, address, ValueType.BIT, period_ns=250 * MS)


def word(
    address: int, kind: ValueType = ValueType.UINT16, *, plc: str = "P", unit: int = 1, **more: object
) -> PointSpec:
    """An input register, or two, read every second."""
    return PointSpec(plc, unit, Table.INPUT, address, kind, **more)  # type: ignore[arg-type]


def contact(
    drive: str,
    stage: Stage,
    point: PointSpec,
    *,
    channel: str = "A",
    side: Direction = Direction.FORWARD,
    form: Form = Form.NORMALLY_CLOSED,
    hold_ms: int = 0,
    release_ms: int | None = None,
    counter: PointSpec | None = None,
    latched: PointSpec | None = None,
) -> ContactSpec:
    """A contact, bit 1 = closed; its hold is the same for operating and release, unless `release_ms` says otherwise."""
    name = ContactId(drive, side, stage, channel)
    release_ns = (hold_ms if release_ms is None else release_ms) * MS
    return ContactSpec(name, point, form, BitMeans.CLOSED, hold_ms * MS, release_ns, latched, counter)


def loop(point: PointSpec) -> PositionSpec:
    """A 4-20 mA position of 0 to 25 mm."""
    return PositionSpec(point, PositionSignal.CURRENT_MA, 4.0, 20.0, 0.0, 25.0)


def centred(point: PointSpec) -> PositionSpec:
    """Counts of a 12-bit 0-20 mA converter for -25 to +25 mm."""
    return PositionSpec(point, PositionSignal.COUNTS, 819.0, 4095.0, -25.0, 25.0, 204.75)


def site_of(*drives: DriveSpec) -> SiteSpec:
    """A site of these drives and the PLCs that they draw on."""
    plcs = dict.fromkeys(p.endpoint for d in drives for p in d.points().values())
    endpoints = {plc: EndpointSpec(plc, "127.0.0.1") for plc in plcs}
    return SiteSpec("works", "Works", "0" * 64, endpoints, {d.id: d for d in drives})


class Works:
    """See the module. Contacts begin released, everything else at a value that is healthy.

    Args:
        response: What the site says about alarms and people. long_way: Judge everything the long way.
    """

    def __init__(self, site: SiteSpec, response: Response = UNSET, *, long_way: bool = False) -> None:
        self.site = site
        self.long_way = long_way
        self.state: SiteState = new_site(site, response)
        self.now_ns = 100 * SECOND
        self.utc_begin_ms = 1_790_000_000_000
        """UTC when the monotonic clock was zero."""
        self.inputs: list[Input] = []
        self.entries: list[Entry] = []
        self.plans = {plc: plan_of(site, plc) for plc in site.endpoints}
        self.values: dict[PointSpec, float] = {}
        for spec in site.drives.values():
            for role, point in spec.points().items():
                self.values[point] = _healthy(role)
            for c in spec.contacts:
                self.values[c.point] = 1 - c.operated_bit

    # --- the plant ---

    def set(self, drive: str, role: str, value: float) -> None:
        """Set a raw value by its role."""
        self.values[self.site.drives[drive].points()[role]] = value

    def operate(self, drive: str, which: str, operated: bool = True) -> None:
        """Operate or release the contact whose id ends so."""
        c = next(c for c in self.site.drives[drive].contacts if str(c.id).endswith(which))
        self.values[c.point] = c.operated_bit if operated else 1 - c.operated_bit

    def zero(self, plc: str = "P", unit: int = 1) -> dict[PointSpec, float]:
        """Let a unit serve zeros; gives back what it held."""
        held = {p: v for p, v in self.values.items() if (p.endpoint, p.unit) == (plc, unit)}
        self.values.update(dict.fromkeys(held, 0))
        return held

    # --- inputs ---

    def give(self, given: Input) -> Outcome:
        """One input through `step`."""
        self.inputs.append(given)
        self.state, outcome = step(self.state, given, long_way=self.long_way)
        self.entries += outcome.entries
        return outcome

    def scan(
        self,
        after_ms: int = 250,
        plc: str = "P",
        *,
        only: Iterable[int] | None = None,
        bad: Iterable[int] = (),
        got: Got = Got.NO_REPLY,
        detail: str = "no reply within 1 s",
    ) -> Outcome:
        """Time goes on, then one PLC's blocks (or only some of them) are read; `bad` ones fail."""
        self.now_ns += after_ms * MS
        plan, failed = self.plans[plc], set(bad)
        wanted = range(len(plan.blocks)) if only is None else sorted(only)
        replies = tuple(
            BlockReply(i, got, b"", self.now_ns, detail)
            if i in failed
            else BlockReply(i, Got.GOOD, self.data(plan, i), self.now_ns)
            for i in wanted
        )
        return self.give(RawScan(plc, plan, self.now_ns, self.utc_ms, replies))

    def scans(self, count: int, after_ms: int = 250, plc: str = "P") -> None:
        """Several whole scans, one after the other."""
        for _ in range(count):
            self.scan(after_ms, plc)

    def tick(self, after_ms: int) -> Outcome:
        """Time passes without a reading."""
        self.now_ns += after_ms * MS
        return self.give(Tick(self.now_ns, self.utc_ms))

    def ask(self, verb: str, drive: str, arg: str = "", side: str = "", **args: object) -> tuple[bool, str]:
        """A command and its one answer; `actor` and `role` among `args` are whose it is."""
        who = (str(args.pop("actor", "somebody")), str(args.pop("role", "local")), "local user")
        given = Command(self.now_ns, self.utc_ms, verb, drive, side, *who, arg, "r1", args)
        ((ref, answer),) = self.give(given).answers
        assert ref == "r1"
        return answer

    def acknowledge(self, drive: str, side: str = "forward", kind: str = "shutdown_contact") -> bool:
        """Acknowledge the occurrence that stands."""
        key = AlarmKey(drive, side, kind)
        occurrence = alarm_of(self.state.alarms.book, key).state.occurrence
        return self.ask("acknowledge", drive, alarm=str(key), occurrence=occurrence)[0]

    def reset(self, drive: str, side: str = "") -> tuple[bool, str]:
        """What an operator does: acknowledge, let the contact stay released for a minute, reset."""
        for each in [side] if side else [str(d) for d in self.site.drives[drive].directions]:
            if self.shutdown(drive, each).life in UNANSWERED:
                assert self.acknowledge(drive, each)
        self.scans(62, 1_000)
        return self.ask("reset", drive, side=side)

    # --- looking ---

    @property
    def utc_ms(self) -> int:
        """UTC, in step with the monotonic clock here."""
        return self.utc_begin_ms + self.now_ns // MS

    def blocks(self, *roles: str, drive: str) -> list[int]:
        """The blocks in which a drive's roles lie."""
        points = self.site.drives[drive].points()
        return sorted({self.plans[points[r].endpoint].places[points[r]][0] for r in roles})

    def data(self, plan: ReadPlan, index: int) -> bytes:
        """What the PLC answers for one block."""
        block = plan.blocks[index]
        mine = {p: offset for p, (b, offset) in plan.places.items() if b == index}
        if block.table.holds_bits:
            packed = sum(int(self.values[p]) << offset for p, offset in mine.items())
            return packed.to_bytes((block.count + 7) // 8, "little")
        out = bytearray(2 * block.count)
        for point, offset in mine.items():
            raw = encoded(point, self.values[point])
            at = 2 * offset
            out[at : at + len(raw)] = bytes(a | b for a, b in zip(out[at : at + len(raw)], raw, strict=True))
        return bytes(out)

    def told(self, event: str, drive: str = "") -> list[Entry]:
        """Entries of one name so far, of one drive or of all."""
        return [e for e in self.entries if e.event == event and drive in ("", e.drive)]

    def drive(self, drive: str) -> DriveState:
        """A drive's state."""
        return self.state.drives[drive]

    def protection(self, drive: str) -> Protection:
        """A drive's protection."""
        return self.state.drives[drive].protection

    def reasons(self, drive: str) -> str:
        """What limits trust in a drive, in one text."""
        return "; ".join(r.text for r in self.protection(drive).reasons)

    def latched(self, drive: str, side: str = "forward") -> bool:
        """Whether a shutdown is latched."""
        return is_latched(self.state.alarms.book, drive, side)

    def shutdown(self, drive: str, side: str = "forward") -> AlarmState:
        """The life of a shutdown's alarm."""
        return alarm_of(self.state.alarms.book, AlarmKey(drive, side, "shutdown_contact")).state


def plan_of(site: SiteSpec, plc: str) -> ReadPlan:
    """The read plan of one PLC, its witnesses known."""
    pairs = [(d, r, p) for d in site.drives.values() for r, p in d.points().items() if p.endpoint == plc]
    witnesses = frozenset(p for d, r, p in pairs if is_witness(d, r))
    return make_plan(site.endpoints[plc], [p for _, _, p in pairs], witnesses)


def _healthy(role: str) -> float:
    if role == "position":
        return 10_400
    return 0 if role.startswith(("counter:", "latched:")) else 1


def encoded(point: PointSpec, value: float) -> bytes:
    """A value as its registers' bytes on the wire."""
    if point.type is ValueType.BIT:
        return (int(value) << point.bit).to_bytes(2, "big")
    plain = struct.pack(CODES[point.type], value if point.type is ValueType.FLOAT32 else int(value))
    if len(plain) == 2:
        return plain[::-1] if point.order in (Order.BADC, Order.DCBA) else plain
    return bytes(plain[i] for i in LETTERS[point.order])


def values_at(works: Works, values: Mapping[PointSpec, float]) -> None:
    """Put back what `zero` took."""
    works.values.update(values)


def rake(
    name: str = "D",
    *contacts: ContactSpec,
    plc: str = "P",
    unit: int = 1,
    heartbeat: bool = False,
    rack: bool = False,
    position: bool = True,
    running: bool = True,
) -> DriveSpec:
    """A drive with one direction: bits 0 alarm, 1 shutdown, 2 running, 3 rack; words 10 position, 20 heartbeat."""
    here = {"plc": plc, "unit": unit}
    both = (
        contact(name, Stage.ALARM, bit(0, plc=plc, unit=unit)),
        contact(name, Stage.SHUTDOWN, bit(1, plc=plc, unit=unit)),
    )
    return DriveSpec(
        id=name,
        name=name,
        contacts=contacts or both,
        position=loop(word(10, scale=0.001, **here)) if position else None,  # type: ignore[arg-type]
        running=BitSignal(bit(2, plc=plc, unit=unit)) if running else None,
        heartbeat=word(20, **here) if heartbeat else None,  # type: ignore[arg-type]
        rack_healthy=BitSignal(bit(3, plc=plc, unit=unit)) if rack else None,
        calibrations={Direction.FORWARD: PRELOADED},
        shutdown_nm=40_000.0,
    )


def lone_rake(*contacts: ContactSpec, **more: bool) -> Works:
    """A works with one drive, D, made as `rake` makes it."""
    return Works(site_of(rake("D", *contacts, **more)))  # type: ignore[arg-type]
