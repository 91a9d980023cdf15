"""When nobody was watching, or a link was down, as the rows tell it. Pure.

Three things are told apart: the watch itself did not run (a start says since when, a gap for how long, a stop that no
start follows is open), a PLC was silent, and another link (broker, disk, store) was down.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from nightrake.alarms.told import Fact

SPANS_KEPT = 500
"""More spans than these within a period are only counted."""


class Down(NamedTuple):
    """A span, UTC ms, clipped to the period; `what`: "" the watch itself, else a link. is_open: no end is told."""

    from_utc_ms: int
    to_utc_ms: int
    what: str
    is_open: bool = False


class Unwatched:
    """Takes rows of the kinds ``service`` and ``link``, those before and after the period too.

    Args:
        from_utc_ms, to_utc_ms: The period.

    Attributes:
        left_out: Spans that were too many to keep.
    """

    def __init__(self, from_utc_ms: int, to_utc_ms: int) -> None:
        self._from_utc_ms, self._to_utc_ms = from_utc_ms, to_utc_ms
        self._spans: list[Down] = []
        self._down: dict[str, int] = {}
        self._stopped_utc_ms: int | None = None
        self.left_out = 0

    def take(self, fact: Fact) -> None:
        """The next row."""
        at_ms = fact.at.utc_ms
        if fact.kind == "service":
            self._service(fact, at_ms)
        elif fact.event == "link_down":
            self._goes(fact.text("link"), at_ms)
        elif fact.event == "link_up":
            self._comes(fact.text("link"), at_ms)
        elif fact.event == "link_changes_counted":
            last = fact.data.get("last_data")
            link = last.get("link") if isinstance(last, dict) else None
            if isinstance(link, str):
                (self._comes if fact.text("last") == "link_up" else self._goes)(link, at_ms)

    def _service(self, fact: Fact, at_ms: int) -> None:
        if fact.event == "started":
            missed_ms = fact.count("missed_from_utc_ms")
            if missed_ms and fact.number("missed_s"):
                self._add(missed_ms, at_ms, "")
            self._stopped_utc_ms = None
        elif fact.event == "gap":
            self._add(at_ms - round(1000 * max(0.0, fact.number("seconds") or 0.0)), at_ms, "")
        elif fact.event == "stopped":
            self._stopped_utc_ms = at_ms

    def _goes(self, link: str, at_ms: int) -> None:
        if link and len(self._down) < SPANS_KEPT:
            self._down.setdefault(link, at_ms)

    def _comes(self, link: str, at_ms: int) -> None:
        since_ms = self._down.pop(link, None)
        if since_ms is not None:
            self._add(since_ms, at_ms, link)

    def _add(self, from_ms: int, to_ms: int, what: str) -> None:
        clipped = self._clipped(from_ms, to_ms, what, is_open=False)
        if not clipped:
            return
        if len(self._spans) < SPANS_KEPT:
            self._spans += clipped
        else:
            self.left_out += 1

    def _clipped(self, from_ms: int, to_ms: int, what: str, *, is_open: bool) -> list[Down]:
        from_ms, to_ms = max(from_ms, self._from_utc_ms), min(to_ms, self._to_utc_ms)
        return [Down(from_ms, to_ms, what, is_open)] if from_ms < to_ms else []

    def spans(self, now_utc_ms: int) -> tuple[Down, ...]:
        """All of them, those that are still open up to now, in order."""
        still = [(since_ms, link) for link, since_ms in self._down.items()]
        still += [(self._stopped_utc_ms, "")] if self._stopped_utc_ms is not None else []
        still_open = [d for since_ms, what in still for d in self._clipped(since_ms, now_utc_ms, what, is_open=True)]
        return tuple(sorted((*self._spans, *still_open)))

    def watch_s(self, now_utc_ms: int) -> float:
        """For how long of the period the watch itself did not run, seconds."""
        return (
            sum(b - a for a, b in merged((d.from_utc_ms, d.to_utc_ms) for d in self.spans(now_utc_ms) if not d.what))
            / 1000
        )


def merged(spans: Iterable[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Spans that overlap or touch as one, in order."""
    joined: list[tuple[int, int]] = []
    for begins, ends in sorted(spans):
        if joined and begins <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(ends, joined[-1][1]))
        else:
            joined.append((begins, ends))
    return tuple(joined)
