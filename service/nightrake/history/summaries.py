"""One drive's hour: what was read in it -> sixty minutes, the hour, and the counts that both stand on. Pure.

Everything is a function of the readings of the hour (with those just before and after it), whatever the order or the
pieces in which they came: so an hour that is built again because something came late is as if it had never been late.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from nightrake.commissioning.convert import ABSENT, BELOW, BEYOND, EXACT
from nightrake.domain.site import DriveSpec, PointSpec, ValueType
from nightrake.history.basis import SIDES, Basis, basis_of
from nightrake.history.histogram import Floats, Histogram, Ints, histogram, quantile, steps_of
from nightrake.history.moments import Moments, moments
from nightrake.history.rows import CODES, MINUTE_MS, STATISTICS, Grain, Table, blank, columns_of
from nightrake.history.states import States, states_of, trusted
from nightrake.history.timeline import Axis, Codes, Track, by_minute, different, held_ns, joined, latest

STOPPED, RUNNING, NOT_KNOWN = 0, 1, 2
"""What run feedback said."""
_LARGEST = float(np.finfo(np.float32).max)
_CODE = {EXACT: "exact", BELOW: "below", BEYOND: "beyond"}


class Share(NamedTuple):
    """What was read of a drive under one set of settings.

    Attributes:
        spec: The drive as they have it. tracks: Readings by role (`DriveSpec.points`).
    """

    spec: DriveSpec
    tracks: Mapping[str, Track]


class Entry(NamedTuple):
    """Counts of one kind of reading.

    Attributes:
        basis: Digest of what turns its steps into torque. side: `basis.FORWARD` or `REVERSE`.
        running: STOPPED, RUNNING or NOT_KNOWN. steps: The counts.
    """

    basis: str
    side: int
    running: int
    steps: Histogram


class Hour(NamedTuple):
    """Summary of one drive's hour.

    Attributes:
        minutes: Sixty rows. hour: One row. entries: Counts, in a fixed order. bases: Those that they name.
    """

    minutes: Table
    hour: Table
    entries: tuple[Entry, ...]
    bases: Mapping[str, Basis]


class _Torques(NamedTuple):
    """Readings of the position within the hour, of one share."""

    minute: Ints
    side: Codes
    torque_nm: Floats
    code: Codes
    running: Codes


def summarise(hour_utc_ms: int, shares: Sequence[Share], cuts: Iterable[tuple[int, int]] = ()) -> Hour:
    """Summarise one drive's hour.

    Args:
        hour_utc_ms: Where it begins, UTC, a whole hour.
        shares: What was read, by settings; readings of the time around the hour only bound what held in it.
        cuts: Moments (start of the machine, monotonic ns) at which the clock was set: nothing holds beyond them.
    """
    shares = [s._replace(tracks={role: joined([track]) for role, track in s.tracks.items()}) for s in shares]
    everything = [track for share in shares for track in share.tracks.values() if len(track.boot)]
    directions = [side for side in SIDES if any(side in share.spec.directions for share in shares)]
    columns = columns_of(directions)
    minutes, hour = blank(columns, Grain.MINUTE, 60), blank(columns, Grain.HOUR, 1)
    if not everything:
        return Hour(minutes, hour, (), {})
    axis = Axis(everything)
    ends = axis.cuts(cuts)
    moments_all = _moments_of(everything, axis)
    found: list[_Torques] = []
    entries: list[Entry] = []
    bases: dict[str, Basis] = {}
    for share in shares:
        states = states_of(share.spec, trusted(share.spec, share.tracks, axis), axis)
        _add_times(minutes, share.spec, states, _spans(states, moments_all, ends, share.spec.stale_ns), hour_utc_ms)
        torques, steps, basis = _torques(share, states, axis, hour_utc_ms)
        if basis is not None and len(steps):
            bases[basis.digest] = basis
            entries += _entries(basis.digest, torques, steps)
        minutes["drive.readings"] += np.bincount(torques.minute, minlength=60).astype(np.int32)
        found.append(torques)
    _add_torques(minutes, hour, _Torques(*(np.concatenate(column) for column in zip(*found, strict=True))))
    _sum_up(minutes, hour)
    return Hour(minutes, hour, tuple(sorted(entries, key=lambda e: e[:3])), bases)


def _moments_of(tracks: Sequence[Track], axis: Axis) -> Ints:
    """Every moment at which anything was read."""
    times = [axis.of(track) for track in tracks]
    return np.unique(np.concatenate([times[i] for i in different(times)]))


def _spans(states: States, moments_all: Ints, cuts: Ints, stale_ns: int) -> Ints:
    """How long each moment of a share lasts: until anything is read again, under whichever settings."""
    return held_ns(moments_all, cuts, stale_ns)[np.searchsorted(moments_all, states.times)]


def _add_times(minutes: Table, spec: DriveSpec, states: States, spans: Ints, hour_utc_ms: int) -> None:
    """Time in each state, cut at the minutes."""
    for which, minute, ns in by_minute(states.utc_ms, spans, hour_utc_ms):
        _put(minutes, "drive.covered_ns", minute, ns)
        for name, yes in (
            ("drive.good_ns", states.good),
            ("drive.running_ns", states.running == RUNNING),
            ("drive.stopped_ns", states.running == STOPPED),
        ):
            mine = yes[which]
            _put(minutes, name, minute[mine], ns[mine])
        for side in spec.directions:
            for number, stage in enumerate(("normal", "alarm", "shutdown", "unknown")):
                mine = states.stage[side][which] == number
                _put(minutes, f"{side}.time.{stage}_ns", minute[mine], ns[mine])


def _put(table: Table, column: str, minute: Ints, ns: Ints) -> None:
    # A float holds whole ns up to 104 days.
    table[column] += np.bincount(minute, weights=ns, minlength=60).astype(np.int64)


def raw_steps(value: Floats, point: PointSpec) -> Ints:
    """Decoded values as raw steps: scale and offset undone, exactly for whole numbers."""
    raw = value if (point.scale, point.offset) == (1.0, 0.0) else (value - point.offset) / point.scale
    if point.type is not ValueType.FLOAT32:
        return steps_of(np.rint(raw), point.type)
    # Rounding by scale and offset may carry the very largest numbers past the end.
    return steps_of(np.clip(raw, -_LARGEST, _LARGEST), point.type)


def _torques(share: Share, states: States, axis: Axis, hour_utc_ms: int) -> tuple[_Torques, Ints, Basis | None]:
    """Readings of the position within the hour; last: their raw steps, where they were read well."""
    track, basis = share.tracks.get("position"), basis_of(share.spec)
    none = np.empty(0, np.int8)
    if track is None or basis is None:
        return _Torques(np.empty(0, np.int64), none, np.empty(0), none, none), np.empty(0, np.int64), None
    good = states.position_good
    inside = np.flatnonzero((track.utc_ms >= hour_utc_ms) & (track.utc_ms < hour_utc_ms + 60 * MINUTE_MS))
    track, good = track.at(inside), good[inside]
    n = len(inside)
    side, torque_nm, code = np.full(n, -1, np.int8), np.full(n, np.nan), np.full(n, ABSENT, np.int8)
    steps = raw_steps(track.value[good], basis.position.point)
    # Many readings, few different ones: each is converted once.
    different, back = np.unique(steps, return_inverse=True)
    converted = basis.convert(different)
    side[good], torque_nm[good], code[good] = (
        column[back] for column in (converted.side, converted.torque_nm, converted.code)
    )
    there = side[good] >= 0
    running = np.full(n, NOT_KNOWN, np.int8)
    at = latest(states.times, axis.of(track), share.spec.stale_ns)
    running[at >= 0] = states.running[at[at >= 0]]
    minute = (track.utc_ms - hour_utc_ms) // MINUTE_MS
    placed = np.full(n, -1, np.int64)
    placed[np.flatnonzero(good)[there]] = steps[there]
    keep = placed[side >= 0]
    return _Torques(minute, side, torque_nm, code, running), keep, basis


def _entries(digest: str, torques: _Torques, steps: Ints) -> list[Entry]:
    there = torques.side >= 0
    side, running = torques.side[there], torques.running[there]
    found = []
    for which in range(len(SIDES)):
        for feedback in (STOPPED, RUNNING, NOT_KNOWN):
            mine = (side == which) & (running == feedback)
            if mine.any():
                found.append(Entry(digest, which, feedback, histogram(steps[mine])))
    return found


def _add_torques(minutes: Table, hour: Table, all_of: _Torques) -> None:
    """Statistics and codes of all readings, for each minute and for the hour."""
    absent = all_of.code == ABSENT
    minutes["drive.absent"] += np.bincount(all_of.minute[absent], minlength=60).astype(np.int32)
    for number, side in enumerate(SIDES):
        if f"{side}.time.exact" not in minutes:
            continue
        mine = (all_of.side == number) & ~absent
        for code, name in _CODE.items():
            chosen = all_of.minute[mine & (all_of.code == code)]
            minutes[f"{side}.time.{name}"] += np.bincount(chosen, minlength=60).astype(np.int32)
        for group, some in (("all", mine), ("running", mine & (all_of.running == RUNNING))):
            _statistics(minutes, hour, f"{side}.{group}", all_of.minute[some], all_of.torque_nm[some])


def _statistics(minutes: Table, hour: Table, part: str, minute: Ints, torque_nm: Floats) -> None:
    """Of readings of one side and group, sorted so that their order of arrival cannot move a rounding."""
    if not len(minute):
        return
    order = np.lexsort((torque_nm, minute))
    minute, torque_nm = minute[order], torque_nm[order]
    starts = np.flatnonzero(np.diff(minute, prepend=-1))
    which, n = minute[starts], np.diff(starts, append=len(minute))
    off = torque_nm - np.repeat(torque_nm[starts], n)
    mean = np.add.reduceat(off, starts) / n
    off -= np.repeat(mean, n)
    m2 = np.maximum(np.add.reduceat(off * off, starts) - np.add.reduceat(off, starts) ** 2 / n, 0.0)
    spread = np.full(len(n), np.nan)
    spread[n > 1] = np.sqrt(m2[n > 1] / (n[n > 1] - 1))
    values = (
        n,
        torque_nm[starts],
        np.minimum(torque_nm[starts] + mean, torque_nm[starts + n - 1]),
        torque_nm[starts + n - 1],
        spread,
        _quantiles(torque_nm, starts, n, 0.5),
        _quantiles(torque_nm, starts, n, 0.95),
    )
    for name, column in zip(STATISTICS, values, strict=True):
        minutes[f"{part}.{name}"][which] = column
    torque_nm = np.sort(torque_nm)
    row(hour, 0, part, moments(torque_nm), torque_nm, np.ones(len(torque_nm), np.int64))


def _quantiles(values: Floats, starts: Ints, n: Ints, share: float) -> Floats:
    at = (n - 1) * share
    below = at.astype(np.int64)
    low = values[starts + below]
    high = values[starts + np.minimum(below + 1, n - 1)]
    out: Floats = np.minimum(low + (high - low) * (at - below), high)
    return out


def row(table: Table, at: int, part: str, found: Moments, values: Floats, counts: Ints) -> None:
    """Put one row's statistics in.

    Args:
        found: Number, mean, spread and ends. values, counts: For the quantiles, rising.
    """
    numbers = (found.n, found.low, found.mean, found.high, found.std)
    for name, value in zip(STATISTICS, numbers, strict=False):
        table[f"{part}.{name}"][at] = value
    table[f"{part}.median_nm"][at] = quantile(values, counts, 0.5)
    table[f"{part}.p95_nm"][at] = quantile(values, counts, 0.95)


def _sum_up(minutes: Table, hour: Table) -> None:
    """Counts and times of the hour are those of its minutes."""
    for name, column in minutes.items():
        if name.endswith("_ns") or name.rpartition(".")[2] in (*CODES, "readings", "absent"):
            hour[name][0] = column.sum()
