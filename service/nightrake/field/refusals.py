"""What a device refuses to serve (exceptions 2 and 3), what is left to ask, and when to ask for the rest again. Pure.

A PLC refuses for good where its map has a hole, and for a moment while its program is being exchanged. The two look
alike, so whatever is refused is asked again on its own, beside the scans, where it can spoil nothing.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

from nightrake.domain.readplan import Block, ReadPlan, split

RETRY_NS = 2_000_000_000
"""One refused block is asked again this often."""
IN_A_ROW = 8
"""Once one is served again, up to so many are asked after each scan, until one is refused."""


def without(base: ReadPlan, refused: Collection[Block]) -> ReadPlan:
    """What is left of a plan: a refused block is split into its points, a refused point is left out.

    Returns:
        The same plan for the same blocks, in whatever order they were refused. A plan of which nothing is left is
        asked on as it was: who is not asked cannot be heard to be well again.
    """
    plan, index = base, 0
    while index < len(plan.blocks):
        if plan.blocks[index] in refused:
            plan = split(plan, index)
        else:
            index += 1
    return plan if plan.blocks else base


class Refusals:
    """The refused blocks of one plan.

    Args:
        base: The plan as it should be asked.

    Attributes:
        plan: What is left of it.
    """

    def __init__(self, base: ReadPlan) -> None:
        self.base = base
        self._blocks: dict[Block, None] = {}
        self._again_ns = 0
        self.plan = base

    def __bool__(self) -> bool:
        return bool(self._blocks)

    def learn(self, refused: Iterable[Block], served: Iterable[Block], now_ns: int) -> None:
        """What a scan has shown."""
        new = [b for b in refused if b not in self._blocks]
        if new and not self._blocks:
            self._again_ns = now_ns + RETRY_NS
        self._blocks.update(dict.fromkeys(new))
        gone = [b for b in served if b in self._blocks]
        for block in gone:
            self._forgive(block)
        if new or gone:
            self.plan = without(self.base, self._blocks)

    def next_block(self, now_ns: int) -> Block | None:
        """The block to ask on its own now, if any: each in its turn."""
        return next(iter(self._blocks), None) if now_ns >= self._again_ns else None

    def asked(self, block: Block, served: bool, now_ns: int) -> None:
        """It was asked on its own."""
        if served:
            self._forgive(block)
            self.plan = without(self.base, self._blocks)
            return
        if block in self._blocks:
            del self._blocks[block]
            self._blocks[block] = None  # to the end of the row
        self._again_ns = now_ns + RETRY_NS

    def _forgive(self, block: Block) -> None:
        """It is served again, and so is whatever lies within it."""
        end = block.address + block.count
        self._blocks = {
            b: None
            for b in self._blocks
            if (b.unit, b.table, b.period_ns) != (block.unit, block.table, block.period_ns)
            or b.address < block.address
            or b.address + b.count > end
        }
