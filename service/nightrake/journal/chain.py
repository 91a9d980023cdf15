"""Checking the journal's hash chain. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterable

from nightrake.domain.rows import GENESIS, Entry, Row
from nightrake.journal.damage import fits_its_hash

ROWS_LOST = "rows_lost"
"""Event of the ``service`` row that tells of rows given up while the disk was away."""


GIVEN_UP = "archive_given_up"
"""Event of the ``service`` row that tells of the oldest archive, given up for want of room."""


def lost_entry(first_seq: int, last_seq: int) -> Entry:
    """The entry that tells of rows given up.

    Args:
        first_seq, last_seq: Their first and last number.
    """
    return Entry("service", ROWS_LOST, "", "", {"first_seq": first_seq, "last_seq": last_seq})


def given_up_entry(first_seq: int, last_seq: int) -> Entry:
    """The entry that tells of an archived segment whose file was given up.

    Args:
        first_seq, last_seq: First and last number of its rows.
    """
    return Entry("service", GIVEN_UP, "", "", {"first_seq": first_seq, "last_seq": last_seq})


def verify(rows: Iterable[Row], previous: bytes = GENESIS) -> list[str]:
    """Check the hash chain.

    Numbers may be missing where a crash burnt them: the chain holds across such a gap. Rows given up while the disk
    was away do break it, and a later row tells which they were.

    Args:
        rows: Rows in order of numbers. previous: Hash of the row before the first.

    Returns:
        One sentence for each place where the chain is broken untold; [] when it holds.
    """
    broken: list[str] = []
    gaps: list[tuple[range, str]] = []
    told: set[range] = set()
    last_seq = 0
    for row in rows:
        if row.seq <= last_seq:
            broken.append(f"journal row {row.seq} stands behind row {last_seq}: rows were moved")
        elif not fits_its_hash(row):
            broken.append(f"journal row {row.seq} does not fit its own hash: it was changed")
        elif row.prev_hash != previous:
            text = f"journal row {row.seq} does not follow on the one before it: rows were changed or taken out"
            gaps.append((range(last_seq + 1, row.seq), text))
        if (row.kind, row.event) == ("service", ROWS_LOST):
            told |= _told_by(row)
        last_seq, previous = row.seq, row.hash
    return broken + [text for gap, text in gaps if not _covers(told, gap)]


def _told_by(row: Row) -> set[range]:
    try:
        data = json.loads(row.payload)
        return {range(int(data["first_seq"]), int(data["last_seq"]) + 1)}
    except (ValueError, KeyError, TypeError):
        return set()


def _covers(told: set[range], gap: range) -> bool:
    """Whether the told runs hold every number of a gap; a gap of no numbers is told by nobody."""
    at = gap.start
    for run in sorted(told, key=lambda r: r.start):
        if run.start <= at < run.stop:
            at = run.stop
    return gap.start < gap.stop <= at
