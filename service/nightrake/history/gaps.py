"""Times in which nobody watched: nothing that is drawn goes across them. Pure, with numpy."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from nightrake.history.picture import Grid, Shown

Gap = tuple[int, int]
"""From when to when, UTC ms."""
TOLD_AFTER_MS = 120_000
"""A row about such a time is written when it ends, this much later at most."""

Mask = npt.NDArray[np.bool_]


def unwatched(read: Mask, from_ms: float, step_ms: float, gaps: Sequence[Gap]) -> Mask:
    """Columns without a reading of their own that lie in such a time, wholly or in part.

    What was read before is known to hold until the watch ended, and no longer.

    Args:
        read: Whether a column has readings. from_ms, step_ms: Where the first begins and how wide each is, ms.
        gaps: From when to when, UTC ms.
    """
    found = np.zeros(len(read), np.bool_)
    for begin_ms, end_ms in gaps:
        first = max(0, int((begin_ms - from_ms) // step_ms))
        last = min(len(read), int(-(-(end_ms - from_ms) // step_ms)))
        if first < last:
            found[first:last] = True
    return found & ~read


def opened(shown: Shown, grid: Grid, gaps: Sequence[Gap]) -> Shown:
    """A signal as it was bridged, and open where nobody watched."""
    thin = shown.thinned
    hole = unwatched(thin.n > 0, grid.from_ms, grid.step_ms, gaps)
    low, mean, high = (np.where(hole, np.nan, column) for column in (thin.low, thin.mean, thin.high))
    wide = np.where(hole, np.nan, shown.uncertainty_nm) if len(shown.uncertainty_nm) else shown.uncertainty_nm
    return Shown(shown.signal, thin._replace(low=low, mean=mean, high=high), wide)
