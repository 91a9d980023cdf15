"""What rows of a summary give of the order in which things happened: turning points, and the motor's starts. Pure.

A row knows its lowest and its highest torque, not which came first. Both orders fit it; the one taken joins rows with
the least back and forth: of two rows that follow one another the nearer end comes first. The largest range is then that
of all readings, and there are no more cycles than those have; swings that stay inside of a row are missing. What that
makes of Miner's sum is no bound: `dutytold.agreement` says what it is where all readings are kept, too.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


def toggled(to_one: Bools, to_zero: Bools, toggles: Bools, before: bool) -> Bools:
    """A state after each step: set, cleared, turned round, or as it was.

    Args:
        to_one, to_zero, toggles: What each step does; at most one of them. before: The state before the first.
    """
    n = len(to_one)
    fixed = to_one | to_zero
    last = np.maximum.accumulate(np.where(fixed, np.arange(n), -1)) if n else np.empty(0, np.int64)
    turns = np.cumsum(toggles & ~fixed)
    begun = last >= 0
    at = np.maximum(last, 0)
    start = np.where(begun, to_one[at], before)
    since: npt.NDArray[np.int64] = turns - np.where(begun, turns[at] if n else turns, 0)
    out: Bools = start ^ (since % 2 == 1)
    return out


def in_order(low: Floats, high: Floats, before: float = float("nan")) -> Floats:
    """Lowest and highest of each row as a series, two values a row, the nearer one first.

    Args:
        low, high: Of rows in order of time, none NaN. before: The value that the series stood at; NaN = none.

    Returns:
        Twice as many values.
    """
    n = len(low)
    if not n:
        return np.empty(0)
    middle = 0.5 * (low + high)
    # Which end comes last depends on the one before, of which there are two: it is known, or turns round.
    from_low = np.concatenate([[before], low[:-1]]) >= middle
    from_high = np.concatenate([[before], high[:-1]]) >= middle
    ends_high = toggled(~from_low & ~from_high, from_low & from_high, ~from_low & from_high, before=False)
    out = np.empty(2 * n)
    out[0::2], out[1::2] = np.where(ends_high, low, high), np.where(ends_high, high, low)
    return out


def starts(running: Bools, stopped: Bools, before: bool | None) -> tuple[int, bool | None]:
    """Motor starts that rows prove: at least so many.

    Args:
        running, stopped: Whether run feedback said so at any time within each row; neither = not known, the state
            before goes on. before: Whether it ran at their begin, None = not known.

    Returns:
        How many; whether it ran at the end, None = not known still.
    """
    known = running ^ stopped
    if before is None:
        first = np.flatnonzero(known)
        if not len(first):
            return 0, None
        running, stopped, before = running[first[0] :], stopped[first[0] :], bool(running[first[0]])
        known = running ^ stopped
    # A row with both: one that ran has stopped in it, one that stood has started; whatever more, it does not show.
    after = toggled(running & known, stopped & known, running & stopped, before)
    was = np.concatenate([[before], after[:-1]])
    return int((after & ~was).sum()), bool(after[-1]) if len(after) else before
