"""How each drive's torque has gone over the last minutes. No I/O, no clock."""

from __future__ import annotations

from collections import deque

KEEP_S = 300.0
EVERY_S = 5.0
"""Values closer together are passed over: 60 of each drive are kept at most."""
LEAST_S = 60.0
"""A shorter record says nothing of a trend."""


class Trends:
    """The last minutes of every drive's torque."""

    def __init__(self) -> None:
        self._kept: dict[str, deque[tuple[float, float]]] = {}

    def note(self, drive: str, mono_s: float, torque_nm: float | None) -> None:
        """A torque as it is now; None (no reading) begins anew, since nobody knows what was in between."""
        if torque_nm is None:
            self._kept.pop(drive, None)
            return
        kept = self._kept.setdefault(drive, deque(maxlen=int(KEEP_S / EVERY_S)))
        if not kept or mono_s - kept[-1][0] >= EVERY_S:
            kept.append((mono_s, torque_nm))

    def forget(self, drive: str) -> None:
        """A drive is gone."""
        self._kept.pop(drive, None)

    def nm_per_min(self, drive: str, mono_s: float) -> float | None:
        """Slope of the straight line through the last minutes (least squares), N.m per minute; None = not known."""
        points = [(t, x) for t, x in self._kept.get(drive, ()) if mono_s - t <= KEEP_S]
        if len(points) < 3 or points[-1][0] - points[0][0] < LEAST_S:
            return None
        mean_t = sum(t for t, _ in points) / len(points)
        mean_x = sum(x for _, x in points) / len(points)
        spread = sum((t - mean_t) ** 2 for t, _ in points)
        return 60.0 * sum((t - mean_t) * (x - mean_x) for t, x in points) / spread
