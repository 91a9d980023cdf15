"""What the page is told of the site: one stream of messages, paid for once, whatever the number of browsers.

First the site, then everything, then what changes, at most twice a second, slice by slice so that the scans have their
turn. Only the page worker may listen, over its own channel; it asks for the whole while anybody looks at the page, and
otherwise for a sign of life only.

    {"site": ...}  {"at", "drives"}  {"at", "values"}  {"alarms"}  {"rows"}  {"service"}  {"complete": true}  {"alive"}

Where rows came faster than they could be told, "rows" has "missed": true beside it.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncGenerator, Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

from nightrake.clock import Clock
from nightrake.control.server import Caller
from nightrake.domain.alarmview import alarms_summary
from nightrake.domain.scenefeed import Feed, Now
from nightrake.settings import Settings
from nightrake.status import links_shown, row_view

if TYPE_CHECKING:
    from nightrake.app import Watch

PERIOD_S = 0.5
ALIVE_S = 2.0
"""At least so often something is said."""
SERVICE_S = 2.0
COUNTS_S = 10.0
"""Counts that only grow are no news by themselves; told at least so often."""
ROWS = 50
"""Journal rows in one message; what has left the last thousand before its turn is not told: the journal has it."""


class Scene:
    """Serves the stream for one running watch.

    Args:
        watch: The watch. clock: Its clock.
    """

    def __init__(self, watch: Watch, clock: Clock) -> None:
        self._watch = watch
        self._clock = clock
        self._feeds: set[Feed] = set()

    def mark(self, drives: Iterable[str]) -> None:
        """Something of these drives has changed, a measured value apart."""
        for feed in self._feeds:
            feed.mark(drives)

    async def stream(self, caller: Caller, args: Mapping[str, Any]) -> AsyncGenerator[str, None]:  # noqa: ARG002
        """Messages as JSON texts, without end.

        Args:
            args: ``whole``: false = only the site, and a sign of life.
        """
        feed = Feed()
        telling = _Telling(self._watch, self._clock, feed, whole=args.get("whole") is not False)
        self._feeds.add(feed)
        try:
            while True:
                began_ns = self._clock.mono_ns()
                for text in telling.round():
                    if text:
                        yield text
                    await asyncio.sleep(0)
                await asyncio.sleep(max(0.0, PERIOD_S - (self._clock.mono_ns() - began_ns) / 1e9))
        finally:
            self._feeds.discard(feed)


class _Telling:
    """One stream, as far as it has got."""

    def __init__(self, watch: Watch, clock: Clock, feed: Feed, *, whole: bool) -> None:
        self._watch = watch
        self._clock = clock
        self._feed = feed
        self._whole = whole
        self._is_complete = not whole
        self._seq = watch.recent[-1].seq if watch.recent else 0
        self._settings: Settings | None = None
        self._epoch = ""
        self._service: dict[str, Any] = {}
        self._service_s = self._counts_s = self._said_s = -COUNTS_S

    def round(self) -> Iterator[str]:
        """What is news now; "" wherever the scans should have their turn."""
        for text in self._news():
            if text:
                self._said_s = self._now_s()
            yield text
        if not self._is_complete:
            self._is_complete = True
            yield '{"complete":true}'
        if self._now_s() - self._said_s >= ALIVE_S:
            self._said_s = self._now_s()
            yield f'{{"alive":{self._clock.utc_ms()}}}'

    def _news(self) -> Iterator[str]:
        settings, epoch = self._watch.settings, self._watch.store.epoch
        if settings is not self._settings or epoch != self._epoch:
            self._settings, self._epoch = settings, epoch
            self._feed.mark(settings.site.drives)
            yield _text({"site": site_view(settings, epoch)})
        if not self._whole:
            return
        yield from self._feed.drives(self._now)
        yield from self._feed.alarms(self._now())
        if rows := [row for row in self._watch.recent if row.seq > self._seq][:ROWS]:
            missed = {"missed": True} if 0 < self._seq < rows[0].seq - 1 else {}
            self._seq = rows[-1].seq
            yield _text({"rows": [row_view(row) for row in rows], **missed})
        if service := self._service_news():
            yield _text({"service": service})

    def _service_news(self) -> dict[str, Any]:
        """How the service does; {} while there is nothing new to say."""
        now_s = self._now_s()
        if now_s - self._service_s < SERVICE_S:
            return {}
        self._service_s = now_s
        service = service_view(self._watch)
        scans = service.pop("scans")
        bad = {k: scans[k] for k in ("late", "missed")}
        if service | bad == self._service and now_s - self._counts_s < COUNTS_S:
            return {}
        self._service, self._counts_s = service | bad, now_s
        return {**service, "scans": scans}

    def _now(self) -> Now:
        return Now(self._watch.engine.state, self._clock.mono_ns(), self._clock.utc_ms())

    def _now_s(self) -> float:
        return self._clock.mono_ns() / 1e9


def site_view(settings: Settings, epoch: str) -> dict[str, Any]:
    """What the settings say that the page shows, and who may sign in with which password hash.

    Args:
        epoch: Of the journal.
    """
    site, tables = settings.site, settings.duty.tables
    return {
        "id": site.id,
        "name": site.name,
        "zone": settings.duty.rota.zone.name,
        "digest": settings.digest,
        "epoch": epoch,
        "drives": [
            {
                "id": spec.id,
                "name": spec.name,
                "area": spec.area,
                "machine": spec.machine,
                "directions": [str(side) for side in spec.directions],
                "has_position": spec.position is not None,
            }
            for spec in site.drives.values()
        ],
        "people": people_view(settings),
        "causes": list(tables.lockout.causes),
        "needs": list(tables.lockout.needs),
        "two_persons": list(tables.rights.two_persons),
    }


def people_view(settings: Settings) -> dict[str, dict[str, str]]:
    """Name, role and password hash ("" = cannot sign in) of each person."""
    return {i: {"name": p.name, "role": p.role, "password": p.page_password} for i, p in settings.people.items()}


def service_view(watch: Watch) -> dict[str, Any]:
    """Links, PLCs, scans, history and an alarm flood, in short."""
    totals = dict.fromkeys(("due", "late", "missed"), 0)
    plcs = {}
    for name, poller in watch.pollers.pollers.items():
        up, detail = poller.link_state
        plcs[name] = {"up": up, "detail": detail}
        for key in totals:
            totals[key] += getattr(poller.stats, key)
    history, state = watch.keeping.status(), watch.engine.state
    alarms = alarms_summary(state)
    return {
        "links": links_shown(state.links, forwards=watch.settings.forward.enabled),
        "plcs": plcs,
        "scans": totals,
        "history": {k: history[k] for k in ("enabled", "up", "detail", "damage", "behind_s")},
        "flood": {k: alarms[k] for k in ("flood_since_utc_ms", "flood_count", "held_back")},
    }


def _text(message: Mapping[str, Any]) -> str:
    return json.dumps(message, separators=(",", ":"))
