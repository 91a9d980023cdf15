"""When which blocks are due: monotonic, without drift, nothing queued up. Pure."""

from __future__ import annotations

from nightrake.domain.readplan import ReadPlan

TOGETHER_NS = 4_000_000
"""PLCs whose turns would come within this time are asked together: to wake once for several scans costs a tenth less of
the processor than to wake for each. What one of them shows waits for the others' scans, some 0.3 ms each."""


def first_turn_ns(begin_ns: int, period_ns: int, index: int, count: int) -> int:
    """When a PLC is asked first: a site's PLCs are spread over the period, those next to each other together.

    Args:
        begin_ns: When the first of them is to be asked, monotonic. period_ns: Their shortest.
        index: Which of them this is, from 0. count: How many there are.
    """
    turn_ns = begin_ns + period_ns * index // count
    return turn_ns - turn_ns % TOGETHER_NS


class Schedule:
    """Due times of a plan's blocks, one for each period.

    Args:
        plan: The plan. start_ns: When the first scan is due.
    """

    def __init__(self, plan: ReadPlan, start_ns: int) -> None:
        self._groups: dict[int, list[int]] = {}
        for index, block in enumerate(plan.blocks):
            self._groups.setdefault(block.period_ns, []).append(index)
        self._next_ns = dict.fromkeys(self._groups, start_ns)

    def start(self, now_ns: int) -> None:
        """Nothing was due before now: begin with what is due next, each period in its own phase."""
        for period_ns, due_ns in self._next_ns.items():
            if due_ns < now_ns:
                self._next_ns[period_ns] = due_ns + -(-(now_ns - due_ns) // period_ns) * period_ns

    def replan(self, plan: ReadPlan, now_ns: int) -> None:
        """Go on with another plan; periods that stay keep their due times, a new one begins within its own length."""
        old = self._next_ns
        first_ns = min(old.values(), default=now_ns)
        groups: dict[int, list[int]] = {}
        for index, block in enumerate(plan.blocks):
            groups.setdefault(block.period_ns, []).append(index)
        self._groups = groups
        self._next_ns = {period: old.get(period, min(first_ns, now_ns + period)) for period in groups}

    @property
    def next_ns(self) -> int | None:
        """When the next scan is due; None for an empty plan."""
        return min(self._next_ns.values(), default=None)

    def take(self, now_ns: int) -> tuple[list[int], int, int]:
        """Take what is due.

        Args:
            now_ns: Monotonic time, not before `next_ns`.

        Returns:
            (blocks in plan order, late, missed): late counts periods begun more than half a period after they were
            due, missed counts whole periods that passed unread; they are skipped, never made up for.
        """
        blocks: list[int] = []
        late = missed = 0
        for period_ns, members in self._groups.items():
            due_ns = self._next_ns[period_ns]
            if due_ns > now_ns:
                continue
            behind_ns = now_ns - due_ns
            late += behind_ns > period_ns // 2
            skipped = behind_ns // period_ns
            missed += skipped
            self._next_ns[period_ns] = due_ns + (skipped + 1) * period_ns
            blocks += members
        blocks.sort()
        return blocks, late, missed
