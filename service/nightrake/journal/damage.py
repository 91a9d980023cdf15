"""Values that a disk has damaged: each is skipped, counted and said once, and stops nothing, no start either.

SQLite's own check sees a damaged page, and no damaged value on a sound one.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from typing import Any, NamedTuple

from nightrake.domain.cleantext import clean
from nightrake.domain.rows import SCHEMA_VERSION, Entry, Row, TailRecord, canonical, chain_hash

FOUND = "damage_found"
"""Event of the ``service`` row that tells of damage, once for each kind of it."""
ROW_DAMAGED = "row_damaged"
"""Event of what is told in the place of a damaged row."""
WRONG = (ValueError, TypeError, LookupError, ArithmeticError, AttributeError, struct.error)
"""What taking a damaged value apart can end with (a text that is no UTF-8 is a ValueError)."""
LAST_MS = 253_402_214_400_000
"""No stamp is later: the last day that can be written down."""
_ROW_TYPES = (str, int, str, str, str, str, bool, int, int, str, int, int, bool, bytes, bytes, bytes)
_KINDS = {"scan", "tick", "command", "link", "settings"}
_TAIL_TYPES = (int, str, str, str, int, int, bytes)


class Found(NamedTuple):
    """Damage of one kind, as first found.

    Attributes:
        what: In words. where: The first: a number, a key.
    """

    what: str
    where: str


class Damage:
    """Counts what was found; any thread may add, one asks.

    Args:
        found: What opening has found.
    """

    def __init__(self, found: Iterable[Found] = ()) -> None:
        self._where: dict[str, set[str]] = {}
        self._news: list[Found] = []
        for one in found:
            self.add(*one)

    def add(self, what: str, where: object) -> bool:
        """Count it; False when it was met under the same number or key before."""
        known = self._where.setdefault(what, set())
        if not known:
            self._news.append(Found(what, clean(str(where), 64)))
        new = str(where) not in known
        if len(known) < MOST:
            known.add(str(where))
        return new

    @property
    def count(self) -> int:
        """How many damaged values were met so far."""
        return sum(len(known) for known in list(self._where.values()))

    def news(self) -> list[Entry]:
        """Rows for the journal on kinds of damage that were not told yet."""
        told, self._news = self._news, []
        return [Entry("service", FOUND, "", "", {"what": one.what, "where": one.where}) for one in told]


MOST = 100_000
"""So many of one kind are told apart; beyond, they count no further."""


def is_whole(record: TailRecord) -> bool:
    """Whether a tail record's columns hold what they should."""
    return _fits(record, _TAIL_TYPES) and record.kind in _KINDS and 0 <= record.utc_ms <= LAST_MS


def fits_its_hash(row: Row) -> bool:
    """Whether a row is as it was written."""
    return _fits(row, _ROW_TYPES) and chain_hash(row.prev_hash, row) == row.hash


def as_told(row: Row) -> Row:
    """A row as it may be shown and told: itself, or, where it does not fit its own hash, one that says just that.

    It keeps its number and its hashes, so that nobody who counts or checks misses one.
    """
    if fits_its_hash(row):
        return row
    text = {name: clean(str(getattr(row, name)), 64) for name in ("kind", "event", "drive", "direction")}
    stamps = {name: value if type(value := getattr(row, name)) is int else 0 for name in ("mono_ns", "utc_ms")}
    return Row(
        epoch=clean(str(row.epoch), 64),
        seq=row.seq,
        kind="service",
        event=ROW_DAMAGED,
        drive="",
        direction="",
        urgent=False,
        schema=SCHEMA_VERSION,
        input_seq=0,
        boot_id=clean(str(row.boot_id), 64),
        mono_ns=stamps["mono_ns"],
        utc_ms=stamps["utc_ms"] if 0 <= stamps["utc_ms"] <= LAST_MS else 0,
        clock_trusted=False,
        payload=canonical({"says": text}),
        prev_hash=_hash(row.prev_hash),
        hash=_hash(row.hash),
    )


def _fits(values: Iterable[Any], types: Iterable[type]) -> bool:
    return all(type(value) is wanted for value, wanted in zip(values, types, strict=True))


def _hash(value: object) -> bytes:
    return value if isinstance(value, bytes) and len(value) == 32 else bytes(32)
