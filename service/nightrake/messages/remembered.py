"""Which commands have been taken, until they expire: the same one is done once, whatever the broker delivers twice.

Each is kept (through `keep`) before it is done, in a slot that is used again after its expiry, so that a restart
forgets none and the store does not grow. What comes of it follows. What cannot be told any more after a crash is said
to be so; it is never done again.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from nightrake.messages.signed import LONGEST_MS, Claimed, CommandRefused

SLOTS, PER_PERSON = 1000, 100
"""Commands remembered at once, and those of one person among them."""
SPANS = 16
"""Spans of forgotten expiries that are kept apart; beyond it the two oldest become one."""
APART_MS = 2 * LONGEST_MS
"""Expiries nearer to each other are of one span."""
KEY = "command:"
TEXT = 1000
"""Characters kept of an answer."""


class Answered(NamedTuple):
    """What came of a command.

    Attributes:
        ok, text: As it was answered. durable: Whether it was on disk then.
    """

    ok: bool
    text: str
    durable: bool


class Taken(NamedTuple):
    """A command that was taken.

    Attributes:
        slot: Where it is kept. digest: SHA-256 over its signed bytes. answer: None: not known (yet).
    """

    slot: int
    digest: str
    expires_utc_ms: int
    answer: Answered | None = None


class Remembered:
    """See the module.

    Args:
        keep: Keeps bytes under a key, in order with whatever is kept after it.
        kept: What `keep` was given, by the last run too; other keys are passed over.
    """

    def __init__(self, keep: Callable[[str, bytes], None], kept: Mapping[str, bytes] | None = None) -> None:
        self._keep = keep
        self._taken: dict[tuple[str, str], Taken] = {}
        self._free = list(range(SLOTS - 1, -1, -1))
        self._forgotten: list[tuple[int, int]] = []
        """Expiries of commands that were forgotten, as spans, rising: see `_bound_ms`."""
        for key, raw in (kept or {}).items():
            if key.startswith(KEY):
                self._restore(raw)

    def __len__(self) -> int:
        return len(self._taken)

    def find(self, claimed: Claimed, utc_ms: int) -> Taken | None:
        """What is known of this very command, None for a new one.

        Raises:
            CommandRefused: Its id was used for another, its time has been there before, or there is no room.
        """
        self._forget(utc_ms)
        taken = self._taken.get((claimed.person, claimed.id))
        if taken is not None:
            if taken.digest != _digest(claimed):
                raise CommandRefused("repeated_id", "has an id that was used before; each command needs its own")
            return taken
        if claimed.expires_utc_ms <= self._bound_ms(utc_ms):
            raise CommandRefused("clock_set_back", "cannot be told from an old one: the watch's clock was set back")
        # Those of a clock that was ahead of its time are remembered, but nobody has to wait for that time to come.
        near = [who for who, t in self._taken.items() if t.expires_utc_ms <= utc_ms + LONGEST_MS]
        if sum(person == claimed.person for person, _ in near) >= PER_PERSON or len(near) >= SLOTS:
            text = f"comes on top of {PER_PERSON} others that have not expired yet; let them expire sooner, or wait"
            raise CommandRefused("too_many", text)
        return None

    def take(self, claimed: Claimed) -> None:
        """A command is about to be done."""
        if not self._free:
            farthest = max(self._taken, key=lambda who: self._taken[who].expires_utc_ms)
            self._free.append(self._taken.pop(farthest).slot)
        slot = self._free.pop()
        self._put(claimed.person, claimed.id, Taken(slot, _digest(claimed), claimed.expires_utc_ms))

    def answered(self, claimed: Claimed, answer: Answered) -> None:
        """It was done, or refused."""
        taken = self._taken.get((claimed.person, claimed.id))
        if taken is not None:  # a slow disk may take longer than the command is remembered
            short = answer._replace(text=answer.text[:TEXT])
            self._put(claimed.person, claimed.id, taken._replace(answer=short))

    def _put(self, person: str, id: str, taken: Taken) -> None:
        self._taken[person, id] = taken
        plain = {"person": person, "id": id, "forgotten": self._forgotten, **taken._asdict()}
        self._keep(f"{KEY}{taken.slot}", json.dumps(plain).encode())

    def _restore(self, raw: bytes) -> None:
        try:
            plain: dict[str, Any] = json.loads(raw)
            answer = None if plain["answer"] is None else Answered(*plain["answer"])
            taken = Taken(int(plain["slot"]), str(plain["digest"]), int(plain["expires_utc_ms"]), answer)
            who = str(plain["person"]), str(plain["id"])
            forgotten = plain["forgotten"]
            spans = [(int(a), int(b)) for a, b in ([(forgotten,) * 2] if isinstance(forgotten, int) else forgotten)]
            self._free.remove(taken.slot)
        except (ValueError, TypeError, KeyError):
            return  # damaged: its slot is free
        self._taken[who] = taken
        for first_ms, last_ms in spans:
            self._note(first_ms, last_ms)

    def _forget(self, utc_ms: int) -> None:
        for who in [w for w, t in self._taken.items() if t.expires_utc_ms <= utc_ms]:
            taken = self._taken.pop(who)
            self._free.append(taken.slot)
            self._note(taken.expires_utc_ms, taken.expires_utc_ms)

    def _bound_ms(self, utc_ms: int) -> int:
        """Up to which expiry nothing is taken after a clock was set back: it may have been there, and been forgotten.

        A span that lies wholly farther ahead than any command may is of a clock that ran years ahead and has been put
        right: what was signed then is refused for its time alone, so nobody has to wait until that time comes.
        """
        return max((last for first, last in self._forgotten if first <= utc_ms + LONGEST_MS), default=0)

    def _note(self, first_ms: int, last_ms: int) -> None:
        """Expiries in this span have been forgotten."""
        kept = []
        for span in self._forgotten:
            if span[0] <= last_ms + APART_MS and first_ms <= span[1] + APART_MS:
                first_ms, last_ms = min(first_ms, span[0]), max(last_ms, span[1])
            else:
                kept.append(span)
        self._forgotten = sorted([*kept, (first_ms, last_ms)])
        if len(self._forgotten) > SPANS:
            (first_ms, _), (_, last_ms), *rest = self._forgotten
            self._forgotten = [(first_ms, last_ms), *rest]


def _digest(claimed: Claimed) -> str:
    return hashlib.sha256(claimed.signed).hexdigest()
