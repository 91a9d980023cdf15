"""Tail records and journal rows as lines for the store that is forwarded to; what is damaged stays here, told apart."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from nightrake.domain.cleantext import clean
from nightrake.domain.rows import Row, TailRecord
from nightrake.domain.sampling import Sampler
from nightrake.domain.site import SiteSpec
from nightrake.domain.tailcodec import unpack_scan
from nightrake.domain.wiring import wire_site
from nightrake.historian.dating import Dating
from nightrake.historian.lineprotocol import head, line
from nightrake.historian.stamps import Used
from nightrake.journal.damage import ROW_DAMAGED, WRONG, is_whole
from nightrake.kept import plan_from_json

YIELD_RECORDS = 16
"""After this many the pollers get their turn: two thousand in one go would hold them up for 100 ms."""
LAYOUTS = 200
"""Read plans held at a time."""
_SAFE = re.compile(r"[^A-Za-z0-9_./-]")


class Aside:
    """What of one batch stays here.

    Attributes:
        undated: Records and rows that nobody can date. damaged: (what, why) -> numbers of those that are damaged.
    """

    def __init__(self) -> None:
        self.undated = 0
        self.damaged: dict[tuple[str, str], list[int]] = {}

    def add(self, what: str, why: Exception, seq: int) -> None:
        """One that is damaged."""
        words = clean(f"{type(why).__name__}: {why}".replace(f"scan {seq}: ", ""), 200)
        self.damaged.setdefault((what, words), []).append(seq)


class Lines:
    """Makes lines by one site's settings.

    Args:
        site: The settings' site. layout: Gives the text of a read plan that the store keeps.
    """

    def __init__(self, site: SiteSpec, layout: Callable[[str], Awaitable[str | None]]) -> None:
        self._site = site
        self._layout = layout
        self._wires = wire_site(site)
        self._samplers: dict[str, Sampler | None] = {}
        self._plans: dict[str, Any] = {}
        self._heads = {d: head("nightrake_drive", {"site": site.id, "drive": d}) for d in site.drives}

    async def of(
        self, records: list[TailRecord], rows: list[Row], stamps: Used, dating: Dating, aside: Aside
    ) -> list[str]:
        """The lines of records and rows.

        Args:
            records, rows: In order. stamps: Used up. dating: Says when they really were.
            aside: Gets what stays here: what is damaged, and what nobody can date since the clock was never right while
                the machine ran.
        """
        lines: list[str] = []
        for number, record in enumerate(records):
            if number % YIELD_RECORDS == 0:
                await asyncio.sleep(0)
            if record.kind == "scan" or not is_whole(record):
                try:
                    sampler = await self._sampler(record.layout) if is_whole(record) else None
                    lines += self._samples_of(record, sampler, stamps, dating, aside)
                except WRONG as error:
                    aside.add("hot tail record", error, record.seq)
        for row in rows:
            try:
                lines += self._event_of(row, stamps, dating, aside)
            except WRONG as error:
                aside.add("journal row", error, row.seq)
        return lines

    def _samples_of(
        self, record: TailRecord, sampler: Sampler | None, stamps: Used, dating: Dating, aside: Aside
    ) -> list[str]:
        if not is_whole(record):
            raise ValueError("its columns are damaged")
        if sampler is None:
            raise ValueError(f"its read plan {record.layout} is missing or damaged")
        utc_ms = dating.utc_of_input(record.seq, record.mono_ns, record.utc_ms)
        if utc_ms is None:
            aside.undated += 1
            return []
        heads, samples = self._heads, sampler.samples(unpack_scan(record, self._plans[record.layout]))
        # A drive that a reload has taken away since is forwarded no more.
        return [line(heads[d], fields, stamps.samples.take(d, utc_ms)) for d, fields in samples if d in heads]

    def _event_of(self, row: Row, stamps: Used, dating: Dating, aside: Aside) -> list[str]:
        if row.event == ROW_DAMAGED:
            raise ValueError("it does not fit its own hash")
        series = head("nightrake_event", self._event_tags(row))
        utc_ms = dating.utc_of(row.boot_id, row.mono_ns, row.utc_ms)
        if utc_ms is None:
            aside.undated += 1
            return []
        return [line(series, {"seq": float(row.seq)}, stamps.events.take(series, utc_ms))]

    def _event_tags(self, row: Row) -> Mapping[str, str]:
        tags = {"site": self._site.id, "kind": row.kind, "event": _SAFE.sub("_", row.event)}
        if row.drive:
            tags["drive"] = row.drive
        if row.direction:
            tags["direction"] = row.direction
        return tags

    async def _sampler(self, layout: str) -> Sampler | None:
        if layout not in self._samplers:
            if len(self._samplers) >= LAYOUTS:
                self._samplers.clear()
                self._plans.clear()
            text = await self._layout(layout)
            try:
                plan = plan_from_json(text or "")
                sampler = Sampler(plan, self._wires)
            except WRONG:
                plan, sampler = None, None
            self._plans[layout], self._samplers[layout] = plan, sampler
        return self._samplers[layout]
