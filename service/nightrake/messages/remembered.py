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
        self.forgotten_utc_ms = 0
        """The latest expiry of a command that was forgotten: after a clock was set back, nothing up to it is taken."""
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
        if claimed.expires_utc_ms <= self.forgotten_utc_ms:
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
        plain = {"person": person, "id": id, "forgotten": self.forgotten_utc_ms, **taken._asdict()}
        self._keep(f"{KEY}{taken.slot}", json.dumps(plain).encode())

    def _restore(self, raw: bytes) -> None:
        try:
            plain: dict[str, Any] = json.loads(raw)
            answer = None if plain["answer"] is None else Answered(*plain["answer"])
            taken = Taken(int(plain["slot"]), str(plain["digest"]), int(plain["expires_utc_ms"]), answer)
            who = str(plain["person"]), str(plain["id"])
            forgotten_utc_ms = int(plain["forgotten"])
            self._free.remove(taken.slot)
        except (ValueError, TypeError, KeyError):
            return  # damaged: its slot is free
        self._taken[who] = taken
        self.forgotten_utc_ms = max(self.forgotten_utc_ms, forgotten_utc_ms)

    def _forget(self, utc_ms: int) -> None:
        for who in [w for w, t in self._taken.items() if t.expires_utc_ms <= utc_ms]:
            taken = self._taken.pop(who)
            self._free.append(taken.slot)
            self.forgotten_utc_ms = max(self.forgotten_utc_ms, taken.expires_utc_ms)


def _digest(claimed: Claimed) -> str:
    return hashlib.sha256(claimed.signed).hexdigest()
