"""Alarm figures of a period, by ANSI/ISA-18.2-2016 (clause 16.4) and EEMUA 191, from the journal's rows. Pure.

Rows go in one by one and in order, those before the period too: only so is it known what stood when it began. What each
figure may be, and by which source, is in `alarms.figurelimits`.

- **Annunciated** is an alarm that comes (for the first time, again, or worse) with nothing lying over it, and one that
  waits for somebody when the last thing that lay over it goes. One whose call is held back for chatter or in a flood
  counts all the same; it is on the display. Notices are left out, and counted apart.
- Ten-minute periods follow one another from the beginning; the peak is the most within any ten minutes. A clock that
  was set back stands still until it is where it was.
- A flood begins with more than 10 annunciations within ten minutes and ends when there are fewer than 5. The watch,
  which holds back calls in a flood, leaves out what chatters and what only waits again: its floods are counted apart.
- Chattering: 3 annunciations of one alarm within a minute. Stale: active for more than 24 hours, nothing lying over it.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from nightrake.alarms.figurewindows import Floods, quantile_s
from nightrake.alarms.life import ACTIVE, UNANSWERED, Life
from nightrake.alarms.table import Priority
from nightrake.alarms.told import Fact, Moment, between_s, fact_of
from nightrake.alarms.unwatched import Unwatched, merged
from nightrake.domain.rows import Row

KINDS = ("alarm", "service")  # what figures need
PERIOD_MS = 600_000
CHATTER_MS = 60_000
CHATTER_TIMES = 3
STALE_MS = 24 * 3_600_000
TOP = 10
OVER_IN_10_MIN = 10
_ACTIVE = frozenset(life.value for life in ACTIVE)
_UNANSWERED = frozenset(life.value for life in UNANSWERED)
_COMES = frozenset({"raised", "raised_again", "worsened"})
_LAID = {"shelved": "shelved", "out_of_service": "out of service", "suppressed": "suppressed", "withdrawn": "away"}
_LIFTED = {
    "unshelved": "shelved",
    "shelving_ended": "shelved",
    "returned_to_service": "out of service",
    "out_of_service_ended": "out of service",
    "suppression_ended": "suppressed",
    "reinstated": "away",
}


class Often(NamedTuple):
    """An alarm and how often it was annunciated, or how often it chattered."""

    alarm: str
    times: int


class Figures(NamedTuple):
    """The figures of a period; rates are per operator position. None: there is nothing to take it of.

    Attributes:
        from_utc_ms, to_utc_ms, positions: What was asked for.
        first_utc_ms, last_utc_ms: Of the journal's rows that were seen, None = there was none.
        watched_s: How long the watch ran, as far as rows tell. spans_left_out: times without it, too many to keep.
        annunciated: Alarms. by_priority: of them. notices: left out.
        average: In ten minutes. peak: most within any ten minutes, peak_utc_ms: when that was reached.
        periods: Ten-minute periods in which the watch ran. periods_over: with more than ten alarms per position.
        floods, flood_s: How many, and for how long. held_floods: those that the watch told of, and held low calls back.
        top: The most frequent. chattering: episodes by alarm. stale: alarms; stale_most: on any one day of the period.
        standing_most: Most alarms that were active at once, nothing lying over them.
        acknowledged: How many were within the period; median_s, p90_s: after how long.
        unacknowledged: How many waited when it ended.
    """

    from_utc_ms: int
    to_utc_ms: int
    positions: int
    first_utc_ms: int | None
    last_utc_ms: int | None
    watched_s: float
    spans_left_out: int = 0
    annunciated: int = 0
    by_priority: Mapping[str, int] = {}
    notices: int = 0
    average: float | None = None
    peak: float = 0.0
    peak_utc_ms: int = 0
    periods: int = 0
    periods_over: int = 0
    floods: int = 0
    flood_s: float = 0.0
    held_floods: int = 0
    top: tuple[Often, ...] = ()
    chattering: tuple[Often, ...] = ()
    stale: tuple[str, ...] = ()
    stale_most: int = 0
    standing_most: int = 0
    acknowledged: int = 0
    median_s: float | None = None
    p90_s: float | None = None
    unacknowledged: int = 0

    @property
    def top_share(self) -> float | None:
        """Part of all annunciations that the most frequent alarms make."""
        return sum(o.times for o in self.top) / self.annunciated if self.annunciated else None

    @property
    def share_over(self) -> float | None:
        """Part of the ten-minute periods with more than ten alarms."""
        return self.periods_over / self.periods if self.periods else None

    @property
    def flood_share(self) -> float | None:
        """Part of the watched time that was flood."""
        return self.flood_s / self.watched_s if self.watched_s else None


class _Seen:
    """One alarm as its rows show it."""

    __slots__ = ("chatters", "life", "lying", "since_ms", "times", "waits")

    def __init__(self) -> None:
        self.life = Life.NORMAL.value
        self.lying: set[str] = set()
        self.since_ms: int | None = None  # active with nothing over it, since
        self.waits: Moment | None = None
        self.times: deque[int] = deque(maxlen=CHATTER_TIMES)
        self.chatters = False


class Tally:
    """Takes rows, gives `Figures`.

    Args:
        from_utc_ms, to_utc_ms: The period, its end not included. positions: Operator positions that share the alarms.
    """

    def __init__(self, from_utc_ms: int, to_utc_ms: int, positions: int = 1) -> None:
        self._from_ms, self._to_ms, self._positions = from_utc_ms, to_utc_ms, positions
        self._first_ms: int | None = None
        self._last_ms: int | None = None
        self._now_ms = -(2**63)
        self._seen: dict[str, _Seen] = {}
        self._counts: Counter[str] = Counter()
        self._priorities: Counter[str] = Counter()
        self._notices = 0
        self._buckets: Counter[int] = Counter()
        self._floods = Floods(positions)
        self._held_floods = 0
        self._chattering: Counter[str] = Counter()
        self._stale: dict[str, None] = {}
        self._stale_days: Counter[int] = Counter()
        self._standing = self._standing_most = 0
        self._acks: Counter[int] = Counter()
        self._unwatched = Unwatched(from_utc_ms, to_utc_ms)

    def take(self, row: Row) -> None:
        """The next row."""
        self._first_ms = row.utc_ms if self._first_ms is None else self._first_ms
        if row.kind not in KINDS:
            self._last_ms = row.utc_ms if row.utc_ms < self._to_ms else self._last_ms
            return
        fact = fact_of(row)
        if fact.kind == "service":
            self._unwatched.take(fact)
        if fact.at.utc_ms >= self._to_ms:
            return
        self._last_ms = fact.at.utc_ms
        if fact.kind != "alarm":
            return
        self._now_ms = max(self._now_ms, fact.at.utc_ms)
        if fact.text("alarm"):
            self._alarm(fact)
        elif fact.event == "flood_began" and self._now_ms >= self._from_ms:
            self._held_floods += 1

    def _alarm(self, fact: Fact) -> None:
        name, is_in = fact.text("alarm"), self._now_ms >= self._from_ms
        is_notice = fact.text("priority") == Priority.NOTICE.value
        if is_notice:
            self._notices += is_in and fact.event in _COMES
            return
        seen = self._seen.setdefault(name, _Seen())
        lay = self._follow(seen, fact)
        before = self._standing
        self._stand(name, seen, self._now_ms)
        if is_in:
            self._standing_most = max(self._standing_most, before, self._standing)
        lifted = lay and not seen.lying and seen.life in _UNANSWERED
        if (fact.event in _COMES and not seen.lying) or lifted:
            seen.waits = seen.waits or fact.at
            if is_in:
                self._annunciated(name, seen, fact.text("priority"))
        elif fact.event == "acknowledged":
            if seen.waits is not None and is_in:
                self._acks[round(between_s(seen.waits, fact.at))] += 1
            seen.waits = None

    @staticmethod
    def _follow(seen: _Seen, fact: Fact) -> bool:
        """Take in life and what lies over it; says whether anything lay over it before."""
        lay = bool(seen.lying)
        seen.life = fact.text("life")
        if fact.event in _LAID:
            seen.lying.add(_LAID[fact.event])
        elif fact.event in _LIFTED:
            seen.lying.discard(_LIFTED[fact.event])
        elif fact.event in _COMES:
            (seen.lying.add if fact.text("suppressed") else seen.lying.discard)("suppressed")
            if fact.text("withheld") in ("shelved", "out of service"):
                seen.lying.add(fact.text("withheld"))
        if seen.life == Life.NORMAL.value:
            seen.waits = None if fact.event != "acknowledged" else seen.waits
        return lay

    def _stand(self, name: str, seen: _Seen, at_ms: int) -> None:
        """Is it active with nothing over it, and if no longer, has it been stale?"""
        stands = seen.life in _ACTIVE and not seen.lying
        if stands and seen.since_ms is None:
            seen.since_ms, self._standing = at_ms, self._standing + 1
        elif not stands and seen.since_ms is not None:
            self._ended(name, seen.since_ms, at_ms)
            seen.since_ms, self._standing = None, self._standing - 1

    def _ended(self, name: str, since_ms: int, at_ms: int) -> None:
        begins_ms, ends_ms = max(since_ms + STALE_MS, self._from_ms), min(at_ms, self._to_ms)
        if begins_ms >= ends_ms:
            return
        self._stale[name] = None
        first, last = ((ms - self._from_ms) // STALE_MS for ms in (begins_ms, ends_ms - 1))
        self._stale_days.update(range(first, last + 1))

    def _annunciated(self, name: str, seen: _Seen, priority: str) -> None:
        at_ms = self._now_ms
        self._counts[name] += 1
        self._priorities[priority] += 1
        self._buckets[(at_ms - self._from_ms) // PERIOD_MS] += 1
        self._floods.take(at_ms)
        seen.chatters = seen.chatters and at_ms - seen.times[-1] < CHATTER_MS
        seen.times.append(at_ms)
        if len(seen.times) == CHATTER_TIMES and at_ms - seen.times[0] < CHATTER_MS and not seen.chatters:
            seen.chatters = True
            self._chattering[name] += 1

    def done(self, now_utc_ms: int) -> Figures:
        """What it all adds up to; a period that is not over ends now."""
        end_ms = max(self._from_ms, min(self._to_ms, now_utc_ms))
        for name, seen in self._seen.items():
            if seen.since_ms is not None:
                self._ended(name, seen.since_ms, end_ms)
        down = self._down(end_ms, now_utc_ms)
        length_ms = end_ms - self._from_ms
        found = Figures(
            from_utc_ms=self._from_ms,
            to_utc_ms=self._to_ms,
            positions=self._positions,
            first_utc_ms=self._first_ms,
            last_utc_ms=self._last_ms,
            watched_s=(length_ms - sum(b - a for a, b in down)) / 1000,
            spans_left_out=self._unwatched.left_out,
            notices=self._notices,
            periods=_periods(length_ms, [(a - self._from_ms, b - self._from_ms) for a, b in down]),
            stale=tuple(sorted(self._stale)),
            stale_most=max(self._stale_days.values(), default=0),
            standing_most=max(self._standing_most, self._standing),
            acknowledged=sum(self._acks.values()),
            median_s=quantile_s(self._acks, 50),
            p90_s=quantile_s(self._acks, 90),
            unacknowledged=sum(seen.waits is not None for seen in self._seen.values()),
        )
        return self._with_rates(found, end_ms)

    def _with_rates(self, found: Figures, end_ms: int) -> Figures:
        count, limit = sum(self._counts.values()), OVER_IN_10_MIN * self._positions
        return found._replace(
            annunciated=count,
            by_priority={p.value: self._priorities[p.value] for p in (Priority.URGENT, Priority.HIGH, Priority.LOW)},
            average=count * 600 / found.watched_s / self._positions if found.watched_s else None,
            peak=self._floods.peak / self._positions,
            peak_utc_ms=self._floods.peak_ms,
            periods_over=sum(times > limit for times in self._buckets.values()),
            floods=self._floods.count,
            flood_s=self._floods.total_s(end_ms),
            held_floods=self._held_floods,
            top=_most(self._counts),
            chattering=_most(self._chattering, len(self._chattering)),
        )

    def _down(self, end_ms: int, now_utc_ms: int) -> tuple[tuple[int, int], ...]:
        """Spans without the watch; of what was before the journal's first row nobody can say anything."""
        before = (self._from_ms, end_ms if self._first_ms is None else self._first_ms)
        spans = [before, *((d.from_utc_ms, d.to_utc_ms) for d in self._unwatched.spans(now_utc_ms) if not d.what)]
        return merged((a, min(b, end_ms)) for a, b in spans if a < min(b, end_ms))


def _most(counts: Counter[str], count: int = TOP) -> tuple[Often, ...]:
    """Most often first, then by name."""
    return tuple(Often(*item) for item in sorted(counts.items(), key=lambda i: (-i[1], i[0]))[:count])


def _periods(length_ms: int, down: Iterable[tuple[int, int]]) -> int:
    """Ten-minute periods that have begun, without those in which the watch did not run at all."""
    whole = -(-length_ms // PERIOD_MS)
    for begins, ends in down:
        first, last = -(-begins // PERIOD_MS), ends // PERIOD_MS if ends < length_ms else whole
        whole -= max(0, last - first)
    return whole
