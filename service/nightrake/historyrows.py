"""Rows of the journal about history: what was recomputed, trip records that were given up, a further loss."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from nightrake.domain.cleantext import clean
from nightrake.domain.rows import Entry
from nightrake.journal.store import Store

HOUR_MS = 3_600_000
CURSOR = "trips_gone"
"""Its text names the trip record whose row came last."""
LOSSES = "history_losses"
"""Its text names the losses of history that were told."""
MOST_LOSSES = 100


def entry_of(wish: str, actor: str, *, ok: bool, text: str) -> Entry | None:
    """The row of a recompute; None where the wish was none, and nothing was done.

    Args:
        wish: See `longterm.recomputing.Wish.text`. actor: Who asked. ok: It was done. text: The worker's sentence.
    """
    try:
        asked = json.loads(wish)
        curve = asked["curve"]
        drive, side, record = (clean(str(v), 64) for v in (asked["drive"], curve["direction"], curve["ref"]))
        span = {f"{end}_utc_ms": int(asked[f"{end}_hour"]) * HOUR_MS for end in ("from", "to")}
    except (ValueError, KeyError, TypeError):
        return None
    data = {"actor": clean(actor), "record": record, **span, "detail": clean(text, 300)}
    return Entry("history", "recomputed" if ok else "recompute_failed", drive, side, data)


class TripsGone:
    """Makes a row of each trip record that was given up, once: the worker names the last ones at each of its starts.

    Args:
        store: Keeps how far. note: Takes the rows.
    """

    def __init__(self, store: Store, note: Callable[[Entry], object]) -> None:
        self._store, self._note = store, note
        kept = store.get_cursor(CURSOR)
        self._last = kept[2] if kept is not None else ""

    def take(self, gone: object) -> None:
        """What the worker says: for each its name, its alarm, when the trip was (UTC ms), bytes; in order."""
        entries = [e for one in gone if (e := _gone(one)) is not None] if isinstance(gone, list) else []
        names = [_name(entry) for entry in entries]
        known = names.index(self._last) + 1 if self._last in names else 0
        for entry in entries[known:]:
            self._note(entry)
        if names and names[-1] != self._last:
            self._last = names[-1]
            self._store.set_cursor(CURSOR, self._store.epoch, 0, self._last)


class LostAgain:
    """Makes a row where history is lost once more while the notice of a loss before stands, and so is not raised anew.

    Args:
        store: Keeps which losses were told. note: Takes the row.
    """

    def __init__(self, store: Store, note: Callable[[Entry], object]) -> None:
        self._store, self._note = store, note
        kept = store.get_cursor(LOSSES)
        self._known = kept[2].split() if kept is not None else []

    def take(self, losses: object, sentence: object) -> None:
        """What the worker says: a name for each loss that stands; and all of them in a sentence."""
        if not isinstance(losses, list):
            return
        plain = (clean(str(one), 32) for one in losses[:MOST_LOSSES])
        names = list(dict.fromkeys(name for name in plain if name and " " not in name))
        fresh = [name for name in names if name not in self._known]
        if fresh and len(fresh) < len(names):
            data = {"losses": len(names), "detail": clean(str(sentence), 300)}
            self._note(Entry("history", "lost_again", "", "", data))
        if names != self._known:
            self._known = names
            self._store.set_cursor(LOSSES, self._store.epoch, 0, " ".join(names))


def _gone(one: Any) -> Entry | None:
    try:
        name, alarm, utc_ms, size = str(one[0]), str(one[1]), int(one[2]), int(one[3])
    except (ValueError, TypeError, LookupError, OverflowError):
        return None
    drive, direction, *_ = (*clean(alarm, 128).split("/"), "", "")
    data = {"record": clean(name), "alarm": clean(alarm, 128), "trip_utc_ms": utc_ms, "bytes": size}
    return Entry("history", "trip_given_up", drive, "" if direction == "-" else direction, data)


def _name(entry: Entry) -> str:
    return f"{entry.data['record']} {entry.data['trip_utc_ms']}"
