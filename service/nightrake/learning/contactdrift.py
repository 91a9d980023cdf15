"""Whether a contact still operates where it was set: positions at make and break in service against the record. Pure.

A scan shows an operation some way late: the contact was released at one scan and operated at the next, so the arm's
position lies between those of the two. How far apart they are is given by scan period and rate of rise; each operation
keeps both bounds, and they go into the interval.

The drift is the median over operations, so that a few strange ones do not move it, and its interval the one of the sign
test: the k-th smallest lower bound to the k-th largest upper bound, which holds whatever the distribution is.

Source: order statistics as limits of a median, for instance Hollander and Wolfe, Nonparametric Statistical Methods, 3.6
(from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.learning.contactdrifttold import told
from nightrake.learning.contactdrifttypes import (
    BOUNCE_MS,
    FAR,
    LEAST,
    RECORD,
    ROWS,
    SCANS,
    UNSET,
    WANTED,
    WIDE,
    Drift,
    Operation,
    SetPoint,
)
from nightrake.learning.trend import Span

STILL = 0.02
"""Share of its position within which the arm counts as standing still."""
Floats = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]

__all__ = [
    "RECORD",
    "ROWS",
    "SCANS",
    "UNSET",
    "Drift",
    "Operation",
    "SetPoint",
    "Span",
    "Track",
    "drift",
    "median_of",
    "placed",
    "rank",
    "seen_late",
]

# --- where it operated ------------------------------------------------------------------------------------------------


class Track(NamedTuple):
    """Readings of one point, rising in time; NaN: not read well; of a contact 1 = operated, 0 = released."""

    utc_ms: I64
    value: Floats


def placed(contact: Track, position: Track, longest_ms: int, source: str = SCANS) -> list[Operation]:
    """Every change of a contact, with the arm's position between the scans on either side of it.

    Args:
        contact: See there. position: mm, magnitude. longest_ms: Between two readings that still belong together.
    """
    good = ~np.isnan(contact.value)
    utc_ms, value = contact.utc_ms[good], contact.value[good]
    there = ~np.isnan(position.value)
    at_ms, mm = position.utc_ms[there].astype(np.float64), position.value[there]
    found = []
    for k in np.flatnonzero(np.diff(value) != 0.0).tolist():
        begin_ms, end_ms = int(utc_ms[k]), int(utc_ms[k + 1])
        operated = bool(value[k + 1] == 1.0)
        if end_ms - begin_ms > longest_ms:
            found.append(_unplaced(end_ms, operated, source, f"not read for {(end_ms - begin_ms) / 1000:.0f} s"))
            continue
        first, last = (_at(at_ms, mm, t, longest_ms) for t in (begin_ms, end_ms))
        if math.isnan(first) or math.isnan(last):
            found.append(_unplaced(end_ms, operated, source, "the arm's position was not read"))
            continue
        inside = mm[(at_ms >= begin_ms) & (at_ms <= end_ms)]
        low, high = min(first, last, *inside), max(first, last, *inside)
        rate = (last - first) / max(end_ms - begin_ms, 1) * 1000.0
        way = last - first if operated else first - last
        left_out = "" if way > -STILL * abs(last) else "the arm moved the other way meanwhile"
        found.append(Operation(end_ms, operated, low, 0.5 * (first + last), high, rate, source, left_out))
    return found


def _unplaced(utc_ms: int, operated: bool, source: str, why: str) -> Operation:
    return Operation(utc_ms, operated, math.nan, math.nan, math.nan, math.nan, source, why)


def _at(at_ms: Floats, mm: Floats, utc_ms: int, longest_ms: int) -> float:
    """Position at a moment, in a straight line between readings; the last one where none follows soon. NaN = none."""
    after = int(np.searchsorted(at_ms, utc_ms))
    before = after - 1
    has_after = after < len(at_ms) and at_ms[after] - utc_ms <= longest_ms
    has_before = before >= 0 and utc_ms - at_ms[before] <= longest_ms
    if has_after and has_before:
        return float(np.interp(utc_ms, at_ms[before : after + 1], mm[before : after + 1]))
    return float(mm[after]) if has_after else float(mm[before]) if has_before else math.nan


def seen_late(utc_ms: int, operated: bool, seen_mm: float, other_mm: float, share: float) -> Operation:
    """An operation of which only the journal's row is left, bounded by how far the arm went in the minutes about it.

    Args:
        seen_mm: Position in the row. other_mm: The lowest of these minutes (of a release: the highest).
        share: Scan period as a share of a minute: the best guess lies half of so far from what was seen.
    """
    other_mm = min(other_mm, seen_mm) if operated else max(other_mm, seen_mm)
    mid_mm = seen_mm + 0.5 * min(1.0, share) * (other_mm - seen_mm)
    low_mm, high_mm = min(seen_mm, other_mm), max(seen_mm, other_mm)
    return Operation(utc_ms, operated, low_mm, mid_mm, high_mm, math.nan, ROWS)


# --- what they say ----------------------------------------------------------------------------------------------------


def drift(contact: str, operations: Iterable[Operation], set_point: SetPoint, remarks: Sequence[str] = ()) -> Drift:
    """Judge one contact.

    Args:
        contact: As text, ``PC1/forward/alarm/A``. operations: In service, any order. remarks: Handed on.
    """
    every = [one for one in sorted(operations) if one.utc_ms >= set_point.since_utc_ms]
    judged = tuple(_judged(every, set_point))
    made = [one for one in judged if one.operated and not one.left_out]
    broken = [one for one in judged if not one.operated and not one.left_out]
    place, confidence = median_of(made) if len(made) >= LEAST else (None, math.nan)
    release = median_of(broken)[0] if len(broken) >= LEAST else None
    off = _less(place, set_point.operating_mm)
    nm = off.mid * set_point.nm_per_mm if off is not None else math.nan
    _, direction, stage, channel = contact.split("/")
    found = Drift(
        contact,
        stage,
        channel,
        direction,
        set_point,
        n=len(made),
        place_mm=place,
        drift_mm=off,
        confidence=confidence,
        drift_nm=nm,
        drift_percent=100.0 * nm / set_point.shutdown_nm if set_point.shutdown_nm > 0.0 else math.nan,
        is_off=off is not None and (off.low > 0.0 or off.high < 0.0),
        n_releases=len(broken),
        differential_mm=_between(place, release),
        operations=judged,
        sentence="",
        remarks=tuple(remarks),
    )
    return told(found)


def _judged(every: Sequence[Operation], set_point: SetPoint) -> Iterable[Operation]:
    """Each with the reason why it does not count, if it does not."""
    release_mm = set_point.operating_mm if math.isnan(set_point.release_mm) else set_point.release_mm
    last: dict[bool, int] = {}
    for one in every:
        soon = one.operated in last and one.utc_ms - last[one.operated] < BOUNCE_MS
        last[one.operated] = one.utc_ms
        set_mm = set_point.operating_mm if one.operated else release_mm
        yield one._replace(left_out=_why_not(one, set_mm, soon=soon))


def _why_not(one: Operation, set_mm: float, *, soon: bool) -> str:
    if soon or math.isnan(one.mid_mm):
        return "within a minute of the one before" if soon else one.left_out or "the arm's position was not read"
    scale_mm = set_mm if not math.isnan(set_mm) else abs(one.mid_mm)
    if one.low_mm > (1.0 + FAR) * scale_mm or one.high_mm < (1.0 - FAR) * scale_mm:
        return "the arm was far from where it is set"
    if one.high_mm - one.low_mm > WIDE * scale_mm:
        return "the arm moved too fast to say where"
    return one.left_out


def median_of(some: Sequence[Operation]) -> tuple[Span, float]:
    """Median of the places of some operations, its interval, and the confidence of that."""
    n = len(some)
    k, confidence = rank(n)
    low, high = (np.sort([one[column] for one in some]) for column in (2, 4))
    mid = float(np.median([one.mid_mm for one in some]))
    return Span(min(float(low[k - 1]), mid), mid, max(float(high[n - k]), mid)), confidence


def rank(n: int) -> tuple[int, float]:
    """Which order statistics from either end bound the median of n with 95 %, and how sure they are of it.

    Returns:
        The rank, 1 or more, and the confidence; with fewer than six it is less than 95 %.
    """
    k, tail = 1, 0.5**n
    while True:
        more = tail + math.comb(n, k) * 0.5**n
        if 1.0 - 2.0 * more < WANTED or k + 1 > n // 2:
            return k, max(0.0, 1.0 - 2.0 * tail)
        k, tail = k + 1, more


def _less(place: Span | None, set_mm: float) -> Span | None:
    return Span(*(one - set_mm for one in place)) if place is not None and not math.isnan(set_mm) else None


def _between(place: Span | None, release: Span | None) -> Span | None:
    if place is None or release is None:
        return None
    return Span(place.low - release.high, place.mid - release.mid, place.high - release.low)
