"""What one scan says of each drive, for the store that it is forwarded to: torque derived from position. Pure.

Only this scan's own blocks speak: nothing is carried over from an earlier one. Fields are floats, units in their names;
a value that is not there has no field. `torque_is`: 0 exact, -1 below the first calibrated point, 1 beyond the last.
`torque_uncertainty_nm`: expanded, 95 %; `torque_uncertainty_lacks`: of how many sources nothing is known, no field for
none. `good`: 1 when all of this scan's blocks for the drive were read, otherwise 0.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Generic, NamedTuple, TypeVar

from nightrake.domain.inputs import BlockReply, Got, RawScan
from nightrake.domain.reading import Exactness
from nightrake.domain.readplan import ReadPlan
from nightrake.domain.registers import Decoder
from nightrake.domain.site import Direction, PointSpec
from nightrake.domain.wiring import DriveWire, wire_plan

T = TypeVar("T")
_IS = {Exactness.EXACT: 0.0, Exactness.BELOW: -1.0, Exactness.BEYOND: 1.0}


class Sample(NamedTuple, Generic[T]):
    """One drive's values from one scan.

    Attributes:
        drive: Its id. good: All of this scan's blocks for it were read.
        parts: What `render` made of each block's values, without those that have none.
    """

    drive: str
    good: bool
    parts: list[T]


Writer = Callable[[dict[str, float], float], None]
"""Puts a slot's value into the fields."""


def field_name(role: str) -> str:
    """Name of the field that a role is forwarded under; "" for roles that have none of their own."""
    if role.startswith("contact:"):
        return "contact_" + role.removeprefix("contact:").replace("/", "_").lower()
    if role.startswith("kept:"):
        return role.removeprefix("kept:")
    return {"running": "running", "power": "power_kw", "speed": "speed_rpm"}.get(role, "")


MEMO = 64
"""Values of one point whose text is kept at hand: a load that wanders comes back to the same counts again and again."""
REST = 1000
"""A point that hardly ever came back to one of them is not looked up for so many readings."""


class Sampler(Generic[T]):
    """Turns scans of one read plan into samples. What reads as it did lately, as contacts do, costs next to nothing.

    Args:
        plan: The read plan. drives: Every drive of the site, laid out.
        render: Makes of a value's fields what is wanted of them. join: Makes one of several of these, if given.
        memo: See `MEMO`.

    Attributes:
        endpoint: The PLC that the plan is of.
    """

    def __init__(
        self,
        plan: ReadPlan,
        drives: Mapping[str, DriveWire],
        render: Callable[[Mapping[str, float]], T],
        join: Callable[[list[T]], T] | None = None,
        memo: int = MEMO,
    ) -> None:
        wire = wire_plan(plan, drives)
        self._join, self._render = join, render
        self.endpoint = plan.endpoint
        self._blocks: list[list[tuple[str, list[_Point[T]]]]] = []
        for readers in wire.readers:
            block = []
            for reader in readers:
                drive = drives[reader.drive]
                pairs = [(slot, decode, _writer(drive, slot)) for slot, decode in reader.decoders]
                points = [
                    _Point(_place(plan, drive.points[slot]), decode, write, render, memo)
                    for slot, decode, write in pairs
                    if write is not None
                ]
                block.append((reader.drive, points))
            self._blocks.append(block)
        self._last: list[tuple[bytes | None, list[tuple[str, list[T]]]]] = [(None, [])] * len(self._blocks)
        self._pairs = [[(d, [(p.decode, p.write) for p in points]) for d, points in block] for block in self._blocks]
        self._turns, self._rests = [0] * len(self._blocks), [0] * len(self._blocks)

    def samples(self, scan: RawScan) -> list[Sample[T]]:
        """One sample for each drive that this scan read, or tried to read.

        Raises:
            ValueError: What `render` raises of values that are not fit for it.
        """
        parts, bad = self.parts(scan)
        return [Sample(d, d not in bad, p) for d, p in parts.items()]

    def parts(self, scan: RawScan) -> tuple[dict[str, list[T]], set[str]]:
        """The same as parts by drive, and the drives that were not wholly read."""
        parts: dict[str, list[T]] = {}
        bad: set[str] = set()
        for reply in scan.blocks:
            if reply.got != Got.GOOD:
                for drive, _ in self._blocks[reply.block]:
                    parts.setdefault(drive, [])
                    bad.add(drive)
                continue
            data, rendered = self._last[reply.block]
            if data != reply.data:
                rendered = self._rendered(reply)
                self._last[reply.block] = (reply.data, rendered)
            for drive, mine in rendered:
                if drive in parts:
                    parts[drive] += mine
                else:
                    parts[drive] = mine.copy()
        return parts, bad

    def _rendered(self, reply: BlockReply) -> list[tuple[str, list[T]]]:
        data, join, render = reply.data, self._join, self._render
        turn = self._turns[reply.block] = self._turns[reply.block] + 1
        if self._rests[reply.block] > turn:
            return self._anew(reply)
        found: list[tuple[str, list[T]]] = []
        for drive, points in self._blocks[reply.block]:
            mine: list[T] = []
            fresh: dict[str, float] = {}
            for point in points:
                if point.rests_until > turn:
                    value = point.decode(data)
                    if not isinstance(value, str):
                        point.write(fresh, value)
                    continue
                key = data[point.begin : point.end]
                known = point.known
                text = known[key] if key in known else point.text(data, turn)
                if text is not None:
                    mine.append(text)
            if fresh:
                mine.append(render(fresh))
            found.append((drive, [join(mine)] if join is not None and len(mine) > 1 else mine))
        rests = (p.rests_until for _, points in self._blocks[reply.block] for p in points)
        self._rests[reply.block] = min(rests, default=0) if turn % MEMO == 0 else 0
        return found

    def _anew(self, reply: BlockReply) -> list[tuple[str, list[T]]]:
        """While all its points rest, nothing is looked up: the plain way, drive by drive."""
        data, render = reply.data, self._render
        found: list[tuple[str, list[T]]] = []
        for drive, pairs in self._pairs[reply.block]:
            fields: dict[str, float] = {}
            for decode, write in pairs:
                value = decode(data)
                if not isinstance(value, str):
                    write(fields, value)
            found.append((drive, [render(fields)] if fields else []))
        return found


class _Point(Generic[T]):
    """One point of one drive in a block, and what was made of its latest values."""

    __slots__ = ("begin", "decode", "end", "known", "memo", "render", "rests_until", "since", "write")

    def __init__(
        self,
        place: tuple[int, int],
        decode: Decoder,
        write: Writer,
        render: Callable[[Mapping[str, float]], T],
        memo: int,
    ) -> None:
        self.begin, self.end = place
        self.decode, self.write, self.render, self.memo = decode, write, render, memo
        self.known: dict[bytes, T | None] = {}
        self.since = self.rests_until = 0

    def text(self, data: bytes, turn: int) -> T | None:
        """What is made of its value; None where it has none.

        Args:
            turn: How often its block has been looked at.
        """
        value, fields = self.decode(data), dict[str, float]()
        if not isinstance(value, str):
            self.write(fields, value)
        text = self.render(fields) if fields else None
        if len(self.known) >= self.memo:
            self.known.clear()
            if turn - self.since < 2 * self.memo:  # of all its values less than half were known
                self.rests_until = turn + REST
            self.since = turn
        self.known[data[self.begin : self.end]] = text
        return text


def _place(plan: ReadPlan, point: PointSpec) -> tuple[int, int]:
    """First byte of a point in its block's data, and the byte behind it."""
    offset = plan.places[point][1]
    if point.table.holds_bits:
        return offset // 8, offset // 8 + 1
    return 2 * offset, 2 * (offset + point.type.words)


def _writer(drive: DriveWire, slot: int) -> Writer | None:
    role = drive.roles[slot]
    if role == "position":
        return _position_writer(drive)
    name = field_name(role)
    if not name:
        return None
    ones = next((c.operated_bit for c in drive.contacts if c.slot == slot), None)
    if ones is None and slot == drive.running:
        ones = drive.running_true
    if ones is None:

        def write_number(fields: dict[str, float], value: float) -> None:
            fields[name] = float(value)

        return write_number

    def write_bit(fields: dict[str, float], value: float) -> None:
        fields[name] = 1.0 if value == ones else 0.0

    return write_bit


def _position_writer(drive: DriveWire) -> Writer | None:
    to_position, torque_of, two = drive.position_of, drive.torque_of, len(drive.spec.directions) == 2
    if to_position is None:
        return None
    only = drive.spec.directions[0]
    lacks = {side: float(len(c.not_in_budget)) for side, c in drive.spec.calibrations.items() if c.not_in_budget}

    def write(fields: dict[str, float], value: float) -> None:
        position_mm = to_position(value).value
        if position_mm is None:
            return
        fields["position_mm"] = position_mm
        side = (Direction.REVERSE if position_mm < 0.0 else Direction.FORWARD) if two else only
        convert = torque_of.get(side)
        if convert is None:
            return
        torque = convert(position_mm)
        if torque.value is not None:
            fields["torque_nm"] = -torque.value if side is Direction.REVERSE else torque.value
            fields["torque_is"] = _IS[torque.kind]
            if torque.uncertainty is not None:
                fields["torque_uncertainty_nm"] = torque.uncertainty
                if side in lacks:
                    fields["torque_uncertainty_lacks"] = lacks[side]

    return write
