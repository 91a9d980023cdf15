"""Sentences cut to the length of a subject line, a telephone's text, a mail. Pure.

What is vital is never cut for want of room: what has happened, where and since when, the stop, what to do first, and a
caution. Names, percent and how to acknowledge go before them, for those stand in the alarm list too.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from nightrake.alarms.responses import CAUTION
from nightrake.domain.cleantext import clean
from nightrake.domain.torquetext import torque_words

SUBJECT_LENGTH, SHORT_LENGTH, LONG_LENGTH = 120, 700, 6000
SHORT_CAUTION = (
    "This isolates nothing: lock out, verify zero energy, release wind-up slowly, by the manufacturer's instructions "
    "and local codes; qualified people only."
)
"""`CAUTION` for a telephone."""
SHORTEST_CAUTION = (
    "Isolates nothing: lock out, verify zero energy; manufacturer's instructions, local codes, qualified people."
)
"""The same where there is no room for more."""
_UNITS = (("_nm", "N.m"), ("_mm", "mm"), ("_pct", "%"), ("_s", "s"))
_TORQUE = ("torque_nm", "torque_is", "torque_uncertainty_nm", "torque_uncertainty_lacks")


class Summary(NamedTuple):
    """What is told to a person.

    Attributes:
        subject: One line. short: For a telephone. long: For a mail.
    """

    subject: str
    short: str
    long: str


class Part(NamedTuple):
    """One part of a telephone's text: as it should be, and what may stand in its place where there is no room.

    Attributes:
        name: For the order in which parts are shortened. forms: From the longest to the shortest, which may be "".
    """

    name: str
    forms: tuple[str, ...]


def fitted(parts: Sequence[Part], order: Iterable[str], limit: int = SHORT_LENGTH) -> str:
    """Parts in one line, of which those in `order` are made shorter by one form each time until all fit.

    Should even that not help, because a site's own texts are long, the longest part that is not the last is cut.
    """
    forms = {p.name: [clean(f, limit) for f in p.forms] for p in parts}
    for name in order:
        if len(_joined(forms)) <= limit:
            break
        if len(forms.get(name, ())) > 1:
            forms[name].pop(0)
    return cut_longest([f[0] for f in forms.values()], limit)


def _joined(forms: Mapping[str, Sequence[str]]) -> str:
    return " ".join(f[0] for f in forms.values() if f[0])


def cut_longest(parts: Iterable[str], limit: int) -> str:
    """Sentences in one line; where it is too long, the longest that are not the last are cut."""
    texts = [clean(p, limit) for p in parts if p]
    while texts and (over := len(" ".join(texts)) - limit) > 0:
        longest = max(range(len(texts) - 1), key=lambda i: len(texts[i]), default=0)
        texts[longest] = cut(texts[longest], max(20, len(texts[longest]) - over))
        if len(texts[longest]) <= 20 and len(" ".join(texts)) > limit:
            return cut(" ".join(texts), limit)
    return " ".join(texts)


def steps_that_fit(steps: Sequence[str], room: int) -> str:
    """What to do first: every step, or as many whole ones as there is room for and how many more there are."""
    if not steps:
        return ""
    for count in range(len(steps), 0, -1):
        left = len(steps) - count
        more = f" ({left} more: nightrake alarms)" if left else ""
        text = f"First: {' '.join(steps[:count])}{more}"
        if len(text) <= room:
            return text
    return cut(f"First: {steps[0]}", max(20, room))


def subject_line(head: str, place: str, what: str, site: str) -> str:
    """One line; the site's name is the first to go."""
    text = f"{head}: {f'{place}: ' if place else ''}{what}"
    whole = f"{text} - {site}"
    return clean(whole if len(whole) <= SUBJECT_LENGTH else cut(text, SUBJECT_LENGTH), SUBJECT_LENGTH)


def bare_subject(subject: str, site: str) -> str:
    """A subject line without the site's name, for a list of them."""
    return subject.removesuffix(f" - {site}")


def facts_lines(facts: Mapping[str, Any], at: Any) -> list[str]:
    """Facts of an alarm as people read them.

    Args:
        at: Puts a UTC in milliseconds on the wall clock.
    """
    lines = []
    torque = torque_words(
        str(facts.get("torque_is", "")),
        facts.get("torque_nm"),
        facts.get("torque_uncertainty_nm"),
        lacks=bool(facts.get("torque_uncertainty_lacks")),
    )
    if torque:
        lines.append(f"torque: {torque}")
    for key, value in facts.items():
        if key not in _TORQUE and value not in (None, "", [], ()):
            lines.append(clean(_line(key, value, at), 300))
    return lines


def _line(key: str, value: Any, at: Any) -> str:
    if key.endswith("_utc_ms") and isinstance(value, int):
        return f"{key.removesuffix('_utc_ms').replace('_', ' ')}: {at(value)}"
    if key.endswith("_nm") and isinstance(value, int | float):
        return f"{key.removesuffix('_nm').replace('_', ' ')}: {value / 1000:.1f} kN.m"
    unit = next((u for end, u in _UNITS if key.endswith(end)), "")
    name = key.removesuffix("_" + key.rpartition("_")[2]) if unit else key
    return f"{name.replace('_', ' ')}: {_plain(value)}{f' {unit}' if unit else ''}"


def _plain(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return ", ".join(map(str, value))
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def cut(text: str, limit: int) -> str:
    """A text of at most so many characters."""
    return text if len(text) <= limit else f"{text[: limit - 3].rstrip()}..."


def span_words(minutes: int) -> str:
    """``90 min``, ``2 h 5 min``."""
    return f"{minutes // 60} h {minutes % 60} min" if minutes >= 120 else f"{minutes} min"


def capital(text: str) -> str:
    """With a capital letter in front."""
    return text[:1].upper() + text[1:]


def without_caution(instructions: Sequence[str]) -> list[str]:
    """What to do first, without the caution that stands under it."""
    return [i for i in instructions if i != CAUTION]
