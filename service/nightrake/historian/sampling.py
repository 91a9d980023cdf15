"""What one scan says of each drive, as the fields of a line: torque derived from position. Pure.

Only this scan's own blocks speak: nothing is carried over from an earlier one. Fields are floats, units in their names;
a value that is not there has no field. `torque_is`: 0 exact, -1 below the first calibrated point, 1 beyond the last.
`torque_uncertainty_nm`: expanded, 95 %; `torque_uncertainty_lacks`: of how many sources nothing is known, no field for
none.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from nightrake.domain.inputs import BlockReply, Got, RawScan
from nightrake.domain.reading import Exactness, Reading
from nightrake.domain.readplan import ReadPlan
from nightrake.domain.registers import Decoder
from nightrake.domain.site import Direction, PointSpec
from nightrake.domain.wiring import DriveWire, wire_plan
from nightrake.historian.lineprotocol import more_field

TextOf = Callable[[float], str]
"""The fields that a slot's value makes, each with a comma before it; "" = none."""

_IS = {
    kind: more_field("torque_is", value)
    for kind, value in ((Exactness.EXACT, 0.0), (Exactness.BELOW, -1.0), (Exactness.BEYOND, 1.0))
}


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


class Sampler:
    """Turns scans of one read plan into fields. What reads as it did lately, as contacts do, costs next to nothing.

    Args:
        plan: The read plan. drives: Every drive of the site, laid out. memo: See `MEMO`.

    Attributes:
        endpoint: The PLC that the plan is of.
    """

    def __init__(self, plan: ReadPlan, drives: Mapping[str, DriveWire], memo: int = MEMO) -> None:
        self.endpoint = plan.endpoint
        self._blocks: list[list[tuple[str, list[_Point]]]] = []
        for readers in wire_plan(plan, drives).readers:
            block = []
            for reader in readers:
                drive = drives[reader.drive]
                made = [(slot, decode, _text_of(drive, slot)) for slot, decode in reader.decoders]
                points = [
                    _Point(_place(plan, drive.points[slot]), decode, text_of, memo)
                    for slot, decode, text_of in made
                    if text_of is not None
                ]
                block.append((reader.drive, points))
            self._blocks.append(block)
        self._last: list[tuple[bytes | None, list[tuple[str, str]]]] = [(None, [])] * len(self._blocks)
        self._pairs = [[(d, [(p.decode, p.text_of) for p in points]) for d, points in block] for block in self._blocks]
        self._turns, self._rests = [0] * len(self._blocks), [0] * len(self._blocks)

    def texts(self, scan: RawScan) -> tuple[dict[str, str], set[str]]:
        """The fields of each drive that this scan read, or tried to read, each with a comma before it; and the drives
        that were not wholly read.

        Raises:
            ValueError: A value that is no finite number.
        """
        texts: dict[str, str] = {}
        bad: set[str] = set()
        for reply in scan.blocks:
            if reply.got != Got.GOOD:
                for drive, _ in self._blocks[reply.block]:
                    texts.setdefault(drive, "")
                    bad.add(drive)
                continue
            data, made = self._last[reply.block]
            if data != reply.data:
                made = self._made(reply)
                self._last[reply.block] = (reply.data, made)
            if not texts:
                texts = dict(made)
                continue
            for drive, text in made:
                texts[drive] = texts[drive] + text if drive in texts else text
        return texts, bad

    def _made(self, reply: BlockReply) -> list[tuple[str, str]]:
        data = reply.data
        turn = self._turns[reply.block] = self._turns[reply.block] + 1
        if self._rests[reply.block] > turn:
            return self._anew(reply)
        made: list[tuple[str, str]] = []
        for drive, points in self._blocks[reply.block]:
            text = ""
            for point in points:
                if point.rests_until > turn:
                    value = point.decode(data)
                    if not isinstance(value, str):
                        text += point.text_of(value)
                    continue
                key = data[point.begin : point.end]
                known = point.known
                text += known[key] if key in known else point.text(data, turn)
            made.append((drive, text))
        rests = (p.rests_until for _, points in self._blocks[reply.block] for p in points)
        self._rests[reply.block] = min(rests, default=0) if turn % MEMO == 0 else 0
        return made

    def _anew(self, reply: BlockReply) -> list[tuple[str, str]]:
        """While all its points rest, nothing is looked up: the plain way, drive by drive."""
        data = reply.data
        made: list[tuple[str, str]] = []
        for drive, pairs in self._pairs[reply.block]:
            text = ""
            for decode, text_of in pairs:
                value = decode(data)
                if not isinstance(value, str):
                    text += text_of(value)
            made.append((drive, text))
        return made


class _Point:
    """One point of one drive in a block, and what was made of its latest values."""

    __slots__ = ("begin", "decode", "end", "known", "memo", "rests_until", "since", "text_of")

    def __init__(self, place: tuple[int, int], decode: Decoder, text_of: TextOf, memo: int) -> None:
        self.begin, self.end = place
        self.decode, self.text_of, self.memo = decode, text_of, memo
        self.known: dict[bytes, str] = {}
        self.since = self.rests_until = 0

    def text(self, data: bytes, turn: int) -> str:
        """What is made of its value; "" where it has none.

        Args:
            turn: How often its block has been looked at.
        """
        value = self.decode(data)
        text = "" if isinstance(value, str) else self.text_of(value)
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


def _text_of(drive: DriveWire, slot: int) -> TextOf | None:
    role = drive.roles[slot]
    if role == "position":
        return _of_position(drive)
    name = field_name(role)
    if not name:
        return None
    ones = next((c.operated_bit for c in drive.contacts if c.slot == slot), None)
    if ones is None and slot == drive.running:
        ones = drive.running_true
    if ones is None:
        return lambda value: more_field(name, float(value))
    yes, no = more_field(name, 1.0), more_field(name, 0.0)
    return lambda value: yes if value == ones else no


def _of_position(drive: DriveWire) -> TextOf | None:
    to_position, torque_of, two = drive.position_of, drive.torque_of, len(drive.spec.directions) == 2
    if to_position is None:
        return None
    only = drive.spec.directions[0]
    lacks = {
        side: more_field("torque_uncertainty_lacks", float(len(c.not_in_budget))) if c.not_in_budget else ""
        for side, c in drive.spec.calibrations.items()
    }

    def text(value: float) -> str:
        position_mm = to_position(value).value
        if position_mm is None:
            return ""
        made = more_field("position_mm", float(position_mm))
        side = (Direction.REVERSE if position_mm < 0.0 else Direction.FORWARD) if two else only
        convert = torque_of.get(side)
        return made + _of_torque(convert(position_mm), side, lacks[side]) if convert is not None else made

    return text


def _of_torque(torque: Reading, side: Direction, lacks: str) -> str:
    if torque.value is None:
        return ""
    made = more_field("torque_nm", -torque.value if side is Direction.REVERSE else torque.value) + _IS[torque.kind]
    if torque.uncertainty is None:
        return made
    return made + more_field("torque_uncertainty_nm", torque.uncertainty) + lacks
