"""Guessing passwords is made slow: after five wrong ones each further try has to wait, twice as long each time. Pure.

Counted for each address, and for each person: a person by the address where they are familiar (they have signed in
from there), else all strange addresses together, so that somebody who guesses elsewhere on the network cannot keep a
person from their own desk. A browser in which the person has signed in before counts by itself, wherever it is, so that
neither can somebody who guesses from behind the same address. And an address from which nothing was tried within the
hour has one try whatever the others do, so that neither can somebody who never stops keep them from signing in at a new
telephone. A try counts before its password is looked at, so that many at once are no way round.
"""

from __future__ import annotations

import ipaddress
from typing import NamedTuple

FREE = 5
"""Wrong passwords before the first wait."""
FIRST_S = 2.0
LONGEST_S = 900.0
"""Wait of an address, and of a person at a familiar one, at most."""
LONGEST_PERSON_S = 60.0
"""Wait of a person from strange addresses, at most: whoever guesses must not lock them out for the night."""
FORGET_S = 3600.0
"""After this long without a try its count is forgotten."""
FRESH = 60
"""In an hour so many addresses, from which nothing was tried before, have one try at a person though others wait."""
KEPT = 10_000
"""Counts kept; the one not tried for longest is forgotten first."""


class _Count(NamedTuple):
    tries: int = 0
    until_s: float = 0.0
    last_s: float = 0.0


class Guesses:
    """Counts of tries that were not right."""

    def __init__(self) -> None:
        self._counts: dict[tuple[str, str], _Count] = {}

    def wait_s(self, person: str, address: str, familiar: bool, now_s: float, browser: str = "") -> float:
        """For how long a further try has to wait, in s; 0 = it may be made now.

        Args:
            person: Whom the try is for, whether or not there is such a person. address: Where it comes from.
            familiar: The person has signed in from there. now_s: Monotonic.
            browser: In which the person has signed in before, if the try is to count for it alone.
        """
        counts = [self._count(key, now_s) for key, _ in _keys(person, address, familiar, browser)]
        wait_s = max(0.0, *(c.until_s - now_s for c in counts))
        is_first = counts[0].tries == 0 and not familiar and not browser
        return 0.0 if is_first and self._fresh(person, now_s).tries < FRESH else wait_s

    def _fresh(self, person: str, now_s: float) -> _Count:
        """First tries that were made while others had to wait, since its hour began."""
        count = self._counts.get((f"fresh {person}", ""), _Count())
        return count if now_s < count.until_s else _Count(0, now_s + FORGET_S, now_s)

    def tried(self, person: str, address: str, familiar: bool, now_s: float, browser: str = "") -> None:
        """A try is made; it counts as wrong until `right` says otherwise."""
        keys = _keys(person, address, familiar, browser)
        at, own = self._count(keys[0][0], now_s), self._count(keys[-1][0], now_s)
        if at.tries == 0 and not familiar and not browser and own.until_s > now_s:
            fresh = self._fresh(person, now_s)
            self._counts[(f"fresh {person}", "")] = fresh._replace(tries=fresh.tries + 1, last_s=now_s)
        for key, longest_s in keys:
            tries = self._count(key, now_s).tries + 1
            over = tries - FREE
            wait_s = min(FIRST_S * 2.0 ** min(over, 30), longest_s) if over >= 0 else 0.0
            self._counts.pop(key, None)
            self._counts[key] = _Count(tries, now_s + wait_s, now_s)
        while len(self._counts) > KEPT:
            del self._counts[next(iter(self._counts))]

    def right(self, person: str, address: str, familiar: bool, browser: str = "") -> None:
        """The try was right: the person's count is forgotten, and the address's with it."""
        for key, _ in _keys(person, address, familiar, browser):
            self._counts.pop(key, None)

    def untried(self, person: str, address: str, familiar: bool, now_s: float, browser: str = "") -> None:
        """The try could not be looked at after all."""
        for key, _ in _keys(person, address, familiar, browser):
            count = self._count(key, now_s)
            if count.tries > 0:
                self._counts[key] = _Count(count.tries - 1, now_s, count.last_s)

    def _count(self, key: tuple[str, str], now_s: float) -> _Count:
        count = self._counts.get(key, _Count())
        return count if now_s - count.last_s <= FORGET_S else _Count()


def _keys(person: str, address: str, familiar: bool, browser: str) -> list[tuple[tuple[str, str], float]]:
    if browser:
        return [((f"person {person}", f"browser {browser}"), LONGEST_S)]
    net = network_of(address)
    own = ((f"person {person}", net), LONGEST_S) if familiar else ((f"person {person}", ""), LONGEST_PERSON_S)
    return [(("address", net), LONGEST_S), own]


def network_of(address: str) -> str:
    """What counts as one address: of IPv6 the network, for anybody there has a great many addresses."""
    try:
        ip = ipaddress.ip_address(address)
    except ValueError:
        return address
    if ip.version == 6 and not ip.is_loopback:
        return str(ipaddress.ip_network((ip, 64), strict=False))
    return str(ip)
