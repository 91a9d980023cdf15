"""The journal as the teller reads it, and where it keeps how far it has got."""

from __future__ import annotations

from collections.abc import Set

from nightrake.domain.rows import Row
from nightrake.journal.store import Store
from nightrake.messages.ahead import Until, ahead_of, ahead_text

CURSOR = "mqtt"


class JournalFeed:
    """See `messages.desk.Feed`."""

    def __init__(self, store: Store) -> None:
        self._store = store

    async def rows_after(self, seq: int, limit: int) -> list[Row]:
        """Journal rows for the teller."""
        return await self._store.rows_after(seq, limit)

    def advance(self, seq: int, ahead: Set[int] = frozenset()) -> None:
        """Keep the teller's cursor, and what was told ahead of it."""
        self._store.set_cursor(CURSOR, self._store.epoch, seq, ahead_text(ahead))


def told_until(store: Store) -> Until:
    """How far the broker was told; nowhere, so that all are told again, where that is damaged."""
    # Numbers rise over the epochs of one file, so a cursor of an earlier epoch still says what was told.
    _, told_seq, ahead = store.get_cursor(CURSOR) or ("", 0, "")
    if told_seq < store.first_free_seq:
        return Until(told_seq, frozenset(seq for seq in ahead_of(ahead) if seq < store.first_free_seq))
    store.damage.add("a cursor, so that its destination begins as new", CURSOR)
    return Until(0)
