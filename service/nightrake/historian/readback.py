"""A line that is written and looked for again: whether the store keeps what it answers 204 to, and counts it once.

The line is written twice under one stamp, so one look answers both. Stores are asked as they like to be asked: those
that export series as JSON lines (`/api/v1/export`, as VictoriaMetrics does), and those that take a Flux query
(`/api/v2/query`, InfluxDB 2). Others cannot be read back, which is said, and harms nothing.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from enum import StrEnum
from typing import NamedTuple
from urllib.parse import quote, urlencode

from nightrake.historian.lineprotocol import fields_text, head, line
from nightrake.historian.sending import Found, Question, Sender, StoreTarget

PROBE = "nightrake_probe"
FIELD = "number"


class Kept(StrEnum):
    """What was found of a probe."""

    ONCE = "once"
    TWICE = "twice"  # the store does not drop what comes twice
    NOT = "not"  # answered with 204, and not there
    UNKNOWN = "unknown"  # the store cannot be asked


class Probe(NamedTuple):
    """What is looked for.

    Attributes:
        site: Id of the site. number: Another one each time. utc_ms: Its stamp. lane: Whose it is, "" = the live lane's.
    """

    site: str
    number: int
    utc_ms: int
    lane: str = ""

    def lines(self) -> list[str]:
        """The line, twice."""
        series = head(PROBE, {"site": self.site} | ({"lane": self.lane} if self.lane else {}))
        return [line(series, fields_text({FIELD: float(self.number)}), self.utc_ms)] * 2


class Asking(NamedTuple):
    """A way of reading back.

    Attributes:
        name: For people. forms: How the content type of an answer begins.
        question: What to ask for a probe. count_of: How often the probe is in the answer.
    """

    name: str
    forms: tuple[str, ...]
    question: Callable[[Probe, StoreTarget], Question]
    count_of: Callable[[Probe, str], int]


def _export_question(probe: Probe, target: StoreTarget) -> Question:  # noqa: ARG001
    begin, end = (f"{(probe.utc_ms + ms) / 1000:.3f}" for ms in (-1, 1))
    match = f'{PROBE}_{FIELD}{{site="{probe.site}",lane="{probe.lane}"}}'
    return Question("GET", "/api/v1/export?" + urlencode({"match[]": match, "start": begin, "end": end}))


def _export_count(probe: Probe, words: str) -> int:
    found = 0
    for text in filter(None, words.split("\n")):
        series = json.loads(text)
        pairs = zip(series["timestamps"], series["values"], strict=True)
        found += sum(pair == (probe.utc_ms, probe.number) for pair in pairs)
    return found


def _flux_question(probe: Probe, target: StoreTarget) -> Question:
    begin, end = (f"time(v: {(probe.utc_ms + ms) * 1_000_000})" for ms in (0, 1))
    lane = f"r.lane == {json.dumps(probe.lane)}" if probe.lane else "not exists r.lane"
    parts = (
        f"from(bucket: {json.dumps(target.bucket)})",
        f"range(start: {begin}, stop: {end})",
        f"filter(fn: (r) => r._measurement == {json.dumps(PROBE)} and r.site == {json.dumps(probe.site)})",
        f"filter(fn: (r) => r._field == {json.dumps(FIELD)} and {lane})",
    )
    return Question(
        "POST", f"/api/v2/query?org={quote(target.org)}", " |> ".join(parts).encode(), "application/vnd.flux"
    )


def _flux_count(probe: Probe, words: str) -> int:
    """Annotated CSV: a head, and a row for each sample; nothing at all where there is none."""
    rows = [row.strip().split(",") for row in words.split("\n") if row.strip() and not row.startswith("#")]
    if not rows:
        return 0
    column = rows[0].index("_value")
    return sum(len(row) > column and float(row[column]) == probe.number for row in rows[1:])


WAYS = (
    Asking("/api/v1/export", ("application/stream+json", "application/x-ndjson"), _export_question, _export_count),
    Asking("/api/v2/query", ("text/csv", "application/csv"), _flux_question, _flux_count),
)


class ReadBack:
    """Looks for probes in one store.

    Args:
        target: The store.

    Attributes:
        way: How the store is asked; "" while no way is known.
    """

    def __init__(self, target: StoreTarget) -> None:
        self._target = target
        self._way: Asking | None = None

    @property
    def way(self) -> str:
        """See the class."""
        return self._way.name if self._way is not None else ""

    async def look(self, sender: Sender, probe: Probe) -> Kept:
        """Look for a probe that the store has acknowledged, some seconds before."""
        for way in (self._way,) if self._way is not None else WAYS:
            count = _count(way, probe, await sender.ask(way.question(probe, self._target)))
            if count is not None:
                self._way = way
                return Kept.NOT if count == 0 else Kept.ONCE if count == 1 else Kept.TWICE
        return Kept.UNKNOWN


def _count(way: Asking, probe: Probe, found: Found) -> int | None:
    """How often the probe is there; None where this is no answer of such a store."""
    if found.status != 200 or not found.form.lower().startswith(way.forms):
        return None
    try:
        return way.count_of(probe, found.words)
    except (ValueError, LookupError, TypeError, AttributeError):
        return None
