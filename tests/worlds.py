"""Small sites and scans for tests of the core, made by hand: no settings, no network."""

from __future__ import annotations

from collections.abc import Iterable

from nightrake.domain.inputs import BlockReply, Got, RawScan
from nightrake.domain.pipeline import step
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
CURVE = CalibrationCurve("R1", "d" * 64, Direction.FORWARD, (0.0, 10.0, 20.0), (8_000.0, 24_000.0, 40_000.0))


def bit(address: int, *, plc: str = "P", period_ns: int = 250 * MS) -> PointSpec:
    """A discrete input."""
    return PointSpec(plc, 1, Table.DISCRETE, address, ValueType.BIT, period_ns=period_ns)


def word(address: int, scale: float = 1.0, *, plc: str = "P") -> PointSpec:
    """An input register."""
    return PointSpec(plc, 1, Table.INPUT, address, ValueType.UINT16, scale=scale)


def contact(
    stage: Stage,
    address: int,
    channel: str = "A",
    *,
    form: Form = Form.NORMALLY_CLOSED,
    operate_ns: int = 0,
    release_ns: int = 0,
    counter: PointSpec | None = None,
    latched: PointSpec | None = None,
) -> ContactSpec:
    """A contact of drive D, forward; bit 1 = closed."""
    name = ContactId("D", Direction.FORWARD, stage, channel)
    return ContactSpec(name, bit(address), form, BitMeans.CLOSED, operate_ns, release_ns, latched, counter)


def drive(*contacts: ContactSpec, heartbeat: bool = False, rack: bool = False, position: bool = True) -> DriveSpec:
    """Drive D: discrete inputs 0 alarm, 1 shutdown (NC), 2 running; input registers 0 position in uA, 1 heartbeat."""
    spec = PositionSpec(word(0, 0.001), PositionSignal.CURRENT_MA, 4.0, 20.0, 0.0, 25.0)
    return DriveSpec(
        id="D",
        name="Drive",
        contacts=contacts or (contact(Stage.ALARM, 0), contact(Stage.SHUTDOWN, 1)),
        position=spec if position else None,
        running=BitSignal(bit(2)),
        heartbeat=word(1) if heartbeat else None,
        rack_healthy=BitSignal(bit(3)) if rack else None,
        calibrations={Direction.FORWARD: CURVE},
        shutdown_nm=40_000.0,
    )


class World:
    """A site with one PLC and one drive, walked input by input.

    Args:
        spec: The drive. long_way: Judge everything the long way.
    """

    def __init__(self, spec: DriveSpec, *, long_way: bool = False) -> None:
        self.spec = spec
        endpoint = EndpointSpec("P", "127.0.0.1")
        self.site = SiteSpec("works", "Works", "0" * 64, {"P": endpoint}, {spec.id: spec})
        points = spec.points()
        witnesses = frozenset(p for r, p in points.items() if is_witness(spec, r))
        self.plan: ReadPlan = make_plan(endpoint, points.values(), witnesses)
        self.state: SiteState = new_site(self.site)
        self.now_ns = 100 * SECOND
        self.entries: list[Entry] = []
        self.long_way = long_way
        self.values: dict[PointSpec, int] = {}
        for role, point in points.items():
            self.values[point] = {"position": 10_400, "heartbeat": 1}.get(role, 1)
            if role.startswith(("counter:", "latched:")):
                self.values[point] = 0
        for c in spec.contacts:
            self.values[c.point] = 1 - c.operated_bit

    def give(self, given: object) -> Outcome:
        """One input through `step`."""
        self.state, outcome = step(self.state, given, long_way=self.long_way)  # type: ignore[arg-type]
        self.entries += outcome.entries
        return outcome

    def scan(self, after_ms: int = 250, *, bad: Iterable[int] = (), got: Got = Got.NO_REPLY) -> Outcome:
        """Time goes on, then a scan of all blocks with the present values."""
        self.now_ns += after_ms * MS
        replies = []
        for index in range(len(self.plan.blocks)):
            if index in set(bad):
                replies.append(BlockReply(index, got, b"", self.now_ns, "no reply within 1 s"))
            else:
                replies.append(BlockReply(index, Got.GOOD, self.data(index), self.now_ns))
        return self.give(RawScan("P", self.plan, self.now_ns, self.now_ns // MS, tuple(replies)))

    def data(self, index: int) -> bytes:
        """One block's reply with the present values."""
        block = self.plan.blocks[index]
        mine = {p: o for p, (b, o) in self.plan.places.items() if b == index}
        if block.table.holds_bits:
            packed = sum(self.values[p] << o for p, o in mine.items())
            return packed.to_bytes((block.count + 7) // 8, "little")
        words = [0] * block.count
        for p, o in mine.items():
            words[o] = self.values[p]
        return b"".join(w.to_bytes(2, "big") for w in words)

    def set(self, role: str, value: int) -> None:
        """Set a point's raw value at the PLC."""
        self.values[self.spec.points()[role]] = value

    def operate(self, role: str, operated: bool = True) -> None:
        """Operate or release a contact."""
        c = next(c for c in self.spec.contacts if str(c.id).endswith(role))
        self.values[c.point] = c.operated_bit if operated else 1 - c.operated_bit

    def told(self, event: str) -> list[Entry]:
        """Entries of one name so far."""
        return [e for e in self.entries if e.event == event]

    @property
    def protection(self):  # type: ignore[no-untyped-def]  # a test's shorthand
        """The drive's protection state."""
        return self.state.drives["D"].protection
