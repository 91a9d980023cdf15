"""Time passes: what falls due without a new reading, and blocks that nobody has read for too long. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from nightrake.domain.drive import EMPTY, is_due, judge
from nightrake.domain.inputs import Tick
from nightrake.domain.rows import Entry
from nightrake.domain.scan import raws_of, with_age
from nightrake.domain.state import NOTHING, EndpointState, Outcome, SiteState
from nightrake.domain.wiring import Raw, Reader

STALE = "stale: not read in time"


def on_tick(state: SiteState, tick: Tick, long_way: bool) -> tuple[SiteState, Outcome]:
    """Let time pass for the whole site.

    Args:
        long_way: Judge what is due the long way (test only).
    """
    now_ns = tick.mono_ns
    work: dict[str, list[Raw]] = {}
    endpoints = _stale(state, now_ns, work)
    due = [d for d, s in state.drives.items() if is_due(s, now_ns, tick.utc_ms) or d in work]
    if not due and endpoints is state.endpoints:
        return state, NOTHING
    drives = dict(state.drives)
    entries: tuple[Entry, ...] = ()
    changed: list[str] = []
    for drive in due:
        before = drives[drive]
        raws = tuple(work[drive]) if drive in work else before.raws
        after, told = judge(state.wires[drive], before, raws, EMPTY, now_ns, tick.utc_ms, long_way=long_way)
        drives[drive] = after
        if told:
            entries += with_age(told, state.wires[drive], endpoints, now_ns)
        if after.protection != before.protection:
            changed.append(drive)
    return state._replace(drives=drives, endpoints=endpoints), Outcome(entries, tuple(changed), judged=tuple(due))


def _stale(state: SiteState, now_ns: int, work: dict[str, list[Raw]]) -> Mapping[str, EndpointState]:
    """Blocks that nobody has read for too long: even silence is a scan, so the poller itself is stuck."""
    endpoints = state.endpoints
    for name, endpoint in state.endpoints.items():
        for index, reply in enumerate(endpoint.blocks):
            if reply is None:
                continue
            late = [r for r in endpoint.wire.readers[index] if _is_late(state, r, now_ns - reply.mono_ns)]
            for reader in late:
                raws = raws_of(state, work, reader.drive)
                for slot in reader.slots:
                    raws[slot] = STALE
            if late and index not in endpoint.stale:
                now = endpoints[name]
                endpoints = {**endpoints, name: now._replace(stale=now.stale | {index})}
    return endpoints


def _is_late(state: SiteState, reader: Reader, age_ns: int) -> bool:
    """Whether a drive's values from one block have just become too old (each drive has its own limit)."""
    if age_ns <= state.wires[reader.drive].spec.stale_ns:
        return False
    raws = state.drives[reader.drive].raws
    return any(raws[slot] != STALE for slot in reader.slots)
