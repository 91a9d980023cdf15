"""People's names, and who was told what and what comes next, in words. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from nightrake.alarms.told import listed

SHOWN = 4
"""Names in one line."""
_IN_WORDS = re.compile(
    r"(?<=the number of )[^\s;,']+(?='s lock has not been given)"
    r"|(?<=the test run under )[^\s;,]+(?= goes on)"
    r"|(?<=by hand: )[^\s;,]+|(?<=isolation reported by )[^\s;,]+|(?<=exception by )[^\s;,]+"
    r"|(?<=' by )[^\s;,]+(?=[,;]|$)"
    r"|(?<= of )[^\s;,]+(?= (?:was|are) on record)|(?<= is )[^\s;,']+(?='s, who alone)"
    r"|[^\s;,]+(?= has not reported their own lock| has asked (?:for|already)| has given [0-9]+ (?:reports|commands))"
)
"""Where the watch's own sentences (`alarms.release`, `lockout`, `lockoutcause`, `locks`, `rights`; `domain.pace`) name
a person by id."""
_LOCKS = re.compile(r"(?<=still on record: the lock of )[^;.]+|(?<=still on record: )locks? [^;.]+")


class People(NamedTuple):
    """Everybody of the settings, by id.

    Attributes:
        known: As the scene's site has them: ``name`` and ``role``.
    """

    known: Mapping[str, Mapping[str, Any]]

    def name(self, person: str) -> str:
        """A person's name, with the id where others have the same; the id where there is no such person any more."""
        name = str(self.known.get(person, {}).get("name") or person)
        shared = name != person and sum(one.get("name") == name for one in self.known.values()) > 1
        return f"{name} ({person})" if shared else name

    def in_words(self, text: str) -> str:
        """A sentence of the watch with names in place of ids."""
        text = _LOCKS.sub(lambda found: re.sub(r"[^\s,]+(?=,|$)", lambda one: self.name(one[0]), found[0]), text)
        return _IN_WORDS.sub(lambda found: self.name(found[0]), text)

    def names(self, people: Sequence[str], more: int = 0) -> str:
        """Several: the first few, and how many more.

        Args:
            people: Ids. more: People beyond these.
        """
        more += max(0, len(people) - SHOWN)
        shown = [self.name(p) for p in people[:SHOWN]]
        return listed([*shown, f"{more} more"] if more else shown)
