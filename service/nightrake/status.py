"""What a running watch says of itself: status, news for a live table, and the points as they read now. Plain values."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import TypeAdapter, ValidationError

from nightrake import __version__
from nightrake.clock import Clock
from nightrake.domain.alarmview import alarms_summary
from nightrake.domain.inputs import Got
from nightrake.domain.rows import Row
from nightrake.domain.site import EndpointSpec, PointSpec
from nightrake.domain.view import drive_view
from nightrake.errors import ControlError
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


AT_ONCE = 10
"""Drives that are looked at before the scans have their turn again."""


async def _drives(watch: Watch, clock: Clock) -> list[dict[str, Any]]:
    """All of one moment, however long it takes: the state is a value."""
    state, mono_ns, utc_ms = watch.engine.state, clock.mono_ns(), clock.utc_ms()
    views = []
    for number, drive in enumerate(state.drives):
        if number % AT_ONCE == AT_ONCE - 1:
            await asyncio.sleep(0)
        views.append(drive_view(state, drive, mono_ns, utc_ms))
    return views


async def news_of(watch: Watch, clock: Clock, after: int) -> dict[str, Any]:
    """Drives as they stand, and the journal rows told since number `after`."""
    drives = await _drives(watch, clock)
    rows = [row for row in watch.recent if row.seq > after]
    return {
        "seq": rows[-1].seq if rows else after,
        "rows": [row_view(r) for r in rows],
        "drives": drives,
    }


async def status_of(watch: Watch, clock: Clock) -> dict[str, Any]:
    """Everything that `nightrake status` shows."""
    drives = await _drives(watch, clock)
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
        "alarms": alarms_summary(watch.engine.state),
        "settings": settings.digest,
        "uptime_s": round((clock.mono_ns() - watch.began_ns) / 1e9, 1),
        "memory_mb": round(_resident_mb(), 1),
        "drives": drives,
        "plcs": plcs,
        "scans": totals,
        "links": links_shown(watch.engine.state.links, forwards=settings.forward.enabled),
        "store": {"epoch": store.epoch, "last_seq": watch.engine.last_seq, **store.stats().as_dict()},
        "mqtt": watch.teller.stats.as_dict(),
        "forward": watch.forwarding.status(),
        "history": watch.keeping.status(),
        "learning": watch.learning.status(),
        "page": watch.page.status(),
        "undurable": watch.engine.counts["undurable"],
        "log": {"waiting": watch.log.waiting, "dropped": watch.log.dropped},
    }


def links_shown(links: Mapping[str, tuple[bool, str]], *, forwards: bool) -> dict[str, Any]:
    """Links of ours as last told; that to the store is none while nothing is forwarded to it."""
    return {k: {"up": up, "detail": detail} for k, (up, detail) in links.items() if k != "store" or forwards}


def _resident_mb() -> float:
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    except (OSError, ValueError, IndexError):
        return 0.0
    return pages * 4096 / 1e6


MOST_POINTS = 500
"""Points of one request to read."""
_POINTS: TypeAdapter[list[PointSpec]] = TypeAdapter(list[PointSpec])


def points_plain(points: Sequence[PointSpec]) -> list[dict[str, Any]]:
    """Points as plain values, to be sent over the control socket."""
    plain: list[dict[str, Any]] = _POINTS.dump_python(list(points), mode="json")
    return plain


def points_given(plain: Any, endpoint: EndpointSpec) -> list[PointSpec]:
    """The points that `points_plain` wrote, checked: they come from another process.

    Raises:
        ControlError: They are no points of this PLC.
    """
    try:
        points = _POINTS.validate_python(plain)
    except ValidationError as error:
        raise ControlError(f"these are no points: {error.error_count()} mistakes") from error
    if len(points) > MOST_POINTS:
        raise ControlError(f"{len(points)} points in one request; {MOST_POINTS} are allowed")
    for p in points:
        last = 65535 if p.table.holds_bits else 65536 - p.words
        if p.endpoint != endpoint.id or not 0 <= p.unit <= 255 or not 0 <= p.address <= last:
            raise ControlError(f"{p.endpoint[:32]} unit {p.unit} {p.table} {p.address} is no point of {endpoint.id}")
    return points


def probed_plain(probed: Probed) -> dict[str, Any]:
    """One point as it was just read, as plain values."""
    return {
        "got": Got(probed.got).name,
        "data": probed.data.hex(),
        "detail": probed.detail,
        "round_trip_ms": round(probed.round_trip_ms, 2),
        "unit": probed.unit,
        "transaction": probed.transaction,
        "asked_transaction": probed.asked_transaction,
    }
