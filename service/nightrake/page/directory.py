"""Who may sign in: people with their roles and password hashes, as the watch's settings have them now."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from nightrake.alarms.rights import MAY, refusal


class Person(NamedTuple):
    """Somebody the settings name.

    Attributes:
        id, name, role: As in the settings. password: Argon2id hash (PHC string); "" = cannot sign in.
        two: Commands for which the site asks for two people: the first of them may have any named role.
    """

    id: str
    name: str
    role: str
    password: str
    two: frozenset[str] = frozenset()

    def __repr__(self) -> str:
        return f"Person({self.id!r}, {self.role!r})"

    @property
    def may(self) -> list[str]:
        """Commands that this person may give, or be the first of two to ask for; the watch has the last word."""
        return sorted(verb for verb in MAY if not refusal(verb, self.role) or verb in self.two)

    @property
    def mark(self) -> bytes:
        """What a session is bound to: another password is another mark."""
        return hashlib.sha256(self.password.encode()).digest()


class Directory:
    """Everybody, until the next ``site`` message."""

    def __init__(self) -> None:
        self._people: dict[str, Person] = {}
        self.is_known = False
        """Whether the watch has said who there is; before, nobody can be told from a stranger."""

    def take(self, people: Mapping[str, Mapping[str, Any]], two_persons: Iterable[str] = ()) -> None:
        """People as a ``site`` message names them, and the commands for which the site asks for two of them."""
        self.is_known = True
        two = frozenset(two_persons)
        two |= {"lockout_cancel"} if "release" in two else frozenset()
        self._people = {
            str(key): Person(str(key), str(p.get("name", key)), str(p.get("role", "")), str(p.get("password", "")), two)
            for key, p in people.items()
        }

    def find(self, person: str) -> Person | None:
        """Somebody who can sign in, or None."""
        found = self._people.get(person)
        return found if found is not None and found.password else None

    def meant(self, typed: str) -> str:
        """The id of whoever is meant by an id or a whole name, in large or small letters; else what was typed."""
        if not typed or typed in self._people:
            return typed
        able = [p for p in self._people.values() if p.password]
        found = [p.id for p in able if _folded(typed) in (_folded(p.id), _folded(p.name))]
        return found[0] if len(found) == 1 else typed

    def stand_in(self) -> Person | None:
        """Whose hash is worked on for a name that nobody has, so that a refusal takes as long."""
        return next((p for p in self._people.values() if p.password), None)

    def menu(self) -> list[dict[str, str]]:
        """Those who can sign in, by name."""
        able = sorted((p for p in self._people.values() if p.password), key=lambda p: (p.name.casefold(), p.id))
        return [{"person": p.id, "name": p.name, "role": p.role} for p in able]


def _folded(name: str) -> str:
    return " ".join(name.split()).casefold()
