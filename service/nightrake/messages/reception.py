"""Commands that come over MQTT: heard, proved, done once, answered.

    wants (link) --> a short queue for each person --> proved --> ask (the walk) --> answer, after the commit --> reply
                                                        '--> refused: journalled, replied

Whether somebody may, the walk says, as for every way in; here it is found out who asks, and that it was asked now.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable, Mapping
from typing import Any, NamedTuple

from nightrake.domain.cleantext import clean
from nightrake.domain.rows import Answer, Entry
from nightrake.errors import NightrakeError
from nightrake.loglibrary import structlog
from nightrake.messages.broker import Received
from nightrake.messages.operatorkey import load_library
from nightrake.messages.proving import BY_KEY, BY_TOPIC, Proved, Prover, Signer, Unproved
from nightrake.messages.remembered import Answered, Remembered
from nightrake.messages.replies import EXPIRY_S, Replies, Reply
from nightrake.messages.topics import Topics

__all__ = ["Ask", "Dealings", "Reception", "Remembered", "Signer"]

log = structlog.get_logger("nightrake.messages")

WAITING = 20
"""Commands of one person that wait, and of all strangers together; what comes on top is counted and refused."""
WORKERS = 4
"""Commands at once, each of another person: a disk that is slow for one holds up nobody else for long."""
REFUSED_S = 0.05
"""A refusal takes this long, so that nonsense without end costs little."""
STRANGERS = ""
UNANSWERED = Answered(
    False, "this was taken before, but what came of it is not known here any more; look how things stand now", True
)

Ask = Callable[[str, str, str, Mapping[str, Any], tuple[str, str, str], str], Awaitable[tuple[Answer, bool]]]
"""(verb, drive, direction, args, (actor, role, known by), arg) -> answer after its commit; whether it is on disk."""


class Dealings(NamedTuple):
    """What reception has to do with the rest of the watch.

    Attributes:
        ask: Puts a command through the walk. note: Journals something, bounded.
        utc_ms, trusted: The clock, and whether it can be believed. remembered: Outlives every connection.
    """

    ask: Ask
    note: Callable[[Entry], None]
    utc_ms: Callable[[], int]
    trusted: Callable[[], bool]
    remembered: Remembered


class Reception:
    """See the module. `run` it beside the connections; `takes` is called by each of them.

    Args:
        topics: Of the site. signers: People by id. dealings: See there.

    Attributes:
        replies: To be sent by the connection; `on_reply` is called when there is one.
        counts: Commands taken, refused, answered again, dropped unseen.
        unheard: Why the broker lets no command through, as far as it says so; "" while it does.
    """

    def __init__(self, topics: Topics, signers: Mapping[str, Signer], dealings: Dealings) -> None:
        self._topics = topics
        self._to = dealings
        self._prover = Prover(topics, {}, dealings.utc_ms, dealings.trusted, dealings.remembered)
        self.set_signers(signers)
        self._waiting: dict[str, deque[tuple[str, Received]]] = {}
        self._over: dict[str, int] = {}
        self._busy: set[str] = set()
        self._wake = asyncio.Event()
        self.replies = Replies()
        self.on_reply: Callable[[], None] = lambda: None
        self.counts = {"taken": 0, "refused": 0, "again": 0, "dropped": 0}
        self.unheard = ""

    def set_signers(self, signers: Mapping[str, Signer]) -> None:
        """People, roles or keys have changed; what waits is judged by the new ones."""
        if any(s.public_key for s in signers.values()):
            load_library()
        self._prover.signers = dict(signers)

    @property
    def topic(self) -> str:
        """What the connection subscribes to, with QoS 1."""
        return self._topics.commands

    def heard(self, unheard: str) -> None:
        """The broker has answered the subscription; "" = it lets us read."""
        if unheard and unheard != self.unheard:
            log.warning("commands_unheard", detail=unheard)
            self._to.note(Entry("command", "unheard", "", "", {"detail": clean(unheard)}))
        self.unheard = unheard

    def stats(self) -> dict[str, int | str]:
        """How it goes: `counts`, what waits, `unheard`."""
        waiting = sum(map(len, self._waiting.values()))
        return {**self.counts, "waiting": waiting, "replies_due": len(self.replies), "unheard": self.unheard}

    # --- hearing ------------------------------------------------------------------------------------------------------

    def takes(self, message: Received) -> bool:
        """Take a message if it came on a topic of commands. Quick, and waits for nothing."""
        if not self._topics.is_command(message.topic):
            return False
        person = self._topics.commander_of(message.topic)
        line = person if person in self._prover.signers else STRANGERS
        waiting = self._waiting.get(line, ())
        if not person or len(waiting) >= WAITING:
            self.counts["dropped"] += 1
            self._over[line] = self._over.get(line, 0) + bool(person)
        else:
            self._waiting.setdefault(line, deque()).append((person, message))
            self._wake.set()
        return True

    async def run(self) -> None:
        """Deal with what comes until cancelled."""
        async with asyncio.TaskGroup() as group:
            for number in range(WORKERS):
                group.create_task(self._work(), name=f"reception-{number}")

    async def _work(self) -> None:
        while True:
            # Whoever was served goes to the end; nobody is served twice at a time, so that each one's order holds.
            while (line := next((w for w in self._waiting if w not in self._busy), None)) is None:
                self._wake.clear()
                await self._wake.wait()
            self._busy.add(line)
            try:
                if not await self._serve(line):
                    await asyncio.sleep(REFUSED_S)
            finally:
                self._busy.discard(line)
                self._wake.set()

    async def _serve(self, line: str) -> bool:
        """Deal with the first command of a line; whether it was taken."""
        waiting = self._waiting.pop(line)
        person, message = waiting.popleft()
        if waiting:
            self._waiting[line] = waiting
        over = self._over.pop(line, 0)
        if over:
            text = f"{over} commands came faster than they could be looked at, and were dropped unseen"
            self._note(line, person, Unproved("too_fast", text, BY_TOPIC, "", "", {}))
        found = self._prover.prove(person, message)
        if isinstance(found, Unproved):
            self._refuse(line, person, found)
            return False
        if found.taken is None:
            await self._do(found)
        else:
            self.counts["again"] += 1
            self._answer(found, found.taken.answer or UNANSWERED, again=True)
        return True

    # --- dealing with one ---------------------------------------------------------------------------------------------

    async def _do(self, found: Proved) -> None:
        claimed, remembered = found.claimed, self._to.remembered
        self.counts["taken"] += 1
        remembered.take(claimed)  # kept before it is done, in the same order on disk: a crash does not do it twice
        arg = str(claimed.args.get("for_s", "")) if claimed.verb == "test" else ""
        who = (claimed.person, found.role, BY_KEY)
        try:
            answer, durable = await self._to.ask(claimed.verb, claimed.drive, claimed.direction, claimed.args, who, arg)
        except NightrakeError as error:
            answer, durable = Answer(False, str(error)), True
        came = Answered(answer.ok, answer.text, durable)
        remembered.answered(claimed, came)
        self._answer(found, came)

    def _answer(self, found: Proved, came: Answered, *, again: bool = False) -> None:
        claimed = found.claimed
        reply = Reply(claimed.reply_to, claimed.id, came.ok, came.text, self._until_utc_ms())
        verb, drive = clean(claimed.verb), clean(claimed.drive)
        self._send(reply._replace(verb=verb, drive=drive, durable=came.durable, again=again))

    def _refuse(self, line: str, person: str, found: Unproved) -> None:
        self.counts["refused"] += 1
        self._note(line, person, found)
        if found.place:
            verb = found.said.get("verb", "")[:32]
            id = found.said.get("id")
            self._send(Reply(found.place, id, False, found.text, self._until_utc_ms(), found.reason, verb))

    def _until_utc_ms(self) -> int:
        return self._to.utc_ms() + int(EXPIRY_S * 1000)

    def _send(self, reply: Reply) -> None:
        self.replies.put(reply)
        self.on_reply()

    def _note(self, line: str, person: str, found: Unproved) -> None:
        """Journal a refusal; many of one actor are counted. Who has not signed is nobody in particular."""
        nobody = f"somebody on the topic of {line}" if line else "somebody unknown"
        data = {
            "actor": person if found.known_by == BY_KEY else nobody,
            "role": found.role,
            "known_by": found.known_by,
            "verb": found.said.get("verb", "")[:32],
            "asked": found.said.get("drive", ""),
            "why": found.reason,
            "reason": found.text[:200],
            "topic_of": person,
            "command": found.said.get("id", ""),
        }
        self._to.note(Entry("command", "refused", "", "", data))
