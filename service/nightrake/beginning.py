"""How a run of the watch begins on what the last one left: its cursor, its states, the row that tells of it."""

from __future__ import annotations

import json
from collections.abc import Sequence

from nightrake import __version__
from nightrake.alarms.latch import Latch
from nightrake.domain.rows import Entry, Row
from nightrake.domain.state import SiteState
from nightrake.journal.damage import WRONG
from nightrake.journal.store import Store
from nightrake.kept import latch_key
from nightrake.settings import Settings

CURSOR = "mqtt"
LATCHED, RESET = "shutdown_latched", "shutdown_reset"


def told_until(store: Store) -> int:
    """Number of the last row that the broker was told; 0, so that all are told again, where that is damaged."""
    cursor = store.get_cursor(CURSOR)
    # Numbers rise over the epochs of one file, so a cursor of an earlier epoch still says what was told.
    told_seq = cursor[1] if cursor else 0
    if told_seq < store.first_free_seq:
        return told_seq
    store.damage.add("a cursor, so that its destination begins as new", CURSOR)
    return 0


def with_latches(state: SiteState, store: Store, unfit: Sequence[str]) -> SiteState:
    """The site with latches from the journal in the place of those that are damaged in the store.

    Args:
        state, unfit: From `kept.restore`.
    """
    latches = dict(state.latches)
    for drive, side in latches:
        if latch_key(drive, side) in unfit:
            row = store.last_row_of(drive, side, (LATCHED, RESET))
            latches[drive, side] = latch_of(row) if row is not None else Latch()
    return state._replace(latches=latches)


def latch_of(row: Row) -> Latch:
    """A latch by the last row on it; where that is damaged too, it is latched: a person has to look."""
    try:
        occurrence = int(json.loads(row.payload)["occurrence"])
    except WRONG:
        return Latch(latched=True, occurrence=1)
    since_ms = row.utc_ms if type(row.utc_ms) is int else 0
    return Latch(latched=row.event == LATCHED, occurrence=occurrence, since_utc_ms=since_ms)


def is_same_boot(store: Store) -> bool:
    """Whether the monotonic times in the stored states are of this start of the machine; a new file cannot tell."""
    opened = store.opened
    return not (opened.rebooted or opened.new or opened.copied)


def start_entry(settings: Settings, store: Store, last_utc_ms: int, utc_ms: int, unfit: list[str]) -> Entry:
    """The row that a start leaves: what was missed, which numbers were burnt, what happened to the store."""
    opened = store.opened
    data = {
        "version": __version__,
        "settings": settings.digest,
        "clean_stop_before": opened.was_clean,
        "missed_from_utc_ms": last_utc_ms,
        "missed_s": round(max(0, utc_ms - last_utc_ms) / 1000, 1) if last_utc_ms else 0.0,
        "numbers_skipped": [store.last_seq + 1, store.first_free_seq - 1]
        if store.first_free_seq > store.last_seq + 1
        else [],
        "store_new": opened.new,
        "store_damaged": opened.damaged,
        "states_salvaged": opened.salvaged,
        "store_unwritable": opened.unwritable,
        "rebooted": opened.rebooted,
        "store_copied": opened.copied,
        "state_left_out": unfit,
    }
    return Entry("service", "started", "", "", data)
