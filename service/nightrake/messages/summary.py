"""A call in words: a subject line, a text for a telephone, a long one; what is readable first, then the facts. Pure.

Every text that may lead somebody to a machine has the caution once, in the short form where a telephone shows it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from nightrake.alarms.callqueue import More
from nightrake.alarms.responses import CAUTION
from nightrake.domain.cleantext import clean
from nightrake.messages.about import About

SUBJECT_LENGTH, SHORT_LENGTH, LONG_LENGTH = 120, 700, 6000
SHORT_CAUTION = (
    "This isolates nothing: lock out, verify zero energy, release wind-up slowly, by the manufacturer's instructions "
    "and local codes; qualified people only."
)
"""`CAUTION` for a telephone."""
_HEADS = {"urgent": "URGENT", "high": "HIGH", "low": "LOW"}
_WHY = {
    "worse": "worse than before",
    "again": "again",
    "still active": "still active, time to respond is over",
    "nobody answered": "nobody has answered yet",
    "other priority": "its priority has changed",
    "nobody on duty any more": "nobody else is on duty",
    "nobody on duty in any step": "nobody is on duty, so everybody is called",
}
_ENDS = {
    "calls_answered": "acknowledged",
    "calls_stopped": "returned, shelved or suppressed; nobody is called any more",
    "calls_ended": "normal again",
}


class Summary(NamedTuple):
    """What is told to a person.

    Attributes:
        subject: One line. short: For a telephone. long: For a mail.
    """

    subject: str
    short: str
    long: str


def call_summary(about: About, event: str, data: Mapping[str, Any], utc_ms: int, next_utc_ms: int = 0) -> Summary:
    """Words for the rows ``called``, ``reminded``.

    Args:
        data: The row's. utc_ms: Now. next_utc_ms: When the next call is due, 0 = not known.
    """
    again = "reminder" if event == "reminded" else _WHY.get(str(data.get("why", "")), "")
    head = _HEADS.get(about.priority, about.priority.upper())
    minutes = max(0, utc_ms - about.since_utc_ms) // 60_000
    since = f"since {about.at(about.since_utc_ms)} ({_span(minutes)})"
    facts = [f"Torque {about.torque_line}." if about.torque_line else ""]
    facts += [f"{_capital(line)}." for line in (about.stop_line, about.other_line) if line]
    told = _told(about, data)
    nobody = f"Nobody has acknowledged it; next call {about.at(next_utc_ms)[-5:]}." if next_utc_ms else ""
    first = f"{about.site}: {f'{about.long_place}: ' if about.place else ''}{about.title} {since}"
    first += f"; {again}." if again else "."
    subject_facts = about.torque if about.torque else about.stop_line
    subject = _subject(
        head if event != "reminded" else f"{head} reminder",
        about.place,
        ", ".join(p for p in (about.title, about.at(about.since_utc_ms)[-5:], subject_facts) if p),
        about.site,
    )
    answer = f"Acknowledge: {about.alarm} occurrence {about.occurrence}."
    short = _short([first, *facts], about.instructions, [told, nobody, answer])
    return Summary(subject, short, _long(about, [first, *facts, told, nobody, answer], data))


def ended_summary(about: About, event: str, data: Mapping[str, Any], utc_ms: int) -> Summary:
    """Words for those who were called and are not needed any more: ``calls_answered``, ``_stopped``, ``_ended``."""
    why = _ENDS.get(event, "over")
    if event == "calls_answered" and data.get("actor"):
        why = f"acknowledged by {about.person(str(data['actor']))}"
    respond = float(data.get("respond_s") or 0.0)
    later = f" Still active in {_span(round(respond / 60))}, it calls again." if respond else ""
    place = f"{about.long_place}: " if about.place else ""
    text = f"{about.site}: {place}{about.title}: {why}, {about.at(utc_ms)}. You are no longer needed for it.{later}"
    text = clean(text, SHORT_LENGTH)
    return Summary(_subject("No longer needed", about.place, f"{about.title}: {why}", about.site), text, text)


def check_summary(site: str, answer_s: float, why: str) -> Summary:
    """Words for a test call."""
    text = (
        f"{site}: this is a test call ({why}). Nothing has happened. Answer it within {_span(round(answer_s / 60))}, "
        f"or the next person is told that the way to you is dead."
    )
    text = clean(text, SHORT_LENGTH)
    return Summary(_subject("TEST CALL", "", f"please answer within {_span(round(answer_s / 60))}", site), text, text)


def unanswered_summary(site: str, name: str, why: str) -> Summary:
    """Words for whoever is told that the way to a person is dead."""
    text = (
        f"{site}: {name} has not answered a test call ({why}): the way to them is dead, and an alarm may not reach "
        f"them either. Reach them in another way, and have theirs mended."
    )
    text = clean(text, SHORT_LENGTH)
    return Summary(_subject("PAGING IS DEAD", "", f"{name} has not answered a test call", site), text, text)


def more_summary(more: More, site: str) -> Summary:
    """Words for one message in the place of many."""
    counts, number = more.counts, sum(more.counts.values())
    parts = [f"{n} {p}" for p, n in counts.items()]
    calling = f"{number} more {_plural(number, 'alarm calls', 'alarms call')} you: {', '.join(parts)}" if number else ""
    gone = more.over
    over = f"{gone} {_plural(gone, 'alarm has', 'alarms have')} come and gone meanwhile" if gone else ""
    both = "; ".join(p for p in (calling, over) if p)
    some = [str(c.payload.get("subject", c.alarm)) for c in more.calls if not c.ends]
    listed = "".join(f" - {line}\n" for line in some[:20])
    see = "See all that stand: the retained alarm topics, or nightrake status." if number else ""
    short = _fitted([f"{site}: {both}.", *(f"{s}." for s in some[:3]), see], SHORT_LENGTH)
    long = _cut(f"{site}: {both}.\n\n{listed}\n{see}".strip(), LONG_LENGTH)
    return Summary(_subject("MORE" if number else "Over", "", both, site), short, long)


def more_payload(more: More, site: str) -> dict[str, Any]:
    """What goes out over MQTT in the place of many messages."""
    words = more_summary(more, site)
    data = {"person": more.person, "subject": words.subject, "text": words.short}
    return data | {"calling": more.counts, "over": more.over}


# --- parts ---


def _told(about: About, data: Mapping[str, Any]) -> str:
    now, before = data.get("people", ()), data.get("told_before", ())
    everybody = "everybody" if data.get("everybody") else _names(about, now)
    earlier = [p for p in before if p not in now]
    text = f"Called now: {everybody}." if now else ""
    return f"{text} Before: {_names(about, earlier)}." if earlier else text


def _names(about: About, people: Sequence[str], most: int = 4) -> str:
    named = ", ".join(about.person(p) for p in people[:most])
    return f"{named} and {len(people) - most} more" if len(people) > most else named


def _short(head: Sequence[str], instructions: Sequence[str], tail: Sequence[str]) -> str:
    """Head, tail and caution whole; of what to do first as much as there is room for."""
    cautious = CAUTION in instructions
    steps = [i for i in instructions if i != CAUTION]
    fixed = _fitted([*head, *tail, SHORT_CAUTION if cautious else ""], SHORT_LENGTH)
    room = SHORT_LENGTH - len(fixed) - len(" First: ... (more in the long text)")
    fits: list[str] = []
    for step in steps:
        if sum(len(s) + 1 for s in fits) + len(step) > room:
            break
        fits.append(step)
    more = " (more in the long text)" if len(fits) < len(steps) else ""
    first = f"First: {' '.join(fits)}{more}" if fits else ""
    return _fitted([*head, first, *tail, SHORT_CAUTION if cautious else ""], SHORT_LENGTH)


def _fitted(parts: Iterable[str], limit: int) -> str:
    """Sentences in one line; where it is too long, the longest that are not the last are cut."""
    texts = [clean(p, limit) for p in parts if p]
    while texts and (over := len(" ".join(texts)) - limit) > 0:
        longest = max(range(len(texts) - 1), key=lambda i: len(texts[i]), default=0)
        texts[longest] = _cut(texts[longest], max(20, len(texts[longest]) - over))
        if len(texts[longest]) <= 20 and len(" ".join(texts)) > limit:
            return _cut(" ".join(texts), limit)
    return " ".join(texts)


def _long(about: About, lines: Sequence[str], data: Mapping[str, Any]) -> str:
    steps = [f"  {n}. {step}" for n, step in enumerate((i for i in about.instructions if i != CAUTION), 1)]
    caution = [CAUTION] if CAUTION in about.instructions else []
    why = [f"Likely cause: {about.cause}." if about.cause else ""]
    why += [f"If nobody acts: {about.consequence}." if about.consequence else ""]
    facts = {"priority": about.priority, "alarm": about.alarm, "occurrence": about.occurrence}
    facts |= {k: data[k] for k in ("step", "steps", "round", "why") if k in data}
    facts |= {f"when raised, {k}": v for k, v in about.facts.items() if v not in (None, "", [], False)}
    parts = [
        "\n".join(clean(line, 1000) for line in lines if line),
        "\n".join(["What to do first:", *steps, *caution]) if about.instructions else "",
        "\n".join(w for w in why if w),
        "Facts\n" + "\n".join(clean(f"  {k.replace('_', ' ')}: {_fact(v)}", 300) for k, v in facts.items()),
    ]
    return _cut("\n\n".join(p for p in parts if p), LONG_LENGTH)


def _fact(value: Any) -> str:
    if isinstance(value, list | tuple):
        return ", ".join(map(str, value))
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _subject(head: str, place: str, what: str, site: str) -> str:
    text = f"{head}: {f'{place}: ' if place else ''}{what}"
    whole = f"{text} - {site}"
    return clean(whole if len(whole) <= SUBJECT_LENGTH else _cut(text, SUBJECT_LENGTH), SUBJECT_LENGTH)


def _cut(text: str, limit: int) -> str:
    return text if len(text) <= limit else f"{text[: limit - 3].rstrip()}..."


def _span(minutes: int) -> str:
    return f"{minutes // 60} h {minutes % 60} min" if minutes >= 120 else f"{minutes} min"


def _plural(number: int, one: str, many: str) -> str:
    return one if number == 1 else many


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
