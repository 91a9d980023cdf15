"""Tells the journal to the broker: events in order from a cursor, states retained, a canary now and then.

    offer (engine) --> outbox --> window --> publish --> acknowledged --> cursor (store)
    rows_after (store) --^          ^-- states, when no event of that drive waits

One task fetches what the outbox has no room for; one keeps a connection (`Session`), with a new client each time.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import time
from collections.abc import Callable, Iterable

from nightrake.alarms.callqueue import Call, Limit, Together
from nightrake.domain.pulse import Pulse
from nightrake.domain.rows import Row
from nightrake.errors import MessageError, StoreError
from nightrake.loglibrary import structlog
from nightrake.messages.ahead import Until
from nightrake.messages.backoff import FIGHT_LOSSES, FIGHT_SPAN_S, Backoff
from nightrake.messages.broker import TOO_MANY_IN_FLIGHT, BrokerSettings, LinkLost
from nightrake.messages.desk import Desk, Feed, TellerStats
from nightrake.messages.link import connect
from nightrake.messages.reception import Reception
from nightrake.messages.session import PART, Session
from nightrake.messages.states import Payload
from nightrake.messages.topics import Topics

__all__ = ["BrokerSettings", "Feed", "Teller", "TellerStats"]

log = structlog.get_logger("nightrake.messages")

WINDOW = 20
"""Publishes in flight at most, one of them kept for canaries: a returning broker is not flooded."""
FETCH_ROWS = 200
"""Rows read from the store at a time."""
FETCH_RETRY_S = 1.0
CONNECT_MOST_S = 60.0
"""A connection stands by then, with all that is asked at its beginning, or has come to nothing."""


class Teller:
    """See the module. Made and run on one event loop.

    Args:
        settings: The broker. feed: The journal.
        root, site: First two parts of every topic. epoch: Life of the journal.
        until: Where the last run had got to.
        drives: Ids of the site's drives.
        utc_ms: The clock, for stamps.
        on_link: Called on each change with (up, detail). Up means: a canary came back.
        canary_period_s: How often one is sent.
        people: Whether there are people to be told. limit: Messages for each of them, urgent ones apart.
        commands: Deals with commands that come in; None: none are heard.
        chance: Numbers in 0..1 for the jitter of the back-off.
        pulse: Is told that it goes on.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        feed: Feed,
        *,
        root: str,
        site: str,
        epoch: str,
        until: Until,
        drives: Iterable[str],
        utc_ms: Callable[[], int],
        on_link: Callable[[bool, str], None],
        canary_period_s: float = 30.0,
        people: bool = False,
        limit: Limit = Limit(),  # noqa: B008  (immutable)
        commands: Reception | None = None,
        chance: Callable[[], float] = random.random,
        pulse: Pulse | None = None,
    ) -> None:
        self._settings = settings
        self._desk = Desk(
            settings,
            feed,
            Topics(root, site),
            site,
            epoch,
            until,
            drives,
            utc_ms,
            on_link,
            people=people,
            limit=limit,
            commands=commands,
        )
        if commands is not None:
            commands.on_reply = self._desk.wake.set
        self._pulse = pulse or Pulse(time.monotonic)
        self._period_s = canary_period_s
        self._backoff = Backoff(chance)
        self._window = WINDOW
        self._session: Session | None = None

    # --- from the engine (synchronous) --------------------------------------------------------------------------------

    def offer(self, row: Row, durable: bool) -> None:
        """A row was committed (durable), or the disk is too slow for it to wait any longer (not durable)."""
        desk = self._desk
        if durable:
            desk.head = (row.seq, row.hash.hex())
        if desk.outbox.offer(row, durable):
            desk.wake.set()
        if desk.outbox.behind:
            desk.fetch.set()

    def mark(self, drive: str, payload: Payload) -> None:
        """A drive's state is another now; only the latest is sent."""
        self._desk.states.mark(drive, payload)
        self._desk.wake.set()

    def set_drives(self, drives: Iterable[str]) -> None:
        """The site's drives have changed; topics of those that went are cleared."""
        now = list(drives)
        self._desk.states.set_drives(now)
        self._desk.alarms.keep_drives(now)
        self._desk.wake.set()

    def set_people(self, people: bool, limit: Limit) -> None:
        """There are people to be told now, or none any more; this limit holds for each from now on."""
        self._desk.has_people = people
        self._desk.people.queue.set_limit(limit)

    def call(self, call: Call) -> None:
        """Tell one person something; of what waits for the same person and alarm only the latest is sent."""
        self._desk.people.mark(call)
        self._desk.wake.set()

    def calls_passed(self, seq: int) -> None:
        """Every call of the rows up to here has been given."""
        self._desk.people.queue.pass_over(seq)

    def calls_no_longer(self, alarm: str, knows: str = "") -> None:
        """An alarm no longer calls: what waits because of it is not sent any more; `knows` is told nothing."""
        self._desk.people.drop(alarm, knows)
        self._desk.wake.set()

    def calls_together(self) -> list[Together]:
        """What people have been told in one message in the place of many, since this was last asked."""
        return self._desk.people.queue.noted()

    def set_site_name(self, name: str, alarms_link: str = "") -> None:
        """How the site is called in words, and where all its alarms are seen on the page."""
        self._desk.site_name, self._desk.alarms_link = name, alarms_link

    def mark_alarm(self, alarm: str, payload: Payload | None, *, urgent: bool = False) -> None:
        """An alarm is another now, by the text form of its key; payload None: it is over, its topic is cleared."""
        self._desk.alarms.mark(alarm, payload, urgent=urgent)
        self._desk.wake.set()

    @property
    def calls_cursor(self) -> int:
        """Every row given with a call, up to here, has been delivered to its person, or need not be any more."""
        return self._desk.people.cursor

    def stop(self) -> None:
        """End `run` soon: send what waits, say `stopped`, close; within three seconds. (Cancelling does the same.)"""
        self._desk.stop.set()

    @property
    def is_sending(self) -> bool:
        """Whether a row was published and is not acknowledged yet."""
        return bool(self._desk.outbox.in_flight)

    @property
    def until(self) -> Until:
        """How far the broker has been told."""
        return Until(self._desk.outbox.cursor, frozenset(self._desk.outbox.ahead))

    @property
    def stats(self) -> TellerStats:
        """How it goes now."""
        stats, outbox = self._desk.stats, self._desk.outbox
        stats.queued, stats.behind, stats.cursor, stats.lost = outbox.waiting, outbox.behind, outbox.cursor, outbox.lost
        stats.in_flight = self._session.in_flight if self._session is not None else 0
        stats.states_due, stats.confirmed = self._desk.states.due, self._desk.canary.confirmed
        stats.alarms_due, stats.calls_due = self._desk.alarms.due, self._desk.people.queue.due
        stats.commands = self._desk.commands.stats() if self._desk.commands is not None else {}
        return stats

    # --- running ------------------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Tell until stopped or cancelled."""
        try:
            async with asyncio.TaskGroup() as group:
                others = [group.create_task(self._fetch(), name="teller-fetch")]
                if self._desk.commands is not None:
                    others.append(group.create_task(self._desk.commands.run(), name="teller-reception"))
                await self._keep_connected()
                for task in others:
                    task.cancel()
        finally:
            self._pulse.rest(PART)

    async def _fetch(self) -> None:
        """Bring rows from the store while the outbox is behind and has room."""
        desk, outbox = self._desk, self._desk.outbox
        while True:
            desk.fetch.clear()
            if not outbox.behind or outbox.room < FETCH_ROWS:
                await desk.fetch.wait()
                continue
            after = outbox.read_to
            try:
                rows = await desk.feed.rows_after(after, FETCH_ROWS)
            except StoreError as error:
                log.warning("journal_unreadable", detail=str(error))
                await asyncio.sleep(FETCH_RETRY_S)
                continue
            if after != outbox.read_to:
                continue  # rewound meanwhile: these rows no longer join on
            outbox.load(rows, FETCH_ROWS)
            desk.wake.set()
            if not rows and outbox.behind:
                await asyncio.sleep(FETCH_RETRY_S / 20)  # said to be on disk, not seen there yet

    async def _keep_connected(self) -> None:
        desk = self._desk
        while not desk.stop.is_set():
            self._pulse.turn(PART, CONNECT_MOST_S)
            try:
                link = await connect(self._settings, desk.will(), desk.wants, self._window)
                self._session = Session(desk, link, self._window, self._period_s, self._pulse)
                await self._session.run()
                return  # stopped
            except MessageError as error:
                wait_s = self._lost(error, self._session is not None and self._session.worked)
            finally:
                self._session = None
            self._pulse.turn(PART, wait_s)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(wait_s):
                    await desk.stop.wait()

    def _lost(self, error: MessageError, worked: bool) -> float:
        """Note why there is no connection; returns how long to wait."""
        code = error.code if isinstance(error, LinkLost) else None
        if code == TOO_MANY_IN_FLIGHT:
            self._window = max(2, self._window // 2)
        # Brokers seldom say that another client took our id; being thrown off by one that is there again at once tells.
        thrown_off = isinstance(error, LinkLost) and error.thrown_off
        wait_s = self._backoff.lost(time.monotonic(), worked=worked, thrown_off=thrown_off)
        detail = str(error)
        if self._backoff.fighting:
            detail = (
                f"{self._settings.place} threw us off more than {FIGHT_LOSSES} times in {FIGHT_SPAN_S:g} s, as when "
                f"another program uses the client id {self._settings.client_id}; give each watch its own mqtt.client_id"
            )
        self._desk.stats.last_error = str(error)
        self._desk.health(False, detail)
        return wait_s
