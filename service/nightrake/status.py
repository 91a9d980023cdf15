"""What a running watch says of itself: status, news for a live table, and the points as they read now. Plain values."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightrake import __version__
from nightrake.clock import Clock
from nightrake.domain.inputs import Got
from nightrake.domain.rows import Row
from nightrake.domain.site import PointSpec, SiteSpec
from nightrake.domain.view import drive_view
from nightrake.field.probe import Probed

if TYPE_CHECKING:
    from nightrake.app import Watch


def row_view(row: Row) -> dict[str, Any]:
    """A journal row as plain values."""
    return {
        "id": row.id,
        "seq": row.seq,
        "kind": row.kind,
        "event": row.event,
        "drive": row.drive,
        "direction": row.direction,
        "utc_ms": row.utc_ms,
        "boot_id": row.boot_id,
        "mono_ns": row.mono_ns,
        "data": json.loads(row.payload),
    }


def _drives(watch: Watch, clock: Clock) -> list[dict[str, Any]]:
    state, mono_ns, utc_ms = watch.engine.state, clock.mono_ns(), clock.utc_ms()
    return [drive_view(state, drive, mono_ns, utc_ms) for drive in state.drives]


def news_of(watch: Watch, clock: Clock, after: int) -> dict[str, Any]:
    """Drives as they stand, and the journal rows told since number `after`."""
    rows = [row for row in watch.recent if row.seq > after]
    return {
        "seq": rows[-1].seq if rows else after,
        "rows": [row_view(r) for r in rows],
        "drives": _drives(watch, clock),
    }


def status_of(watch: Watch, clock: Clock) -> dict[str, Any]:
    """Everything that `nightrake status` shows."""
    settings, store = watch.settings, watch.store
    plcs = {}
    totals = dict.fromkeys(("due", "done", "late", "missed", "requests"), 0)
    for name, poller in watch.pollers.pollers.items():
        stats = poller.stats
        up, detail = poller.link_state
        plcs[name] = {
            "up": up,
            "detail": detail,
            "due": stats.due,
            "done": stats.done,
            "late": stats.late,
            "missed": stats.missed,
            "requests": stats.requests,
            "connects": stats.connects,
            "round_trip_ms": round(stats.round_trip_ms, 2),
            "outcomes": dict(stats.got),
        }
        for key in totals:
            totals[key] += getattr(stats, key)
    return {
        "version": __version__,
        "site": {"id": settings.site.id, "name": settings.site.name},
        "settings": settings.digest,
        "uptime_s": round((clock.mono_ns() - watch.began_ns) / 1e9, 1),
        "memory_mb": round(_resident_mb(), 1),
        "drives": _drives(watch, clock),
        "plcs": plcs,
        "scans": totals,
        "links": {k: {"up": up, "detail": detail} for k, (up, detail) in watch.engine.state.links.items()},
        "store": {"epoch": store.epoch, "last_seq": watch.engine.last_seq, **store.stats().as_dict()},
        "mqtt": watch.teller.stats.as_dict(),
        "forward": watch.forwarding.status(),
        "undurable": watch.engine.counts["undurable"],
    }


def _resident_mb() -> float:
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    except (OSError, ValueError, IndexError):
        return 0.0
    return pages * 4096 / 1e6


Probe = Callable[[str, Sequence[PointSpec]], Awaitable[list[Probed]]]


async def probe_site(site: SiteSpec, probe: Probe) -> list[dict[str, Any]]:
    """Read every configured point once, PLC by PLC at the same time."""

    async def one(endpoint: str) -> dict[PointSpec, Probed]:
        points = {p for d in site.drives.values() for p in d.points().values() if p.endpoint == endpoint}
        ordered = sorted(points, key=lambda p: (p.unit, p.table, p.address, p.bit))
        return {p.point: p for p in await probe(endpoint, ordered)}

    found: dict[PointSpec, Probed] = {}
    for part in await asyncio.gather(*(one(e) for e in site.endpoints)):
        found |= part
    results = []
    for drive in site.drives.values():
        for role, point in drive.points().items():
            p = found[point]
            results.append(
                {
                    "drive": drive.id,
                    "role": role,
                    "got": Got(p.got).name,
                    "data": p.data.hex(),
                    "detail": p.detail,
                    "round_trip_ms": round(p.round_trip_ms, 2),
                    "unit": p.unit,
                    "transaction": p.transaction,
                    "asked_transaction": p.asked_transaction,
                }
            )
    return results
