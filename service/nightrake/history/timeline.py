"""Readings in the order in which they were made, what held at each moment, and how long. Pure.

A reading is named by the machine's start and the monotonic time, never by UTC: a clock set back makes stamps overlap,
and still nothing is counted twice. It holds until the next one, at most until it is stale; what lies beyond is not
stretched, nobody knows it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.history.histogram import Floats, Ints

Bools = npt.NDArray[np.bool_]
Codes = npt.NDArray[np.int8]

MINUTE_NS = 60_000_000_000
APART_NS = 1_000_000_000_000_000
"""Between two starts of the machine on the common axis: eleven days, more than anything holds."""


class Track(NamedTuple):
    """Readings of one point.

    Attributes:
        boot: Which start of the machine, any number for each. mono_ns: Monotonic time. utc_ms: Stamp.
        value: As decoded, scale and offset in it; of no meaning where not good. good: Whether it was read well.
    """

    boot: Ints
    mono_ns: Ints
    utc_ms: Ints
    value: Floats
    good: Bools

    def at(self, which: npt.NDArray[np.intp] | Bools) -> Track:
        """Some of the readings."""
        return Track(self.boot[which], self.mono_ns[which], self.utc_ms[which], self.value[which], self.good[which])


def joined(tracks: Sequence[Track]) -> Track:
    """Pieces of one point's readings, in any order, some perhaps given twice: in order, each once."""
    whole = Track(
        np.concatenate([t.boot for t in tracks]),
        np.concatenate([t.mono_ns for t in tracks]),
        np.concatenate([t.utc_ms for t in tracks]),
        np.concatenate([t.value for t in tracks]),
        np.concatenate([t.good for t in tracks]),
    )
    order = np.lexsort((whole.mono_ns, whole.boot))
    whole = whole.at(order)
    return whole.at(np.flatnonzero(_differs(whole.boot) | _differs(whole.mono_ns)))


def _differs(column: Ints) -> Bools:
    out = np.ones(len(column), np.bool_)
    out[1:] = column[1:] != column[:-1]
    return out


def _boots(track: Track) -> list[int]:
    """Starts of the machine in a track that is in order; mostly one."""
    if len(track.boot) and track.boot[0] == track.boot[-1]:
        return [int(track.boot[0])]
    found: list[int] = np.unique(track.boot).tolist()
    return found


class Axis:
    """One rising time in ns for all starts of the machine; only differences within one of them mean anything.

    Args:
        tracks: Everything that is to be placed on it, each in order (`joined`).
    """

    def __init__(self, tracks: Iterable[Track]) -> None:
        ends: dict[int, tuple[int, int]] = {}
        for track in tracks:
            for boot in _boots(track):
                mine = track.mono_ns[track.boot == boot]
                low, high = ends.get(boot, (int(mine[0]), int(mine[0])))
                ends[boot] = min(low, int(mine.min())), max(high, int(mine.max()))
        self._shift: dict[int, int] = {}
        upto = 0
        for boot, (low, high) in sorted(ends.items()):
            self._shift[boot] = upto - low
            upto += high - low + APART_NS

    def of(self, track: Track) -> Ints:
        """The readings of a track on this axis."""
        boots = _boots(track)
        if len(boots) == 1:
            return track.mono_ns + self._shift[boots[0]]
        out = np.empty(len(track.boot), np.int64)
        for boot in boots:
            mine = track.boot == boot
            out[mine] = track.mono_ns[mine] + self._shift[boot]
        return out

    def cuts(self, moments: Iterable[tuple[int, int]]) -> Ints:
        """Moments (start of the machine, monotonic ns) on this axis, rising; those of other starts are left out."""
        found = [mono_ns + self._shift[boot] for boot, mono_ns in moments if boot in self._shift]
        return np.array(sorted(found), np.int64)


def different(times: Iterable[Ints]) -> list[int]:
    """Which of several rising times are not the same as one before them: points of one reply are read together."""
    taken: list[tuple[int, Ints]] = []
    for number, one in enumerate(times):
        if not any(len(one) == len(other) and np.array_equal(one, other) for _, other in taken):
            taken.append((number, one))
    return [number for number, _ in taken]


def latest(times: Ints, at: Ints, stale_ns: int) -> npt.NDArray[np.intp]:
    """For each moment the last reading by then; -1 where there is none, or none that is still fresh.

    Args:
        times: Of the readings, rising. at: The moments. stale_ns: Age up to which a reading counts.
    """
    found = np.searchsorted(times, at, side="right") - 1
    if len(times):
        found[(found >= 0) & (at - times[found] > stale_ns)] = -1
    return found


def held_ns(times: Ints, cuts: Ints, stale_ns: int) -> Ints:
    """How long each moment stands for what held at it.

    Args:
        times: All moments, rising. cuts: Moments at which whatever held ends (a clock step). stale_ns: At most.
    """
    if not len(times):
        return np.empty(0, np.int64)
    until = np.append(times[1:], times[-1] + stale_ns)
    if len(cuts):
        nearest = np.searchsorted(cuts, times, side="right")
        known = nearest < len(cuts)
        until[known] = np.minimum(until[known], cuts[nearest[known]])
    return np.minimum(until - times, stale_ns)


def settled(times: Ints, operated: Bools, good: Bools, operate_hold_ns: int, release_hold_ns: int) -> Codes:
    """Debounce a contact's readings, as `domain.debounce` does one at a time.

    The first good reading counts at once: readings begin where others were left out, not where the contact began.

    Returns:
        At each reading 1 (operated), 0 (released) or -1 (not yet known).
    """
    n = len(times)
    if not n:
        return np.empty(0, np.int8)
    shown = np.where(good, operated.astype(np.int8), np.int8(-1))
    starts = np.flatnonzero(np.concatenate(([True], shown[1:] != shown[:-1])))
    ends = np.append(starts[1:], n)
    held = np.where(shown[starts] == 1, operate_hold_ns, release_hold_ns)
    counts_from = np.maximum(np.searchsorted(times, times[starts] + held), starts)
    first = np.flatnonzero(shown[starts] >= 0)[:1]
    counts_from[first] = starts[first]
    taken = (shown[starts] >= 0) & (counts_from < ends)
    # A change counts from one of its own readings on, until the next that counts.
    mark = np.full(n, -1, np.int64)
    mark[counts_from[taken]] = starts[taken]
    last = np.maximum.accumulate(mark)
    return np.where(last >= 0, shown[last], np.int8(-1)).astype(np.int8)


def by_minute(start_ms: Ints, span_ns: Ints, hour_utc_ms: int) -> Iterable[tuple[npt.NDArray[np.intp], Ints, Ints]]:
    """Cut spans at the minutes of an hour; what lies outside of the hour is left out.

    Args:
        start_ms: Where each span begins, UTC. span_ns: Its length. hour_utc_ms: Where the hour begins.

    Yields:
        (which span, minute 0 to 59, ns in it): once for the minute in which spans begin, once for the next, and so on.
    """
    begin = (start_ms - hour_utc_ms) * 1_000_000
    end = begin + span_ns
    begin = np.maximum(begin, 0)
    end = np.minimum(end, 60 * MINUTE_NS)
    which = np.flatnonzero(end > begin)
    begin, end = begin[which], end[which]
    while len(which):
        minute = begin // MINUTE_NS
        stop = np.minimum(end, (minute + 1) * MINUTE_NS)
        yield which, minute, stop - begin
        left = end > stop
        which, begin, end = which[left], stop[left], end[left]
