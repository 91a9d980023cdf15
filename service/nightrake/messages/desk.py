"""What the teller's tasks share: what waits, what was told, how it goes, how messages are worded. No I/O here."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any, Protocol

from nightrake.crashpoint import reach
from nightrake.domain.cleantext import clean
from nightrake.domain.rows import Row
from nightrake.messages.broker import INCOMING_BYTES, BrokerSettings, Received, Will
from nightrake.messages.canary import Canary
from nightrake.messages.outbox import Letter, Outbox
from nightrake.messages.payloads import other_bytes, stamp
from nightrake.messages.states import StateJob, States
from nightrake.messages.topics import Topics

ROWS_PER_STATE = 4
"""In a long backlog a state goes after every so many events, so that states are right within seconds."""


class Feed(Protocol):
    """The journal, as the teller sees it."""

    async def rows_after(self, seq: int, limit: int) -> list[Row]:
        """Rows on disk after a number, in order, at most `limit`.

        Raises:
            StoreError: Not readable now; it is tried again.
        """
        ...

    def advance(self, seq: int) -> None:
        """Keep the cursor. Goes back when a broker proves not to have delivered."""
        ...


@dataclass(slots=True)
class TellerStats:
    """How telling goes.

    Attributes:
        up, detail: As last given to `on_link`.
        queued: Rows in memory not yet sent. in_flight: Publishes without acknowledgement. acked: Rows acknowledged.
        behind: More rows may wait in the store. lost: See `Outbox.lost`.
        cursor: Told up to here. confirmed: Known to be delivered up to here (canary).
        states_due: Retained states to be written.
        connected_since_utc_ms: 0 when not connected. connects: Connections made.
        canary_ms: Last round trip, -1 before the first. dropped: Incoming messages too long or not ours.
        last_error: What ended the last connection.
    """

    up: bool = False
    detail: str = "not connected yet"
    queued: int = 0
    in_flight: int = 0
    acked: int = 0
    behind: bool = True
    lost: int = 0
    cursor: int = 0
    confirmed: int = 0
    states_due: int = 0
    connected_since_utc_ms: int = 0
    connects: int = 0
    canary_ms: float = -1.0
    dropped: int = 0
    last_error: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Plain values for status."""
        return asdict(self)


class Desk:
    """See the module.

    Args:
        settings: The broker. feed: The journal. topics: Where to tell. site: Its id. epoch: Life of the journal.
        cursor: Where the last run had got to. drives: Ids of the site's drives.
        utc_ms: The clock. on_link: Called on each change of the link's health.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        feed: Feed,
        topics: Topics,
        site: str,
        epoch: str,
        cursor: int,
        drives: Iterable[str],
        utc_ms: Callable[[], int],
        on_link: Callable[[bool, str], None],
    ) -> None:
        self.settings = settings
        self.feed = feed
        self.topics = topics
        self.site = site
        self.utc_ms = utc_ms
        self.outbox = Outbox(cursor)
        self.states = States(drives)
        self.canary = Canary(secrets.token_hex(8), cursor)
        self.stats = TellerStats()
        self.wake = asyncio.Event()
        """Set when something may be ready to be sent."""
        self.fetch = asyncio.Event()
        """Set when rows may have to be read from the store."""
        self.stop = asyncio.Event()
        self.head: tuple[int, str] = (0, "")
        """Newest journal row known to be on disk, and its hash."""
        self._epoch = epoch
        self._on_link = on_link
        self._began_utc_ms = utc_ms()
        self._rows_run = 0
        self._others = 0

    # --- what goes next -----------------------------------------------------------------------------------------------

    def next_job(self) -> Letter | StateJob | None:
        """Urgent rows, then rows; a state in between, unless an event of its drive has to go first."""
        if self.outbox.urgent or self._rows_run < ROWS_PER_STATE:
            letter = self.outbox.take()
            if letter is not None:
                self._rows_run += 1
                return letter
        self._rows_run = 0
        return self.states.take(self.outbox.holds) or self.outbox.take()

    def acked(self, seq: int) -> None:
        """The broker has acknowledged a row."""
        self.stats.acked += 1
        if self.outbox.ack(seq) and self.canary.held is None:
            self.feed.advance(self.outbox.cursor)
            reach("after-advance")
        if self.outbox.behind:
            self.fetch.set()

    # --- how it goes --------------------------------------------------------------------------------------------------

    def health(self, up: bool, detail: str) -> None:
        """The link's health as it is now; told on when it changes."""
        detail = clean(detail)
        if (up, detail) != (self.stats.up, self.stats.detail):
            self.stats.up, self.stats.detail = up, detail
            self._on_link(up, detail)

    def delivers(self) -> None:
        """A canary came back: tell again what may have been dropped while none did."""
        held = self.canary.held is not None
        confirmed = self.canary.confirm()
        self.outbox.confirm(confirmed)
        if held:
            self.tell_again()
        self.health(True, "")

    def tell_again(self) -> None:
        """Everything since the last canary that came back may have been lost in the broker."""
        self.outbox.rewind(self.canary.confirmed)
        self.wake.set()
        self.fetch.set()

    def delivers_not(self) -> None:
        """A canary was acknowledged and did not come back."""
        self.feed.advance(self.canary.hold())
        self.health(
            False,
            f"{self.settings.place} accepts but does not deliver on {self.topics.events}; check its access rules for "
            f"{self.settings.username or self.settings.client_id}",
        )

    def wants(self, message: Received) -> bool:
        """Look at what comes in, at once and without waking anybody. Brokers are known to send what was not asked."""
        drive = self.topics.drive_of(message.topic)
        if len(message.payload) > INCOMING_BYTES or not (message.topic == self.topics.events or drive):
            self.stats.dropped += 1
        elif not drive:
            self.canary.saw(message.payload)
        elif message.retained and message.payload:
            self.states.stray(drive)
        return False

    # --- messages that are no rows ------------------------------------------------------------------------------------

    def other(
        self, kind: str, event: str, data: Mapping[str, Any], *, drive: str = "", expiry_s: float | None = None
    ) -> bytes:
        """Bytes of a message that is no journal row.

        Raises:
            ValueError: `data` holds NaN or infinity. TypeError: It is not plain.
        """
        self._others += 1
        now_ms = self.utc_ms()
        return other_bytes(
            id=f"{self.canary.instance}-{self._others}",
            epoch=self._epoch,
            seq=self.outbox.newest,
            utc_ms=now_ms,
            site=self.site,
            kind=kind,
            event=event,
            data=data,
            drive=drive,
            expires_utc_ms=None if expiry_s is None else now_ms + int(expiry_s * 1000),
        )

    def service(self, state: str) -> bytes:
        """The message that says how the watch is."""
        online = {"instance": self.canary.instance, "online_since": stamp(self._began_utc_ms)}
        return self.other("service", state, {"state": state, **online})

    def will(self) -> Will:
        """What the broker says when we vanish."""
        return Will(self.topics.service, self.service("offline"))
