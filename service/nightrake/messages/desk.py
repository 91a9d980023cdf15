"""What the teller's tasks share: what waits, what was told, how it goes, how messages are worded. No I/O here."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from dataclasses import asdict, dataclass, field
from typing import Any, Protocol

from nightrake.alarms.callqueue import Call, More
from nightrake.crashpoint import reach
from nightrake.domain.cleantext import clean
from nightrake.domain.rows import Row
from nightrake.messages.ahead import SHARE, Until
from nightrake.messages.alarmstates import AlarmJob, AlarmStates
from nightrake.messages.broker import INCOMING_BYTES, BrokerSettings, Received, Will
from nightrake.messages.canary import Canary
from nightrake.messages.many import more_payload
from nightrake.messages.outbox import Letter, Outbox
from nightrake.messages.payloads import other_bytes, stamp
from nightrake.messages.people import Limit, People
from nightrake.messages.reception import Reception
from nightrake.messages.replies import EXPIRY_S, Reply
from nightrake.messages.states import StateJob, States
from nightrake.messages.topics import Topics

ROWS_PER_STATE = 4
"""In a long backlog a state goes after every so many events, so that states are right within seconds; and what is to be
told to people, urgent or not."""
CALL_EXPIRY_S = 3600.0
"""A call that a receiver fetches later than this is none any more; while its alarm calls, another has followed."""
Job = Letter | StateJob | AlarmJob | Call | More | Reply


class Feed(Protocol):
    """The journal, as the teller sees it."""

    async def rows_after(self, seq: int, limit: int) -> list[Row]:
        """Rows on disk after a number, in order, at most `limit`.

        Raises:
            StoreError: Not readable now; it is tried again.
        """
        ...

    def advance(self, seq: int, ahead: Set[int] = frozenset()) -> None:
        """Keep the cursor. Goes back when a broker proves not to have delivered.

        Args:
            ahead: Numbers above it that were acknowledged, to be looked at now.
        """
        ...


@dataclass(slots=True)
class TellerStats:
    """How telling goes.

    Attributes:
        up, detail: As last given to `on_link`.
        queued: Rows in memory not yet sent. in_flight: Publishes without acknowledgement. acked: Rows acknowledged.
        behind: More rows may wait in the store. lost: See `Outbox.lost`.
        cursor: Told up to here. confirmed: Known to be delivered up to here (canary).
        states_due: Retained states of drives to be written. alarms_due: those of alarms.
        calls_due: Messages to people that wait, those included which a person's limit holds back.
        calls_told: Messages to people that the broker has acknowledged.
        connected_since_utc_ms: 0 when not connected. connects: Connections made.
        commands: See `Reception.stats`; {} where none are heard.
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
    alarms_due: int = 0
    calls_due: int = 0
    calls_told: int = 0
    commands: Mapping[str, int | str] = field(default_factory=dict)
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
        until: Where the last run had got to. drives: Ids of the site's drives.
        people: Whether there are people to be told, so that their topics are tried too. limit: For each of them.
        commands: Deals with commands that come in; None: none are heard.
        utc_ms: The clock. on_link: Called on each change of the link's health.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        feed: Feed,
        topics: Topics,
        site: str,
        epoch: str,
        until: Until,
        drives: Iterable[str],
        utc_ms: Callable[[], int],
        on_link: Callable[[bool, str], None],
        *,
        people: bool = False,
        limit: Limit = Limit(),  # noqa: B008  (immutable)
        commands: Reception | None = None,
    ) -> None:
        self.settings = settings
        self.feed = feed
        self.topics = topics
        self.site = site
        self.site_name = site
        """As people call it."""
        self.alarms_link = ""
        """Address of the page's alarms; "" = there is no page."""
        self.utc_ms = utc_ms
        self.outbox = Outbox(until.seq, ahead=until.ahead)
        self.states = States(drives)
        self.alarms = AlarmStates()
        self.people = People(limit)
        self.has_people = people
        self.commands = commands
        self.canary = Canary(secrets.token_hex(8), until.seq)
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
        self._unkept = 0
        """Acknowledgements since the cursor was last kept."""

    # --- what goes next -----------------------------------------------------------------------------------------------

    def next_job(self, now_s: float) -> Job | None:
        """Urgent calls, urgent rows, then rows; other calls and states in between.

        A drive's state waits for its events. Urgent calls are few: each person is told the present state only, while
        rows may be those of an hour.

        Args:
            now_s: Monotonic seconds.
        """
        call = self.people.take_urgent(now_s)
        if call is not None:
            return call
        if self.outbox.urgent or self._rows_run < ROWS_PER_STATE:
            letter = self.outbox.take()
            if letter is not None:
                self._rows_run += 1
                return letter
        self._rows_run = 0
        reply = self.commands.replies.take(self.utc_ms()) if self.commands is not None else None
        return reply or (
            self.people.take(now_s) or self.alarms.take() or self.states.take(self.outbox.holds) or self.outbox.take()
        )

    def told(self, job: Call | More) -> None:
        """The broker has acknowledged a message to a person."""
        self.stats.calls_told += 1
        self.people.done(job)

    def acked(self, seq: int) -> None:
        """The broker has acknowledged a row."""
        self.stats.acked += 1
        self.outbox.ack(seq)
        self._unkept += 1
        if self.canary.held is None and SHARE * self._unkept >= len(self.outbox.ahead):
            self._unkept = 0
            self.feed.advance(self.outbox.cursor, self.outbox.ahead)
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

    def delivers(self, states_away: Sequence[str] = ()) -> None:
        """A canary came back: tell again what may have been dropped while none did.

        Args:
            states_away: Topics beside the retained states on which it did not.
        """
        held = self.canary.held is not None
        confirmed = self.canary.confirm()
        self.outbox.confirm(confirmed)
        if held:
            self.tell_again()
        else:
            self.people.confirm()
        if states_away:
            self.health(False, self._undelivered(states_away))
        else:
            self.health(True, "")

    def tell_again(self) -> None:
        """Everything since the last canary that came back may have been lost in the broker."""
        self.outbox.rewind(self.canary.confirmed)
        self.people.all_due()
        self.wake.set()
        self.fetch.set()

    def delivers_not(self) -> None:
        """A canary was acknowledged and did not come back."""
        self.feed.advance(self.canary.hold())
        self.health(False, self._undelivered(self.canary.away or (self.topics.events,)))

    def _undelivered(self, topics: Sequence[str]) -> str:
        who = self.settings.username or self.settings.client_id
        where = " and ".join(topics)
        return f"{self.settings.place} accepts but does not deliver on {where}; check its access rules for {who}"

    def wants(self, message: Received) -> bool:
        """Look at what comes in, at once and without waking anybody. Brokers are known to send what was not asked."""
        topics = self.topics
        if self.commands is not None and self.commands.takes(message):
            return False
        drive, alarm = topics.drive_of(message.topic), topics.alarm_of(message.topic)
        canary = message.topic in (topics.events, topics.people_canary, *topics.state_canaries)
        ours = canary or drive or alarm
        if len(message.payload) > INCOMING_BYTES or not ours:
            self.stats.dropped += 1
        elif not (drive or alarm):
            self.canary.saw(message.payload, message.topic)
        elif message.retained and message.payload:
            if drive:
                self.states.stray(drive)
            else:
                self.alarms.stray(alarm)
        return False

    # --- messages that are no rows ------------------------------------------------------------------------------------

    def other(
        self,
        kind: str,
        event: str,
        data: Mapping[str, Any],
        *,
        drive: str = "",
        direction: str = "",
        expiry_s: float | None = None,
        id: str = "",
        correlation: str | None = None,
        durable: bool = True,
    ) -> bytes:
        """Bytes of a message that is no journal row.

        Args:
            id: "": one of its own is made. correlation, durable: see `payloads.other_bytes`.

        Raises:
            ValueError: `data` holds NaN or infinity. TypeError: It is not plain.
        """
        self._others += 1
        now_ms = self.utc_ms()
        return other_bytes(
            id=id or f"{self.canary.instance}-{self._others}",
            epoch=self._epoch,
            seq=self.outbox.newest,
            utc_ms=now_ms,
            site=self.site,
            kind=kind,
            event=event,
            data=data,
            drive=drive,
            direction=direction,
            expires_utc_ms=None if expiry_s is None else now_ms + int(expiry_s * 1000),
            correlation=correlation,
            durable=durable,
        )

    def call(self, job: Call | More) -> tuple[bytes, float]:
        """Bytes of a message to a person, and in how many seconds it means nothing any more.

        Raises:
            ValueError, TypeError: As `other`.
        """
        if isinstance(job, More):
            return self.other(
                "person", "more", more_payload(job, self.site_name) | {"link": self.alarms_link}, expiry_s=CALL_EXPIRY_S
            ), CALL_EXPIRY_S
        data = dict(job.payload)
        drive, direction, event = (str(data.pop(k, "")) for k in ("drive", "direction", "event"))
        expiry_s = float(data.pop("expires_s", 0) or CALL_EXPIRY_S)
        raw = self.other(
            "person",
            event,
            data,
            drive=drive,
            direction=direction,
            expiry_s=expiry_s,
            id=f"{self._epoch}-{job.seq}-{job.person}" if job.seq else "",
            durable=job.durable,
        )
        return raw, expiry_s

    def reply(self, reply: Reply) -> bytes:
        """Bytes of the answer to a command."""
        data = {k: getattr(reply, k) for k in ("ok", "text", "reason", "verb", "again")}
        event = "accepted" if reply.ok else "refused"
        whose = {"drive": reply.drive, "correlation": reply.id, "durable": reply.durable}
        return self.other("reply", event, data, expiry_s=EXPIRY_S, **whose)  # type: ignore[arg-type]  # each its own

    def service(self, state: str) -> bytes:
        """The message that says how the watch is."""
        online = {"instance": self.canary.instance, "online_since": stamp(self._began_utc_ms)}
        return self.other("service", state, {"state": state, **online})

    def will(self) -> Will:
        """What the broker says when we vanish."""
        return Will(self.topics.service, self.service("offline"))
