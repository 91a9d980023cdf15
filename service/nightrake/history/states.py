"""What readings say of a drive at each moment: stage of each direction, run feedback, whether all was read well. Pure.

As `domain` judges live, for arrays: a stage is operated when any of its channels that read well is, and known when
one reads well; a dead rack or a heartbeat that stands still takes the trust from what comes the same way.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from nightrake.domain.site import ContactSpec, Direction, DriveSpec, Stage
from nightrake.domain.wiring import wire_drive
from nightrake.history.histogram import Ints
from nightrake.history.series import positions
from nightrake.history.timeline import Axis, Bools, Codes, Track, different, latest, settled

NORMAL, ALARM, SHUTDOWN, UNKNOWN = 0, 1, 2, 3
_NOT_KNOWN = 2


class States(NamedTuple):
    """One drive over the moments at which anything of it was read.

    Attributes:
        times: The moments, on the common axis. utc_ms: Their stamps.
        stage: For each direction NORMAL, ALARM, SHUTDOWN or UNKNOWN. running: 1, 0, or 2 where it is not known.
        good: Whether position, contacts and run feedback, as far as there are any, all read well.
        position_good: For each reading of the position: whether it can be trusted.
    """

    times: Ints
    utc_ms: Ints
    stage: Mapping[Direction, Codes]
    running: Codes
    good: Bools
    position_good: Bools


def trusted(spec: DriveSpec, tracks: Mapping[str, Track], axis: Axis) -> dict[str, Track]:
    """The tracks; what a dead rack or a frozen heartbeat blocks, and currents that are no measurement, is not good."""
    wire = wire_drive(spec)
    out = dict(tracks)
    position = tracks.get("position")
    if position is not None and spec.position is not None:
        is_measured = ~np.isnan(positions(np.where(position.good, position.value, np.nan), spec.position))
        out["position"] = position._replace(good=position.good & is_measured)
    rack, beat = tracks.get("rack_healthy"), tracks.get("heartbeat")
    if rack is not None and len(rack.boot):
        dead = rack.good & (rack.value != wire.rack_true)
        _block(out, [wire.roles[i] for i in wire.by_rack], rack, dead, axis, spec.stale_ns)
    if beat is not None and len(beat.boot):
        frozen = _frozen(beat, axis.of(beat), spec.heartbeat_ns)
        _block(out, [wire.roles[i] for i in wire.by_heartbeat], beat, frozen, axis, spec.stale_ns)
    return out


def _frozen(beat: Track, times: Ints, limit_ns: int) -> Bools:
    """Where the heartbeat has stood still for too long. The first reading counts as a change."""
    value = beat.value.copy()
    value[~beat.good] = np.nan
    changed = np.concatenate(([True], (value[1:] != value[:-1]) & beat.good[1:]))
    since = times[np.maximum.accumulate(np.where(changed, np.arange(len(times)), 0))]
    return beat.good & (times - since > limit_ns)


def _block(tracks: dict[str, Track], roles: list[str], by: Track, blocked: Bools, axis: Axis, stale_ns: int) -> None:
    if not blocked.any():
        return
    times = axis.of(by)
    for role in roles:
        track = tracks.get(role)
        if track is not None:
            at = latest(times, axis.of(track), stale_ns)
            tracks[role] = track._replace(good=track.good & ~((at >= 0) & blocked[at]))


def states_of(spec: DriveSpec, tracks: Mapping[str, Track], axis: Axis) -> States:
    """What the readings say.

    Args:
        spec: The drive. tracks: Its readings by role, each in order. axis: Holds all of them.
    """
    placed = {role: (axis.of(track), track) for role, track in tracks.items() if len(track.boot)}
    if not placed:
        none = np.empty(0, np.int64)
        codes, no = none.astype(np.int8), none.astype(np.bool_)
        return States(none, none, dict.fromkeys(spec.directions, codes), codes, no, no)
    every = list(placed.values())
    own = [every[i] for i in different(t for t, _ in every)]
    times, first = np.unique(np.concatenate([t for t, _ in own]), return_index=True)
    utc_ms = np.concatenate([track.utc_ms for _, track in own])[first]
    good = np.ones(len(times), np.bool_)
    contacts: dict[str, Codes] = {}
    for contact in spec.contacts:
        contacts[str(contact.id)] = code = _contact(contact, placed, times, spec.stale_ns)
        good &= code >= 0
    running = np.full(len(times), _NOT_KNOWN, np.int8)
    if spec.running is not None:
        running = _bit(placed.get("running"), times, spec.stale_ns, spec.running.true_bit)
        good &= running != _NOT_KNOWN
    position = placed.get("position")
    if spec.position is not None:
        good &= _fresh(position, times, spec.stale_ns)
    stage = {side: _stage(spec, side, contacts, len(times)) for side in spec.directions}
    trust = position[1].good if position is not None else np.empty(0, np.bool_)
    return States(times, utc_ms, stage, running, good, trust)


_Placed = tuple[Ints, Track]


def _contact(contact: ContactSpec, placed: Mapping[str, _Placed], times: Ints, stale_ns: int) -> Codes:
    """1 operated, 0 released, -1 not known, at each moment."""
    found = placed.get(f"contact:{contact.id.direction}/{contact.id.stage}/{contact.id.channel}")
    if found is None:
        return np.full(len(times), -1, np.int8)
    own, track = found
    operated = track.value == contact.operated_bit
    code = settled(own, operated, track.good, contact.debounce_operate_ns, contact.debounce_release_ns)
    code[~track.good] = -1
    at = latest(own, times, stale_ns)
    return np.where(at >= 0, code[at], np.int8(-1)).astype(np.int8)


def _bit(found: _Placed | None, times: Ints, stale_ns: int, true_bit: int) -> Codes:
    if found is None:
        return np.full(len(times), _NOT_KNOWN, np.int8)
    own, track = found
    code = np.where(track.good, (track.value == true_bit).astype(np.int8), np.int8(_NOT_KNOWN))
    at = latest(own, times, stale_ns)
    return np.where(at >= 0, code[at], np.int8(_NOT_KNOWN)).astype(np.int8)


def _fresh(found: _Placed | None, times: Ints, stale_ns: int) -> Bools:
    if found is None:
        return np.zeros(len(times), np.bool_)
    own, track = found
    at = latest(own, times, stale_ns)
    return (at >= 0) & track.good[at]


def _stage(spec: DriveSpec, side: Direction, contacts: Mapping[str, Codes], n: int) -> Codes:
    """The higher stage that is operated; normal only where each stage is known."""
    known, operated = np.ones(n, np.bool_), {}
    any_at_all = False
    for stage in (Stage.ALARM, Stage.SHUTDOWN):
        mine = [contacts[str(c.id)] for c in spec.contacts if c.id.direction is side and c.id.stage is stage]
        if mine:
            any_at_all = True
            most = np.max(mine, axis=0)
            known &= most >= 0
            operated[stage] = most == 1
    out = np.where(known & any_at_all, np.int8(NORMAL), np.int8(UNKNOWN)).astype(np.int8)
    for stage, code in ((Stage.ALARM, ALARM), (Stage.SHUTDOWN, SHUTDOWN)):
        if stage in operated:
            out[operated[stage]] = code
    return out
