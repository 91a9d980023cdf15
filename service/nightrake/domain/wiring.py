"""Which slot of a drive comes from which place in which reply: made once for each site and read plan. Pure.

A drive's raw values stand in one tuple, its slots in this order: every contact's bit, latched bit and counter, then
running and rack healthy (together the protection slots), then heartbeat, position, power, speed and what is only kept.
A slot holds a number, or a str that says why there is none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from nightrake.domain.calibration import TorqueOf, torque_of
from nightrake.domain.readplan import ReadPlan
from nightrake.domain.registers import Decoder, decoder
from nightrake.domain.signals import PositionOf, position_of
from nightrake.domain.site import ContactSpec, Direction, DriveSpec, PointSpec, SiteSpec, Stage

NOT_READ = "not read since start"
REFUSED = "the PLC refuses this address"
MEMO = 64
"""So many combinations of blocks that a scan has read are kept at hand."""

Raw = float | int | str


class ContactWire(NamedTuple):
    """One contact's slots. `latched` and `counter` are -1 where the PLC keeps none."""

    spec: ContactSpec
    slot: int
    latched: int
    counter: int
    counter_bits: int
    operated_bit: int


class StageWire(NamedTuple):
    """One stage of one direction, and the indices of its contacts (one, or two that vote one out of two)."""

    direction: Direction
    stage: Stage
    contacts: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class DriveWire:
    """Everything that judging a drive needs, found once.

    Attributes:
        spec: The drive.
        roles: Role of each slot (`DriveSpec.points`). points: its point.
        protection_slots: How many slots at the front belong to contacts, running and rack healthy.
        running, rack, heartbeat, position, power, speed: Slots, -1 where there is none.
        running_true, rack_true: Bit value that means yes.
        position_of: Signal to mm, or None. torque_of: Position to torque, by direction.
        by_heartbeat: Slots that share the heartbeat's PLC and unit (frozen with it), heartbeat itself not.
        by_rack: Slots that share the rack bit's PLC and unit.
        endpoints: The PLCs that it draws on.
    """

    spec: DriveSpec
    roles: tuple[str, ...]
    points: tuple[PointSpec, ...]
    contacts: tuple[ContactWire, ...]
    stages: tuple[StageWire, ...]
    protection_slots: int
    running: int
    running_true: int
    rack: int
    rack_true: int
    heartbeat: int
    position: int
    power: int
    speed: int
    position_of: PositionOf | None
    torque_of: dict[Direction, TorqueOf]
    by_heartbeat: frozenset[int]
    by_rack: frozenset[int]
    endpoints: frozenset[str]


def wire_drive(spec: DriveSpec) -> DriveWire:
    """Lay out one drive's slots."""
    points = spec.points()
    first = [r for r in points if r.startswith(("contact:", "latched:", "counter:"))]
    first += [r for r in ("running", "rack_healthy") if r in points]
    rest = [r for r in ("heartbeat", "position", "power", "speed") if r in points]
    roles = (*first, *rest, *(r for r in points if r.startswith("kept:")))
    slot = {role: i for i, role in enumerate(roles)}
    specs = tuple(points[role] for role in roles)

    def at(role: str) -> int:
        return slot.get(role, -1)

    return DriveWire(
        spec=spec,
        roles=roles,
        points=specs,
        contacts=tuple(_contact(c, slot) for c in spec.contacts),
        stages=_stages(spec),
        protection_slots=len(first),
        running=at("running"),
        running_true=spec.running.true_bit if spec.running else 1,
        rack=at("rack_healthy"),
        rack_true=spec.rack_healthy.true_bit if spec.rack_healthy else 1,
        heartbeat=at("heartbeat"),
        position=at("position"),
        power=at("power"),
        speed=at("speed"),
        position_of=position_of(spec.position) if spec.position else None,
        torque_of={d: torque_of(c) for d, c in spec.calibrations.items()},
        by_heartbeat=_same_unit(specs, at("heartbeat")),
        by_rack=_same_unit(specs, at("rack_healthy")),
        endpoints=frozenset(p.endpoint for p in specs),
    )


def _contact(spec: ContactSpec, slot: dict[str, int]) -> ContactWire:
    tail = f"{spec.id.direction}/{spec.id.stage}/{spec.id.channel}"
    bits = 16 * spec.counter.type.words if spec.counter else 16
    return ContactWire(
        spec,
        slot[f"contact:{tail}"],
        slot.get(f"latched:{tail}", -1),
        slot.get(f"counter:{tail}", -1),
        bits,
        spec.operated_bit,
    )


def _stages(spec: DriveSpec) -> tuple[StageWire, ...]:
    stages = []
    for direction in spec.directions:
        for stage in (Stage.ALARM, Stage.SHUTDOWN):
            which = tuple(i for i, c in enumerate(spec.contacts) if c.id.direction is direction and c.id.stage is stage)
            if which:
                stages.append(StageWire(direction, stage, which))
    return tuple(stages)


def _same_unit(points: tuple[PointSpec, ...], slot: int) -> frozenset[int]:
    if slot < 0:
        return frozenset()
    key = (points[slot].endpoint, points[slot].unit)
    return frozenset(i for i, p in enumerate(points) if i != slot and (p.endpoint, p.unit) == key)


class Reader(NamedTuple):
    """What one block gives one drive: (slot, decoder) pairs, and the same slots as a set."""

    drive: str
    decoders: tuple[tuple[int, Decoder], ...]
    slots: frozenset[int]


@dataclass(frozen=True, slots=True)
class PlanWire:
    """A read plan as the core uses it.

    Attributes:
        readers: For each block, what it gives to which drive.
        drives: Each drive with a point in this plan -> the slots that each block feeds.
        units: Unit id of each block.
        witness: For each block, whether it cannot be all zero while the PLC is sound.
        refused: (drive, slot) pairs that the device does not serve.
    """

    readers: tuple[tuple[Reader, ...], ...]
    drives: dict[str, dict[int, frozenset[int]]]
    units: tuple[int, ...]
    witness: tuple[bool, ...]
    refused: tuple[tuple[str, int], ...]
    _fresh: dict[tuple[int, ...], dict[str, frozenset[int]]] = field(default_factory=dict, compare=False, repr=False)

    def fresh(self, blocks: tuple[int, ...]) -> Mapping[str, frozenset[int]]:
        """The slots of each drive that these blocks feed together; kept at hand, for scans read the same blocks again
        and again."""
        known = self._fresh.get(blocks)
        if known is None:
            if len(self._fresh) >= MEMO:
                self._fresh.clear()
            nothing = frozenset[int]()
            known = self._fresh[blocks] = {
                drive: nothing.union(*(feeds[b] for b in blocks if b in feeds)) for drive, feeds in self.drives.items()
            }
        return known


def wire_plan(plan: ReadPlan, drives: Mapping[str, DriveWire]) -> PlanWire:
    """Lay out one read plan over the drives that draw on it."""
    per_block: list[dict[str, list[tuple[int, Decoder]]]] = [{} for _ in plan.blocks]
    slots: dict[str, dict[int, frozenset[int]]] = {}
    refused: list[tuple[str, int]] = []
    for drive_id, wire in drives.items():
        if plan.endpoint not in wire.endpoints:
            continue
        for slot, point in enumerate(wire.points):
            if point.endpoint != plan.endpoint:
                continue
            mine = slots.setdefault(drive_id, {})
            place = plan.places.get(point)
            if place is None:
                refused.append((drive_id, slot))
                continue
            block, offset = place
            per_block[block].setdefault(drive_id, []).append((slot, decoder(point, offset)))
            mine[block] = mine.get(block, frozenset()) | {slot}
    return PlanWire(
        readers=tuple(
            tuple(Reader(d, tuple(pairs), frozenset(s for s, _ in pairs)) for d, pairs in block.items())
            for block in per_block
        ),
        drives=slots,
        units=tuple(b.unit for b in plan.blocks),
        witness=tuple(i in plan.witness_blocks for i in range(len(plan.blocks))),
        refused=tuple(refused),
    )


def wire_site(site: SiteSpec) -> dict[str, DriveWire]:
    """Lay out every drive of a site."""
    return {drive_id: wire_drive(spec) for drive_id, spec in site.drives.items()}


def touched(before: SiteSpec | None, site: SiteSpec) -> set[str]:
    """PLCs that may be asked something else than before: their own settings, or those of a drive there, have changed.

    Args:
        before: The site that held, None = there was none.

    Returns:
        Their ids; also of those that are gone.
    """
    if before is None:
        return set(site.endpoints)
    names = {*before.endpoints, *site.endpoints}
    found = {name for name in names if before.endpoints.get(name) != site.endpoints.get(name)}
    for drive in {*before.drives, *site.drives}:
        was, now = before.drives.get(drive), site.drives.get(drive)
        if was is not now and was != now:
            found |= {p.endpoint for spec in (was, now) if spec is not None for p in spec.points().values()}
    return found
