"""A call in words: a subject line, a text for a telephone, a long one; what is readable first, then the facts. Pure.

Every text that may lead somebody to a machine has the caution once, in the short form where a telephone shows it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from nightrake.alarms.responses import CAUTION
from nightrake.domain.cleantext import clean
from nightrake.messages.about import About
from nightrake.messages.wording import (
    LONG_LENGTH,
    SHORT_CAUTION,
    SHORT_LENGTH,
    SHORTEST_CAUTION,
    Part,
    Summary,
    capital,
    cut,
    facts_lines,
    fitted,
    span_words,
    steps_that_fit,
    subject_line,
    without_caution,
)

BROKER = "site/-/broker_unreachable"
_HEADS = {"urgent": "URGENT", "high": "HIGH", "low": "LOW"}
_WHY = {
    "worse": "worse than before",
    "again": "again",
    "found": "it stands already, and nobody had been called for it",
    "still active": "still active, time to respond is over",
    "nobody answered": "nobody has answered yet",
    "other priority": "its priority has changed",
    "nobody on duty any more": "nobody else is on duty",
    "nobody on duty in any step": "nobody is on duty, so everybody is called",
}
_ENDS = {
    "calls_answered": "acknowledged",
    "calls_stopped": "nobody is called for it any more",
    "calls_ended": "normal again",
}
_SHORTER = (
    "told",
    "torque",
    "told",
    "more",
    "answer",
    "caution",
    "told",
    "next",
    "what",
    "more",
    "torque",
    "more",
)
"""What is shortened first where a telephone's text is too long."""


def call_summary(about: About, event: str, data: Mapping[str, Any], utc_ms: int, next_utc_ms: int = 0) -> Summary:
    """Words for the rows ``called``, ``reminded``.

    Args:
        data: The row's. utc_ms: Now. next_utc_ms: When the next call is due, 0 = not known.
    """
    again = "reminder" if event == "reminded" else _WHY.get(str(data.get("why", "")), "")
    minutes = max(0, utc_ms - about.since_utc_ms) // 60_000
    since = f"since {about.when(about.since_utc_ms, utc_ms)} ({span_words(minutes)}){f'; {again}' if again else ''}."
    first = f"{about.site}: {f'{about.long_place}: ' if about.place else ''}{about.title} {since}"
    torque = f"Torque {about.torque_line}." if about.torque_line else ""
    stop = _sentence(about.stop_line)
    over = [
        _sentence(x) for x in (about.other_line, about.lockout_line, about.gone_line(utc_ms), about.flood_line) if x
    ]
    told = _told(about, data)
    after = f"Next call {about.when(next_utc_ms, utc_ms)}." if next_utc_ms else ""
    answer = f"Acknowledge: {about.alarm} occurrence {about.occurrence}."
    parts = [
        Part("what", (first, f"{f'{about.place}: ' if about.place else ''}{about.title} {since}")),
        Part(
            "torque",
            (torque, f"Torque {about.torque}, {about.trend_words}.", f"Torque {about.torque}.")[: 3 if torque else 1],
        ),
        Part("stop", (stop,)),
        Part("more", tuple(" ".join(over[:n]) for n in range(len(over), min(1, len(over)) - 1, -1))),
        Part("steps", ("",)),
        Part("told", (told[0], told[1], told[2], "")),
        Part("next", (after, "")),
        Part("answer", (answer, "")),
        Part("caution", (SHORT_CAUTION, SHORTEST_CAUTION) if CAUTION in about.instructions else ("",)),
    ]
    short = _with_steps(parts, without_caution(about.instructions))
    lines = [first, torque, stop, " ".join(over), told[0], after, answer]
    return Summary(_call_subject(about, event, utc_ms), short, _long(about, lines, data))


def ended_summary(about: About, event: str, data: Mapping[str, Any], utc_ms: int) -> Summary:
    """Words for those who were called and are not needed any more: ``calls_answered``, ``_stopped``, ``_ended``."""
    if data.get("why") == "away":
        return _unwatched_summary(about, utc_ms)
    why = _ENDS.get(event, "over")
    if event == "calls_answered" and data.get("actor"):
        why = f"acknowledged by {about.person(str(data['actor']))}"
    elif event == "calls_stopped" and about.silent:
        why = about.silent
    elif data.get("why") == "lost":
        why = "its record in the store was damaged; if it still holds you are called again"
    elif data.get("why") == "nobody":
        why = "nobody is left in the settings who could be called; it may still hold"
    elif data.get("goes_on_as"):
        why = f"goes on as {about._replace(alarm=str(data['goes_on_as'])).place}, which calls by itself"
    respond = float(data.get("respond_s") or 0.0)
    later = f" Still active in {span_words(round(respond / 60))}, it calls again." if respond else ""
    place = f"{about.long_place}: " if about.place else ""
    at = about.at(utc_ms)[-5:]
    head, so = "No longer needed", "You are no longer needed for it."
    if data.get("why") == "nobody":  # by mistake, most likely; nothing says that it is over
        head, so = "CALLS NOBODY ANY MORE", "Stay with it until people.toml has been put right and reloaded."
    text = clean(f"{about.site}: {place}{about.title}: {why}, at {at}. {so}{later}", SHORT_LENGTH)
    return Summary(subject_line(head, about.place, f"{about.title}: {why}", about.site), text, text)


def _unwatched_summary(about: About, utc_ms: int) -> Summary:
    """Its drive has left the settings while it stood: nothing says that it is over."""
    where = about.place or "the site"
    text = (
        f"{about.site}: {where}: {about.title}: taken out of the settings while it stood, {about.at(utc_ms)}: nobody "
        f"watches it now. It may still hold. Look at it on site, and put it back into the settings. {SHORT_CAUTION}"
    )
    text = clean(text, SHORT_LENGTH)
    return Summary(subject_line("NOT WATCHED ANY MORE", about.place, about.title, about.site), text, text)


def back_summary(about: About, utc_ms: int) -> Summary:
    """Words for a call about the broker that came over the broker: it works again, at least for this person."""
    since = about.when(about.since_utc_ms, utc_ms)
    why = f" ({about.other_line})" if about.other_line else ""
    text = (
        f"{about.site}: messages did not get through over the broker from {since} on{why}. This one has, so they do "
        f"again, to you at least. See what came meanwhile: nightrake alarms."
    )
    text = clean(text, SHORT_LENGTH)
    what = f"messages did not get through from {since} on, this one has"
    return Summary(subject_line(_HEADS.get(about.priority, "HIGH"), "", what, about.site), text, text)


def check_summary(site: str, answer_s: float, why: str) -> Summary:
    """Words for a test call."""
    within = span_words(round(answer_s / 60)) if answer_s >= 120 else f"{answer_s:g} s"
    text = (
        f"{site}: this is a test call ({why}). Nothing has happened. Answer it within {within}, "
        f"or the next person is told that the way to you is dead. To answer: nightrake answer."
    )
    text = clean(text, SHORT_LENGTH)
    return Summary(subject_line("TEST CALL", "", f"please answer within {within}", site), text, text)


def unanswered_summary(site: str, name: str, why: str) -> Summary:
    """Words for whoever is told that the way to a person is dead."""
    text = (
        f"{site}: {name} has not answered a test call ({why}): the way to them is dead, and an alarm may not reach "
        f"them either. Reach them in another way, and have theirs mended."
    )
    text = clean(text, SHORT_LENGTH)
    return Summary(subject_line("PAGING IS DEAD", "", f"{name} has not answered a test call", site), text, text)


# --- parts ---


def _call_subject(about: About, event: str, utc_ms: int) -> str:
    head = _HEADS.get(about.priority, about.priority.upper())
    # A motor that should not run is what somebody must read first.
    stop = about.stop_line.split(" after ")[0]
    facts = stop if "MOTOR" in stop or not about.torque else about.torque
    return subject_line(
        head if event != "reminded" else f"{head} reminder",
        about.place,
        ", ".join(p for p in (about.title, about.when(about.since_utc_ms, utc_ms), facts or about.other_line) if p),
        about.site,
    )


def _sentence(text: str) -> str:
    return f"{capital(text)}." if text else ""


def _told(about: About, data: Mapping[str, Any]) -> tuple[str, str, str]:
    """Who has been told: with names, by id, and without those before."""
    now, before = list(data.get("people", ())), data.get("told_before", ())
    earlier = [p for p in before if p not in now]
    everybody = bool(data.get("everybody"))
    forms = []
    for names, most in ((_names, 4), (_ids, 3)):
        text = f"Called now: {'everybody' if everybody else names(about, now, most)}." if now else ""
        forms.append(f"{text} Before: {names(about, earlier, most)}." if earlier else text)
        forms.append(text)
    return forms[0], forms[2], forms[3]


def _names(about: About, people: Sequence[str], most: int) -> str:
    named = ", ".join(about.person(p) for p in people[:most])
    return f"{named} and {len(people) - most} more" if len(people) > most else named


def _ids(_about: About, people: Sequence[str], most: int) -> str:
    named = ", ".join(people[:most])
    return f"{named} and {len(people) - most} more" if len(people) > most else named


def _with_steps(parts: Sequence[Part], steps: Sequence[str]) -> str:
    """The whole with what to do first, which gets the room that it needs before anything that can be looked up."""
    whole = f"First: {' '.join(steps)}" if steps else ""
    at = next(n for n, p in enumerate(parts) if p.name == "steps")
    texts = [*parts]
    texts[at] = Part("steps", (whole,))
    order = list(_SHORTER)
    least = [p.forms[-1] for p in parts]
    room = SHORT_LENGTH - len(" ".join(p for p in least if p)) - 1
    if len(clean(whole, SHORT_LENGTH + 1)) > room:
        texts[at] = Part("steps", (steps_that_fit(steps, room),))
    return fitted(texts, order)


def _long(about: About, lines: Sequence[str], data: Mapping[str, Any]) -> str:
    steps = [f"  {n}. {step}" for n, step in enumerate(without_caution(about.instructions), 1)]
    caution = [CAUTION] if CAUTION in about.instructions else []
    why = [f"Likely cause: {about.cause}." if about.cause else ""]
    why += [f"If nobody acts: {about.consequence}." if about.consequence else ""]
    step = f"step {data['step']} of {data['steps']}" if data.get("steps") else ""
    call = ", ".join(p for p in (step, f"round {data['round']}" if int(data.get("round") or 0) > 1 else "") if p)
    facts = [f"priority: {about.priority}", f"alarm: {about.alarm}, occurrence {about.occurrence}"]
    facts += [f"call: {call}"] if call else []
    facts += [f"times: {about.zone.name}"]
    raised = facts_lines(about.facts, about.at)
    parts = [
        "\n".join(clean(line, 1000) for line in lines if line),
        "\n".join(["What to do first:", *steps, *caution]) if about.instructions else "",
        "\n".join(w for w in why if w),
        "Facts\n" + "\n".join(f"  {clean(line, 300)}" for line in facts),
        f"As it was when raised, {about.at(about.since_utc_ms)}\n" + "\n".join(f"  {x}" for x in raised)
        if raised
        else "",
    ]
    return cut("\n\n".join(p for p in parts if p), LONG_LENGTH)
