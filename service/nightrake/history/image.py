"""A PLC that restarts serves zeros: which readings of a block of history are to be trusted no more than the watch did.

As `domain.image` has it live: a unit whose witness blocks all read zero in a scan is not sound until a scan shows one
that does not. Pure, with numpy.
"""

from __future__ import annotations

import numpy as np

from nightrake.domain.inputs import Got
from nightrake.domain.readplan import ReadPlan
from nightrake.history.timeline import Bools
from nightrake.history.unpack import Unpacked


def zero_image(block: Unpacked, plan: ReadPlan) -> dict[int, Bools]:
    """Units whose image was all zero for a while, and in which records it was (one flag for each record).

    Args:
        block: Scans of one PLC. plan: The read plan of its layout.

    Raises:
        ColumnFault: A column is damaged.
    """
    seen: dict[int, np.ndarray[tuple[int], np.dtype[np.int8]]] = {}
    for number in plan.witness_blocks:
        rows, quality = block.outcomes(number)
        good = rows[quality == Got.GOOD]
        zero = np.ones(block.count, np.bool_)
        _clear_where_not_zero(block, number, zero)
        state = seen.setdefault(plan.blocks[number].unit, np.full(block.count, -1, np.int8))
        state[good] = np.where(state[good] < 0, zero[good], state[good] & zero[good])
    found = {}
    for unit, state in seen.items():
        if (state == 1).any():
            last = np.maximum.accumulate(np.where(state >= 0, np.arange(block.count), -1))
            found[unit] = (last >= 0) & (state[last] == 1)
    return found


def _clear_where_not_zero(block: Unpacked, number: int, zero: Bools) -> None:
    """Take the flag from every record whose reply to one block holds anything but zeros."""
    sizes = [part.size for shape in block.shapes if (part := shape.part(number)) is not None]
    for place in range(max(sizes, default=0) // 2):
        rows, words = block.word(number, place)
        zero[rows[words != 0]] = False
        if not zero[rows].any():
            break  # as good as always at the first word
    if any(size % 2 for size in sizes):
        rows, last = block.last_byte(number)
        zero[rows[last != 0]] = False
