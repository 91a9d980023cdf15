"""Rows of alarms written by hand, for figures that can be computed by hand."""

from __future__ import annotations

from collections.abc import Iterable

from alarmnights import Chain
from nightrake.alarms.figures import Figures, Tally
from nightrake.domain.rows import Entry

BEGIN_MS = 1_790_000_000_000
A, B, C, D, E, F = (
    "normal",
    "unacknowledged",
    "acknowledged",
    "cleared unacknowledged",
    "latched unacknowledged",
    "latched acknowledged",
)
LIFE_AFTER = {"raised": B, "raised_again": B, "worsened": B, "acknowledged": C, "cleared": A, "latched": E, "reset": A}
HOUR_S = 3_600


class Hand:
    """Rows at seconds from the period's beginning; `life` is what the event usually leaves.

    Args:
        since_s: When the watch was started for the first time, None = never.
    """

    def __init__(self, since_s: float | None = 0.0) -> None:
        self.chain = Chain()
        if since_s is not None:
            self.row("service", "started", since_s)

    def put(
        self, at_s: float, event: str, alarm: str = "x", priority: str = "high", life: str = "", **data: object
    ) -> Hand:
        """One transition."""
        name = alarm if "/" in alarm else f"PC1/forward/{alarm}"
        whole = {"alarm": name, "priority": priority, "life": life or LIFE_AFTER.get(event, B), "occurrence": 1, **data}
        return self.row("alarm", event, at_s, **whole)

    def row(self, kind: str, event: str, at_s: float, **data: object) -> Hand:
        """Any row."""
        utc_ms = BEGIN_MS + round(at_s * 1000)
        self.chain.add(Entry(kind, event, "", "", data), 10**15 + round(at_s * 1e9), utc_ms)
        return self

    def each(self, times_s: Iterable[float], alarm: str = "", priority: str = "high") -> Hand:
        """An alarm raised at each of these times; without a name each is another."""
        for number, at_s in enumerate(times_s):
            self.put(at_s, "raised", alarm or f"k{number}", priority)
        return self

    def figures(self, length_s: float, positions: int = 1, now_s: float | None = None, from_s: float = 0.0) -> Figures:
        """Of a period that begins at `from_s`."""
        tally = Tally(BEGIN_MS + round(from_s * 1000), BEGIN_MS + round((from_s + length_s) * 1000), positions)
        for row in self.chain.rows:
            tally.take(row)
        end_s = from_s + length_s if now_s is None else now_s
        return tally.done(BEGIN_MS + round(end_s * 1000))
