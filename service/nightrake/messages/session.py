"""The work on one connection: hello, pump, canaries, farewell. Ends with `LinkLost`, or when stopped or cancelled."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Iterable
from typing import Any

from nightrake.alarms.callqueue import Call, More
from nightrake.crashpoint import reach
from nightrake.domain.pulse import Pulse
from nightrake.errors import MessageError
from nightrake.loglibrary import structlog
from nightrake.messages.alarmstates import AlarmJob
from nightrake.messages.broker import LinkLost, Refused
from nightrake.messages.desk import Desk, Job
from nightrake.messages.link import Link
from nightrake.messages.outbox import Letter
from nightrake.messages.payloads import event_bytes
from nightrake.messages.replies import EXPIRY_S, Reply
from nightrake.messages.states import StateJob

log = structlog.get_logger("nightrake.messages")

PART, PUMP = "teller", "teller pump"
"""What the pulse is told of: the session, which sends canaries, and what sends events and states."""
CANARY_MOST_S = 45.0
"""A canary with all that is asked and waited for around it takes no longer, whatever the broker does."""
CANARY_WAIT_S = 10.0
CONFIRM_S = 5.0
"""While there are rows that no canary has confirmed yet, one goes at least this often: it bounds what is told twice."""
DRAIN_S, STOPPED_S, CLOSE_S = 1.5, 1.0, 0.4
"""At a stop: to send what waits, to say `stopped`, to close. Together under three seconds."""


class Session:
    """See the module.

    Args:
        desk: What is to be told. link: An open connection; closed at the end of `run`.
        window: Publishes in flight at most, one of them kept for canaries.
        canary_period_s: How often a canary is sent. pulse: Is told that the session goes on.
    """

    def __init__(self, desk: Desk, link: Link, window: int, canary_period_s: float, pulse: Pulse) -> None:
        self._desk = desk
        self._link = link
        self._window = window
        self._period_s = canary_period_s
        self._pulse = pulse
        self._busy = 0
        self._canary_s = 0.0
        self._states_away: tuple[str, ...] = ()
        self.worked = False
        """Whether a canary came back through this connection."""
        self._drained = asyncio.Event()

    async def run(self) -> None:
        """Work until stopped.

        Raises:
            LinkLost: The connection is gone; what no canary has confirmed waits again.
        """
        desk = self._desk
        desk.stats.connects += 1
        desk.stats.connected_since_utc_ms = desk.utc_ms()
        tasks: list[asyncio.Task[Any]] = []
        try:
            await self._hello()
            works = {"pump": self._pump(), "listen": self._listen(), "canary": self._canaries()}
            tasks = [asyncio.create_task(work, name=f"teller-{name}") for name, work in works.items()]
            stop = asyncio.create_task(desk.stop.wait(), name="teller-stop")
            tasks.append(stop)
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in done - {stop}:
                task.result()
            await self._farewell(tasks)
        except asyncio.CancelledError:
            await self._farewell(tasks)
            raise
        finally:
            self._pulse.rest(PUMP)
            self._pulse.turn(PART, CANARY_MOST_S)
            await _end(tasks)
            desk.tell_again()
            desk.stats.connected_since_utc_ms = 0
            await self._link.close(CLOSE_S)

    @property
    def in_flight(self) -> int:
        """Publishes without acknowledgement."""
        return self._busy

    async def _hello(self) -> None:
        """Say `online` and have every state written again."""
        desk = self._desk
        await self._link.publish(desk.topics.service, desk.service("online"), retain=True)
        desk.states.all_due()
        desk.alarms.all_due()
        await self._hear_commands()

    async def _hear_commands(self) -> None:
        commands = self._desk.commands
        if commands is None:
            return
        try:
            await self._link.subscribe(commands.topic, 1, as_published=True)
            commands.heard("")
        except Refused as error:
            commands.heard(str(error))

    async def _farewell(self, tasks: list[asyncio.Task[Any]]) -> None:
        """Send what waits, then say `stopped`: the broker tells no will after a clean good-bye."""
        desk = self._desk
        with contextlib.suppress(TimeoutError):
            if tasks and not tasks[0].done():
                self._drained.clear()
                desk.wake.set()
                async with asyncio.timeout(DRAIN_S):
                    await self._drained.wait()
        await _end(tasks)
        with contextlib.suppress(TimeoutError, MessageError):
            async with asyncio.timeout(STOPPED_S):
                await self._link.publish(desk.topics.service, desk.service("stopped"), retain=True)

    # --- sending ------------------------------------------------------------------------------------------------------

    async def _pump(self) -> None:
        """Keep the window full while anything waits."""
        desk = self._desk
        try:
            async with asyncio.TaskGroup() as group:
                while True:
                    self._pulse.turn(PUMP, CANARY_MOST_S)  # woken by the canaries if by nothing else
                    desk.wake.clear()
                    while self._busy < self._window - 1 and (job := desk.next_job(time.monotonic())) is not None:
                        self._busy += 1
                        group.create_task(self._send(job), name="teller-send")
                    if not self._busy and desk.outbox.empty:
                        self._drained.set()
                    await self._woken()
        except BaseExceptionGroup as errors:
            lost, other = errors.split(LinkLost)
            if other is not None or lost is None:
                raise
            raise _first(lost) from None

    async def _woken(self) -> None:
        """Wait until something may be ready, or a person's limit lets through what it held back."""
        desk = self._desk
        wait_s = None if self._busy >= self._window - 1 else desk.people.queue.wait_s(time.monotonic())
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(wait_s):
                await desk.wake.wait()

    async def _send(self, job: Job) -> None:
        desk = self._desk
        try:
            if isinstance(job, Letter):
                payload = event_bytes(job.row, desk.site, job.durable)
                reach("before-publish")
                await self._link.publish(desk.topics.events, payload, event=True)
                reach("after-ack")
                desk.acked(job.seq)
            elif isinstance(job, Call | More):
                await self._send_call(job)
            elif isinstance(job, Reply):
                await self._send_reply(job)
            else:
                await self._send_state(job)
        finally:
            self._busy -= 1
            desk.wake.set()

    async def _send_call(self, job: Call | More) -> None:
        desk = self._desk
        try:
            payload, expiry_s = desk.call(job)
        except (ValueError, TypeError) as error:
            log.error("call_not_told", person=job.person, detail=str(error))
            desk.people.done(job)
            return
        try:
            await self._link.publish(desk.topics.person(job.person), payload, expiry_s=max(1, round(expiry_s)))
        except BaseException:
            desk.people.give_back(job)
            raise
        desk.told(job)

    async def _send_reply(self, job: Reply) -> None:
        desk = self._desk
        assert desk.commands is not None
        try:
            payload, until_s = desk.reply(job), round(EXPIRY_S)
            await self._link.publish(job.topic, payload, correlation=job.id or "", expiry_s=until_s)
        except BaseException:
            desk.commands.replies.give_back(job)
            raise

    async def _send_state(self, job: StateJob | AlarmJob) -> None:
        desk, payload, of_drive = self._desk, b"", isinstance(job, StateJob)
        if job.payload is not None:
            try:
                event = "drive_state" if of_drive else "alarm_state"
                payload = desk.other("state", event, job.payload, drive=job.drive)
            except (ValueError, TypeError) as error:
                log.error("state_not_told", drive=job.drive, detail=str(error))
                return
        topic = desk.topics.drive(job.drive) if isinstance(job, StateJob) else desk.topics.alarm(job.alarm)
        try:
            await self._link.publish(topic, payload, retain=True)
        except BaseException:
            if isinstance(job, StateJob):
                desk.states.give_back(job)
            else:
                desk.alarms.give_back(job)
            raise

    # --- hearing ------------------------------------------------------------------------------------------------------

    async def _listen(self) -> None:
        """`Desk.wants` deals with everything on the spot; this notices the end of the connection."""
        while True:
            await self._link.receive()

    async def _canaries(self) -> None:
        await self._look_at_retained()
        while True:
            wait_s = min(CONFIRM_S, self._period_s)
            self._pulse.turn(PART, wait_s)
            await asyncio.sleep(wait_s)
            self._desk.wake.set()
            if self._canary_due():
                self._pulse.turn(PART, CANARY_MOST_S)
                doubtful = self._desk.canary.held is not None or self._states_away
                await self._one_canary()
                if doubtful and self._desk.canary.held is None and not self._states_away:
                    # What is retained may have been dropped meanwhile, as events were.
                    self._pulse.turn(PART, CANARY_MOST_S)
                    self._desk.states.all_due()
                    self._desk.alarms.all_due()
                    await self._look_at_retained()

    async def _look_at_retained(self) -> None:
        """Hear what the broker retains of drives and alarms: what is no more is cleared."""
        retained = (self._desk.topics.drives, self._desk.topics.alarms)
        for topic in retained:
            with contextlib.suppress(Refused):
                await self._link.subscribe(topic, 0)
        await self._one_canary()
        # What the broker retains came before the canary; our own states need not come back to us.
        for topic in retained:
            await self._link.unsubscribe(topic)
        self._desk.wake.set()

    def _canary_due(self) -> bool:
        unconfirmed = self._desk.outbox.cursor > self._desk.canary.confirmed
        return unconfirmed or time.monotonic() - self._canary_s >= self._period_s - CONFIRM_S / 2

    async def _one_canary(self) -> None:
        """Listen on its topics just long enough: the events themselves need not come back to us."""
        desk, canary = self._desk, self._desk.canary
        alerts = (desk.topics.events, desk.topics.people_canary) if desk.has_people else (desk.topics.events,)
        topics, unheard = list(alerts), ""
        for topic in desk.topics.state_canaries:
            with contextlib.suppress(Refused):  # whoever may not read them cannot tell, and that silences no alert
                await self._link.subscribe(topic, 1)
                topics.append(topic)
        for topic in alerts:
            try:
                await self._link.subscribe(topic, 1)
            except Refused as error:
                unheard = f"{error}, so that nobody can tell whether alerts are delivered; allow it to read that topic"
        began_s = self._canary_s = time.monotonic()
        number = canary.send(desk.outbox.cursor, topics)
        desk.people.canary_goes()
        head_seq, head_hash = desk.head
        data = {"instance": canary.instance, "count": number, "head_seq": head_seq, "head_hash": head_hash}
        payload = desk.other("canary", "canary", data, expiry_s=self._period_s)
        for topic in topics:
            await self._link.publish(topic, payload, expiry_s=max(1, round(self._period_s)))
        if unheard:
            desk.health(False, unheard)
            return
        await canary.came_back(min(CANARY_WAIT_S, self._period_s))
        self._states_away = tuple(t for t in canary.away if t not in alerts)
        if set(alerts) & set(canary.away):
            desk.delivers_not()
        else:
            self.worked = True
            desk.stats.canary_ms = (time.monotonic() - began_s) * 1e3
            desk.delivers(self._states_away)
        for topic in topics:
            await self._link.unsubscribe(topic)


async def _end(tasks: Iterable[asyncio.Task[Any]]) -> None:
    """Cancel tasks and wait until they are gone; what they raised was looked at already, or comes too late."""
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


def _first(group: BaseExceptionGroup[LinkLost]) -> LinkLost:
    """One of the errors in a group; they all tell of the same lost connection."""
    error: BaseException = group
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    assert isinstance(error, LinkLost)
    return error
