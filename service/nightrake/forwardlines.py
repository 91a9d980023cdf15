"""Tail records and journal rows as lines for the store that is forwarded to; what is damaged stays here, told apart."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Awaitable, Callable, Mapping

from nightrake.domain.cleantext import clean
from nightrake.domain.rows import Row, TailRecord
from nightrake.domain.site import SiteSpec
from nightrake.historian.dating import Dating
from nightrake.historian.lineprotocol import fields_text, head, line
from nightrake.historian.samplelines import SampleLines
from nightrake.historian.stamps import Used
from nightrake.journal.damage import ROW_DAMAGED, WRONG, is_whole
from nightrake.kept import plan_from_json

SHORT_BATCH = 240
"""Records that some 350 drives at 10 Hz bring in half a second."""
YIELD_RECORDS, YIELD_RECORDS_LONG = 12, 24
"""After this many of a batch the pollers get their turn, and an alarm its way out: two thousand in one go would take
100 ms."""
PAUSE_S = 0.001
"""A scan takes several turns of the loop, so in a short batch a pause lets it come to its end. It costs as much as two
records, which a large site has no time for."""
BUSY_S = 0.001
"""Whoever's turn comes back later than this is on a busy loop, and lets it be for a while: scans come first."""
LONGEST_WAIT_S = 0.05
NEWS_LOOK_S, NEWS_WAIT_S = 0.002, 0.1
"""While an event is on its way to disk and broker no line is made; one batch waits for events so long at most, so that
a storm of them does not end forwarding."""
MISSING = 200
"""Read plans that are known to be missing, held at a time."""
_SAFE = re.compile(r"[^A-Za-z0-9_./-]")


def _nothing() -> bool:
    return False


async def give_way(pause_s: float) -> None:
    """Let everybody else have their turns; on a busy loop for twice as long as those took."""
    loop = asyncio.get_running_loop()
    begun_s = loop.time()
    await asyncio.sleep(pause_s)
    taken_s = loop.time() - begun_s - 2 * pause_s
    if taken_s > BUSY_S:
        await asyncio.sleep(min(2 * taken_s, LONGEST_WAIT_S))


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
        before: Those of the settings before: what is as it was there is taken over, for laying out two thousand drives
            anew holds up the scans for half a second.
        news: Whether an event is on its way out, which goes first.
    """

    def __init__(
        self,
        site: SiteSpec,
        layout: Callable[[str], Awaitable[str | None]],
        before: Lines | None = None,
        news: Callable[[], bool] = _nothing,
    ) -> None:
        self._site = site
        self._layout = layout
        self._news = news
        self._samples: SampleLines = SampleLines(site, before._samples if before is not None else None)
        self._missing: set[str] = set()

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
        is_short = len(records) <= SHORT_BATCH
        at_once, pause_s = (YIELD_RECORDS, PAUSE_S) if is_short else (YIELD_RECORDS_LONG, 0.0)
        patience = round(NEWS_WAIT_S / NEWS_LOOK_S)
        for number, record in enumerate(records):
            if number % at_once == 0:
                await give_way(pause_s)
                while patience and self._news():
                    patience -= 1
                    await asyncio.sleep(NEWS_LOOK_S)
            if record.kind == "scan" or not is_whole(record):
                try:
                    await self._learn(record)
                    lines += self._samples_of(record, stamps, dating, aside)
                except WRONG as error:
                    aside.add("hot tail record", error, record.seq)
        for row in rows:
            try:
                lines += self._event_of(row, stamps, dating, aside)
            except WRONG as error:
                aside.add("journal row", error, row.seq)
        return lines

    def _samples_of(self, record: TailRecord, stamps: Used, dating: Dating, aside: Aside) -> list[str]:
        if not is_whole(record):
            raise ValueError("its columns are damaged")
        if not self._samples.knows(record.layout):
            raise ValueError(f"its read plan {record.layout} is missing or damaged")
        utc_ms = dating.utc_of_input(record.seq, record.mono_ns, record.utc_ms)
        if utc_ms is None:
            aside.undated += 1
            return []
        return self._samples.of(record, utc_ms, stamps.samples)

    def _event_of(self, row: Row, stamps: Used, dating: Dating, aside: Aside) -> list[str]:
        if row.event == ROW_DAMAGED:
            raise ValueError("it does not fit its own hash")
        series = head("nightrake_event", self._event_tags(row))
        utc_ms = dating.utc_of(row.boot_id, row.mono_ns, row.utc_ms)
        if utc_ms is None:
            aside.undated += 1
            return []
        return [line(series, fields_text({"seq": float(row.seq)}), stamps.events.take(series, utc_ms))]

    def _event_tags(self, row: Row) -> Mapping[str, str]:
        tags = {"site": self._site.id, "kind": row.kind, "event": _SAFE.sub("_", row.event)}
        if row.drive:
            tags["drive"] = row.drive
        if row.direction:
            tags["direction"] = row.direction
        return tags

    async def _learn(self, record: TailRecord) -> None:
        layout = record.layout
        if not is_whole(record) or self._samples.knows(layout) or layout in self._missing:
            return
        text = await self._layout(layout)
        try:
            self._samples.learn(plan_from_json(text or ""))
        except WRONG:
            if len(self._missing) >= MISSING:
                self._missing.clear()
            self._missing.add(layout)
