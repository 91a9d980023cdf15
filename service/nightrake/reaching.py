"""The people's side of a running watch: calls over broker and channels, taken up again after a restart, and kept."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from nightrake import __version__
from nightrake.calling import (
    Calling,
    Now,
    channels_of,
    limit_of,
    more_words,
    ways_of,
)
from nightrake.channels.outcome import outcome_entry, together_entry
from nightrake.channels.sender import Channels
from nightrake.domain.rows import Entry, Row
from nightrake.journal.store import Store
from nightrake.messages.pagelink import page_link
from nightrake.messages.teller import Teller
from nightrake.settings import Secrets, Settings

if TYPE_CHECKING:
    from nightrake.channels.spec import Outcome

CURSOR = "people"
ROWS = 1000
LOOK_NS = 1_000_000_000
LOOKS_PER_TREND = 5
"""Every so many seconds every drive's torque is noted."""


class Reaching:
    """See the module.

    Args:
        store: For the cursor, and for rows of the run before. teller: Gives the present one.
        now: Gives the core's present state. note: Journals what came of a delivery.
        link_of: Gives what tells of a link, for notices.
    """

    def __init__(
        self,
        store: Store,
        teller: Callable[[], Teller],
        now: Callable[[], Now],
        note: Callable[[Entry], None],
        link_of: Callable[[str], Callable[[bool, str], None]],
    ) -> None:
        self._store = store
        self._teller = teller
        self._note = note
        self._site = self._alarms_link = ""
        self._has_channels = False
        self._cursor = 0
        self._next_look_ns = 0
        self._link_of = link_of
        self._given_up = 0
        self._looks = 0
        self.channels = Channels(self._on_outcome, lambda more: more_words(more, self._site, self._alarms_link))
        self.calling = Calling(teller, self.channels, now)

    def take(self, settings: Settings, secrets: Secrets) -> None:
        """Channels, people and limits as the settings have them."""
        self._site = settings.site.name
        url = settings.page.public_url if settings.page.enabled else ""
        self.calling.public_url, self._alarms_link = url, page_link(url, "", ())
        self._has_channels = bool(settings.channels)
        self.channels.configure(channels_of(settings, secrets), ways_of(settings), limit_of(settings))

    async def take_up(self, last_seq: int) -> None:
        """Alarms that stand, and calls of a run before, or of another teller, that may not have reached anybody.

        Args:
            last_seq: Number of the newest row, from which a new store begins.
        """
        self._teller().set_site_name(self._site, self._alarms_link)
        self.calling.mark_all()
        kept = self._store.get_cursor(CURSOR)
        after = max(self._cursor, kept[1] if kept else last_seq)
        self._cursor = after
        while rows := await self._store.rows_after(after, ROWS):
            for row in rows:
                self.on_row(row, True)
            after = rows[-1].seq

    def on_row(self, row: Row, durable: bool) -> None:
        """A row that is to be told; `durable`: it is on disk."""
        self.calling.on_row(row, durable)
        # Rows that call nobody count too: the next start would read all of them anew.
        self._teller().calls_passed(row.seq)
        self.channels.passed(row.seq)

    def begin(self, updated_from: str) -> None:
        """At start: a notice where the version before was another one."""
        for up in (False, True) if updated_from else ():
            self._link_of("notice:service_updated")(up, f"from {updated_from} to {__version__}")

    def look(self, now_ns: int, given_up: int) -> None:
        """Once a second: keep how far people have been told (never lower than it was); a notice of what was given up.

        Args:
            given_up: What this run could not bring to the store that it forwards to.
        """
        if now_ns < self._next_look_ns:
            return
        if given_up != self._given_up:
            self._given_up = given_up
            self._link_of("notice:dead_letters")(False, f"{given_up} not taken by the store forwarded to")
        self._next_look_ns = now_ns + LOOK_NS
        self._look_at_people()
        cursors = [self._teller().calls_cursor, *([self.channels.calls_cursor] if self._has_channels else [])]
        if min(cursors) > self._cursor:
            self._cursor = min(cursors)
            self._store.set_cursor(CURSOR, self._store.epoch, self._cursor)

    def _look_at_people(self) -> None:
        teller = self._teller()
        teller.set_site_name(self._site, self._alarms_link)
        for way, told in (("broker", teller.calls_together()), ("channels", self.channels.together())):
            for one in told:
                self._note(together_entry(way, one))
        self._looks += 1
        if self._looks % LOOKS_PER_TREND == 0:
            self.calling.note_torques()

    def _on_outcome(self, outcome: Outcome) -> None:
        self._note(outcome_entry(outcome))
