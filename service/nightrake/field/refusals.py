"""What a device refuses to serve (exceptions 2 and 3), what is left to ask, and when to ask for the rest again. Pure.

A PLC refuses for good where its map has a hole, and for a moment while its program is being exchanged. The two look
alike, so a refusal in a scan is only a doubt: the block is asked again on its own, then its pieces, beside the scans,
where that can spoil nothing. Only what is refused each time, by a device that serves something else meanwhile, is left
out of the plan, and goes on being asked now and then.

Each new plan is a layout in the store and the whole PLC laid out anew, so plans are made in bulk and not often.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable

from nightrake.domain.readplan import Block, ReadPlan, pieces_of, split

RETRY_NS = 2_000_000_000
"""One block that was left out is asked again this often."""
IN_A_ROW = 8
"""So many may be asked after each scan, however little time is left; and after so many refusals it is enough."""
ALONE = 2
"""A block is refused this often on its own, after the scan, before its pieces are asked, or it is left out."""
GATHER_NS = 10_000_000_000
"""What is left out waits for other doubts to be settled, but no longer than this."""
CHANGES = 10
WITHIN_NS = 600_000_000_000
"""No more plans than this in this time leave more out: what flaps is a bad reading, no new plan each time."""


def without(base: ReadPlan, refused: Collection[Block]) -> ReadPlan:
    """What is left of a plan: a refused block is split into its points, a refused point is left out.

    Returns:
        The same plan for the same blocks, in whatever order they were refused. A plan of which nothing is left is
        asked on as it was: who is not asked cannot be heard to be well again.
    """
    if not refused:
        return base
    plan = split(base, refused)
    return plan if plan.blocks else base


class _Doubt:
    """A block that was refused in a scan.

    Attributes:
        since_ns: When. left: What is to be asked on its own, first the block itself. refused: Pieces that were.
        is_sure: Something was served while that was found out, so the device was not refusing everything.
    """

    __slots__ = ("is_sure", "left", "refused", "since_ns")

    def __init__(self, block: Block, pieces: tuple[Block, ...], since_ns: int) -> None:
        self.since_ns = since_ns
        self.left = deque((block,) * ALONE + pieces)
        self.refused: list[Block] = []
        self.is_sure = False


class Refusals:
    """The refused blocks of one plan.

    Args:
        base: The plan as it should be asked.

    Attributes:
        plan: What is left of it.
    """

    def __init__(self, base: ReadPlan) -> None:
        self._made: dict[frozenset[Block], int] = {}
        self._begin(base)

    def _begin(self, base: ReadPlan) -> None:
        self.base = self.plan = base
        self._known: dict[Block, tuple[Block, ...]] | None = None
        self._out: dict[Block, None] = {}
        self._open: dict[Block, _Doubt] = {}
        self._found: dict[Block, _Doubt] = {}
        self._round: deque[Block] = deque()
        self._again_ns = self._served_ns = self._changed_ns = 0
        self._forgiven = self._turn = False

    def begin_anew(self) -> None:
        """Nothing of what was learnt need hold any more; which plans were made is not forgotten."""
        self._begin(self.base)

    def __bool__(self) -> bool:
        """Whether anything is to be asked or settled."""
        return bool(self._out or self._open or self._found or self._forgiven)

    # --- what is heard ------------------------------------------------------------------------------------------------

    def learn(self, refused: Iterable[Block], served: Iterable[Block], now_ns: int) -> None:
        """What a scan has shown."""
        for block in served:
            self._served_ns = now_ns
            self._clear(block)
        for block in refused:
            if block not in self._out and block not in self._open and block not in self._found:
                self._open[block] = _Doubt(block, self._pieces(block), now_ns)

    def asked(self, block: Block, served: bool | None, now_ns: int) -> None:
        """It was asked on its own.

        Args:
            served: None = neither served nor refused: nothing can be said of it now.
        """
        doubt = next(iter(self._open.items()), None)
        if doubt is not None and doubt[1].left[0] == block:
            self._answer(*doubt, served, now_ns)
            return
        if served:
            if not self._round:  # well again, as it seems: ask for all of it, the larger requests first
                self._round.extend(sorted(self._out, key=lambda b: -b.count))
            self._served_ns = now_ns
            self._clear(block)
        elif block in self._out:
            del self._out[block]
            self._out[block] = None  # to the end of the row
            self._again_ns = now_ns + RETRY_NS
        if self._round and self._round[0] == block:
            self._round.popleft()

    def _answer(self, block: Block, doubt: _Doubt, served: bool | None, now_ns: int) -> None:
        """One step further with a doubt."""
        asked = doubt.left.popleft()
        if served:
            self._served_ns = now_ns
        if served is None or (served and asked == block):
            del self._open[block]  # if it is refused again in a scan, that is a new doubt
            return
        if not served and asked != block:
            doubt.refused.append(asked)
        if not doubt.left:
            doubt.is_sure = self._served_ns > doubt.since_ns
            self._found[block] = self._open.pop(block)

    def _clear(self, block: Block) -> None:
        """It is served, and so is whatever lies within it."""
        for one in (block, *self._pieces(block)):
            self._open.pop(one, None)
            self._found.pop(one, None)
            if one in self._out:
                del self._out[one]
                self._forgiven = True

    def _pieces(self, block: Block) -> tuple[Block, ...]:
        if self._known is None:
            self._known = pieces_of(self.base)
        return self._known.get(block, ())

    # --- what follows from it -----------------------------------------------------------------------------------------

    def next_block(self, now_ns: int) -> Block | None:
        """The block to ask on its own now, if any: doubts and what was left out by turns, each in its order."""
        self._turn = not self._turn
        out = self._next_out(now_ns)
        if self._open and (self._turn or out is None):
            return next(iter(self._open.values())).left[0]
        return out

    def _next_out(self, now_ns: int) -> Block | None:
        while self._round and self._round[0] not in self._out:
            self._round.popleft()
        if self._round:
            return self._round[0]
        return next(iter(self._out), None) if now_ns >= self._again_ns else None

    def settle(self, now_ns: int) -> None:
        """Make a new plan, if it is time for one."""
        self._ask_anew()
        more = self._more_out(now_ns)
        back = self._forgiven and (not self._round or now_ns - self._changed_ns >= RETRY_NS)
        if not more and not back:
            return
        if more and not self._out:
            self._again_ns = now_ns + RETRY_NS
        self._out = more | self._out  # what is new is asked again first: it is likelier to be well again
        self._forgiven = False
        plan = without(self.base, self._out)
        if plan.layout == self.plan.layout:
            return
        self.plan, self._changed_ns = plan, now_ns
        if plan is not self.base:
            key = frozenset(self._out)
            self._made.pop(key, None)
            self._made[key] = now_ns
            if len(self._made) > CHANGES:
                del self._made[next(iter(self._made))]

    def _ask_anew(self) -> None:
        """What was found out while everything was refused says nothing, now that something is served again."""
        for block in [b for b, d in self._found.items() if not d.is_sure and self._served_ns > d.since_ns]:
            self._open[block] = _Doubt(block, self._pieces(block), self._found.pop(block).since_ns)

    def _more_out(self, now_ns: int) -> dict[Block, None]:
        """What is to be left out from now on."""
        blocks = [b for b, doubt in self._found.items() if doubt.is_sure]
        if not blocks:
            return {}
        since_ns = now_ns - max(self._changed_ns, self._found[blocks[0]].since_ns)
        if self._open and since_ns < GATHER_NS:
            return {}
        more = dict.fromkeys(one for block in blocks for one in (block, *self._found[block].refused))
        if not self._may_make(frozenset(more | self._out), now_ns):
            return {}
        for block in blocks:
            del self._found[block]
        return more

    def _may_make(self, out: frozenset[Block], now_ns: int) -> bool:
        """Whether a plan without these was made lately, or not many were."""
        oldest_ns = next(iter(self._made.values()), 0)
        return out in self._made or len(self._made) < CHANGES or now_ns - oldest_ns >= WITHIN_NS
