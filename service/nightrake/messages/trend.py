"""How each drive's torque has gone over the last minute. No I/O, no clock.

A straight line is only said to be one where the values lie on it: a torque that has jumped is not rising, and a line
through the jump would promise a further rise while the torque stands still. Starting and stopping begin anew.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

KEEP_S = 60.0
EVERY_S = 5.0
"""Values closer together are passed over: 13 of each drive are kept at most."""
LEAST_S = 25.0
"""A shorter record says nothing of a trend."""
LEAST_POINTS = 4
STRAIGHT = 0.85
"""From this part of the values' variance on the line through them counts as what they do. A jump in the middle of
otherwise steady values comes to 0.75 (own choice)."""


class Trend(NamedTuple):
    """What a torque has done lately, in N.m.

    Attributes:
        nm_per_min: Slope of the straight line through the values (least squares).
        is_straight: They lie on it.
        first_nm, last_nm, least_nm, most_nm: The oldest value and the newest; the extremes.
    """

    nm_per_min: float
    is_straight: bool
    first_nm: float
    last_nm: float
    least_nm: float
    most_nm: float


class Trends:
    """The last minute of every drive's torque."""

    def __init__(self) -> None:
        self._kept: dict[str, deque[tuple[float, float]]] = {}
        self._running: dict[str, bool | None] = {}

    def note(self, drive: str, mono_s: float, torque_nm: float | None, running: bool | None = None) -> None:
        """A torque as it is now. None (no reading) begins anew, and so does a motor that starts or stops.

        Args:
            running: Run feedback, None = not known.
        """
        if self._running.get(drive) is not running:
            self._running[drive] = running
            self._kept.pop(drive, None)
        if torque_nm is None:
            self._kept.pop(drive, None)
            return
        kept = self._kept.setdefault(drive, deque(maxlen=int(KEEP_S / EVERY_S) + 1))
        if not kept or mono_s - kept[-1][0] >= EVERY_S:
            kept.append((mono_s, torque_nm))

    def keep_drives(self, drives: set[str]) -> None:
        """The site's drives; what is known of others is forgotten."""
        for gone in (self._running.keys() | self._kept.keys()) - drives:
            self._kept.pop(gone, None)
            self._running.pop(gone, None)

    def trend(self, drive: str, mono_s: float, torque_nm: float | None) -> Trend | None:
        """The last minute up to now, None = too little is known.

        Args:
            torque_nm: As it is now.
        """
        points = [(t, x) for t, x in self._kept.get(drive, ()) if mono_s - t <= KEEP_S]
        if torque_nm is not None and points and points[-1][0] < mono_s:
            points.append((mono_s, torque_nm))
        if len(points) < LEAST_POINTS or points[-1][0] - points[0][0] < LEAST_S:
            return None
        mean_t = sum(t for t, _ in points) / len(points)
        mean_x = sum(x for _, x in points) / len(points)
        across = sum((t - mean_t) ** 2 for t, _ in points)
        both = sum((t - mean_t) * (x - mean_x) for t, x in points)
        whole = sum((x - mean_x) ** 2 for _, x in points)
        values = [x for _, x in points]
        straight = whole > 0.0 and both * both / (across * whole) >= STRAIGHT
        return Trend(60.0 * both / across, straight, values[0], values[-1], min(values), max(values))
