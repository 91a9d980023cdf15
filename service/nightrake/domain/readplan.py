"""The read plan of one PLC: fewest requests that its limits and its map allow. Pure.

Only adjacent or overlapping addresses share a request, unless the settings say that the gap between them is readable:
some devices skip unmapped addresses and shift what follows. A block that is refused (exception 2 or 3) is split once,
into its points, and the plan remembers.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace

from nightrake.domain.site import EndpointSpec, Gap, PointSpec, Table


@dataclass(frozen=True, slots=True)
class Block:
    """One request.

    Attributes:
        unit, table, address, count: What is asked: `count` bits or registers from 0-based `address`.
        period_ns: How often it is due.
    """

    unit: int
    table: Table
    address: int
    count: int
    period_ns: int


@dataclass(frozen=True, slots=True)
class ReadPlan:
    """All requests to one endpoint, and where each point lies in the replies.

    Attributes:
        endpoint: Endpoint id.
        blocks: Requests, in the order in which they are sent.
        places: Point -> (block index, offset in bits or registers from the block's address).
        witness_blocks: Indices of blocks that cannot be all zero while the PLC is sound (those that hold a witness).
        refused: Points that the device refuses to serve (exception 2 or 3 on the single point).
        witnesses: The points that make a block a witness.
        layout: Digest (16 hex digits) that names this plan in the store.
    """

    endpoint: str
    blocks: tuple[Block, ...]
    places: dict[PointSpec, tuple[int, int]] = field(hash=False)
    witness_blocks: tuple[int, ...] = ()
    refused: tuple[PointSpec, ...] = ()
    witnesses: frozenset[PointSpec] = frozenset()
    layout: str = ""


def make_plan(
    endpoint: EndpointSpec, points: Iterable[PointSpec], witnesses: frozenset[PointSpec] = frozenset()
) -> ReadPlan:
    """Plan the fewest requests within the device's limits.

    Args:
        endpoint: Its limits and readable gaps.
        points: All points at this endpoint, each within one table.
        witnesses: Those that are not zero while the PLC is sound (`domain.witness`).

    Returns:
        The plan; the same points give the same plan and layout whatever their order.
    """
    groups: dict[tuple[int, Table, int], set[PointSpec]] = {}
    for point in points:
        groups.setdefault((point.unit, point.table, point.period_ns), set()).add(point)
    blocks: list[Block] = []
    places: dict[PointSpec, tuple[int, int]] = {}
    for (unit, table, period_ns), members in sorted(groups.items(), key=lambda g: (g[0][2], g[0][0], g[0][1])):
        limit = endpoint.max_bits if table.holds_bits else endpoint.max_registers
        for run in _runs(sorted(members, key=_by_address), limit, endpoint.readable_gaps):
            first = run[0].address
            end = max(p.address + p.words for p in run)
            places.update({p: (len(blocks), p.address - first) for p in run})
            blocks.append(Block(unit, table, first, end - first, period_ns))
    return _finish(ReadPlan(endpoint.id, tuple(blocks), places, witnesses=witnesses))


def _by_address(point: PointSpec) -> tuple[int, int, int, str, str]:
    return (point.address, point.words, point.bit, str(point.type), f"{point.order}{point.scale}{point.offset}")


def _runs(points: Sequence[PointSpec], limit: int, gaps: Sequence[Gap]) -> Iterable[list[PointSpec]]:
    """Cut points in address order into runs that one request can read; a value of two words is never cut."""
    run: list[PointSpec] = []
    end = 0
    for point in points:
        after = point.address + point.words
        joined = run and (point.address <= end or _bridged(point, end, gaps))
        if joined and max(after, end) - run[0].address <= limit:
            run.append(point)
            end = max(after, end)
            continue
        if run:
            yield run
        run, end = [point], after
    if run:
        yield run


def _bridged(point: PointSpec, end: int, gaps: Sequence[Gap]) -> bool:
    """Whether every address from `end` to the point may be read over."""
    at = end
    mine = sorted((g for g in gaps if (g.unit, g.table) == (point.unit, point.table)), key=lambda g: g.first)
    for gap in mine:
        if gap.first <= at <= gap.last:
            at = gap.last + 1
    return at >= point.address


def split(plan: ReadPlan, refused: Collection[Block]) -> ReadPlan:
    """The plan without what the device refuses (exception 2 or 3), built once however much that is.

    A refused block of several points becomes one request for each run of points that share addresses; of these, and of
    blocks of a single run, a refused one is left out and its points stand in `refused`.

    Args:
        plan: The plan in force. refused: Blocks of it, and pieces that they are split into (`pieces_of`).
    """
    blocks: list[Block] = []
    places: dict[PointSpec, tuple[int, int]] = {}
    out: list[PointSpec] = []
    for block, runs in zip(plan.blocks, _runs_of(plan), strict=True):
        whole = block not in refused
        for piece, points in [(block, [p for run in runs for p in run])] if whole else _pieces(block, runs):
            if not whole and (piece == block or piece in refused):
                out += points
                continue
            places.update({p: (len(blocks), p.address - piece.address) for p in points})
            blocks.append(piece)
    return _finish(replace(plan, blocks=tuple(blocks), places=places, refused=(*plan.refused, *out)))


def pieces_of(plan: ReadPlan) -> dict[Block, tuple[Block, ...]]:
    """Every block, and the smaller requests that it is split into once it is refused; none for one of a single run."""
    pieces = {b: tuple(p for p, _ in _pieces(b, runs)) for b, runs in zip(plan.blocks, _runs_of(plan), strict=True)}
    return {block: some if len(some) > 1 else () for block, some in pieces.items()}


def _runs_of(plan: ReadPlan) -> list[list[list[PointSpec]]]:
    """For each block its points, in runs that share addresses."""
    members: list[list[PointSpec]] = [[] for _ in plan.blocks]
    for point, (block, _) in plan.places.items():
        members[block].append(point)
    return [list(_overlapping(sorted(some, key=_by_address))) for some in members]


def _pieces(block: Block, runs: Sequence[list[PointSpec]]) -> list[tuple[Block, list[PointSpec]]]:
    return [
        (replace(block, address=run[0].address, count=max(p.address + p.words for p in run) - run[0].address), run)
        for run in runs
    ]


def _overlapping(points: Sequence[PointSpec]) -> Iterable[list[PointSpec]]:
    piece: list[PointSpec] = []
    end = 0
    for point in points:
        if piece and point.address < end:
            piece.append(point)
        else:
            if piece:
                yield piece
            piece = [point]
        end = max(end, point.address + point.words)
    if piece:
        yield piece


def _finish(plan: ReadPlan) -> ReadPlan:
    """Find the witness blocks and name the plan."""
    witness_blocks = tuple(sorted({plan.places[p][0] for p in plan.witnesses if p in plan.places}))
    text = "\n".join(
        (
            plan.endpoint,
            *(f"{b.unit} {b.table} {b.address} {b.count} {b.period_ns}" for b in plan.blocks),
            *sorted(f"{' '.join(map(str, point))} at {place}" for point, place in plan.places.items()),
            str(witness_blocks),
        )
    )
    layout = hashlib.sha256(text.encode()).hexdigest()[:16]
    return replace(plan, witness_blocks=witness_blocks, layout=layout)


def also_read(plan: ReadPlan, zero: Sequence[int], read: Sequence[int]) -> tuple[int, ...]:
    """Witness blocks to read in the same scan, so that zeros of a restarted PLC can be told from operated contacts.

    Args:
        plan: The plan. zero: Witness blocks of this scan that came back good and all zero.
        read: All blocks of this scan.

    Returns:
        Every other witness block of the same units that this scan has not read, unless one it has read is not zero.
    """
    more: list[int] = []
    for unit in sorted({plan.blocks[b].unit for b in zero}):
        mine = [b for b in plan.witness_blocks if plan.blocks[b].unit == unit]
        if all(b in zero for b in mine if b in read):
            more += [b for b in mine if b not in read]
    return tuple(more)
