"""One row in words, for the account of a night: only what the row itself says. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from nightrake.alarms.deliverywords import DELIVERIES, delivery_words
from nightrake.alarms.keys import parse_key
from nightrake.alarms.life import Life
from nightrake.alarms.table import ALARM_TYPES
from nightrake.alarms.told import Fact, counted, listed, span_text, torque_text

_WHY_CALLED = {
    "raised": "",
    "worse": ", because it has become worse",
    "again": ", once more",
    "other priority": ", because its priority has changed",
    "nobody answered": ", because nobody had answered",
    "still active": ", because it is still active after its time to respond",
    "found": ", because it stands already and nobody had been called for it",
    "nobody on duty any more": ", because the step before has nobody on duty any more",
    "nobody on duty in any step": ", because no step has anybody on duty",
}
_LIFE_AFTER = {
    Life.NORMAL.value: "It is gone, and with that over.",
    Life.CLEARED_UNACKNOWLEDGED.value: "It is gone; nobody has acknowledged it yet.",
    Life.LATCHED_UNACKNOWLEDGED.value: "Its contact has released; it stays latched, not yet acknowledged.",
    Life.LATCHED_ACKNOWLEDGED.value: "Its contact has released; it stays latched until it is reset.",
}
STOPS = {
    "stop_confirmed": "The stop is confirmed: the run feedback is off.",
    "stop_not_confirmed": "The stop is not confirmed: the run feedback cannot tell.",
    "still_running": "The motor is still running: the stop did not act.",
}
"""Events of drives that say whether the hard-wired stop has acted."""


def title_of(alarm: str, drive_names: Mapping[str, str]) -> str:
    """What an alarm is about and what it says, in words, from its key's text form."""
    try:
        key = parse_key(alarm)
    except ValueError:
        return alarm
    about = {"site": "The site"}.get(key.subject, key.subject)
    about = f"PLC {about.removeprefix('plc:')}" if about.startswith("plc:") else about
    name = drive_names.get(key.drive, "")
    where = ", ".join(
        p for p in (f"{about} {name}".strip(), key.direction, key.channel and f"channel {key.channel}") if p
    )
    known = ALARM_TYPES.get(key.kind)
    return f"{where}: {known.title if known else key.kind.replace('_', ' ')}"


def alarm_words(fact: Fact) -> str:
    """A transition of an alarm, without who acknowledged after how long (see `Account`)."""
    words = _ALARM.get(fact.event)
    return words(fact) if words is not None else f"{event_words(fact.event)}.{_by(fact)}"


def event_words(event: str) -> str:
    """An event's name as words, for whatever has none of its own."""
    text = event.replace("_", " ")
    return text[:1].upper() + text[1:]


def history_words(event: str, file: str = "") -> str:
    """What became of the history itself, and what was learned from it."""
    file = f" ({file})" if file else ""
    return {
        "recomputed": "torque of the past was derived anew",
        "recompute_failed": "deriving torque of the past anew was broken off",
        "trip_given_up": "a trip record was given up for want of room",
        "lost_again": "history was lost once more",
        "report_written": f"a report on torque creep was written{file}",
        "recording_on_change_began": "from here on some points are recorded on change",
        "recording_on_change_ended": "from here on everything that is read is recorded again",
    }.get(event, event_words(event).lower())


def _by(fact: Fact) -> str:
    actor = fact.text("actor")
    return f" By {actor}." if actor else ""


def _comes(fact: Fact) -> str:
    text = {"raised": "It came", "raised_again": "It came again", "worsened": "It became worse"}[fact.event]
    torque = torque_text(fact)
    at = "with the torque" if torque.startswith(("below", "beyond")) else "at"
    parts = [f"{text} {at} {torque}" if torque else text]
    if fact.text("torque_is") == "absent":
        parts.append("torque not known")
    if isinstance(running := fact.data.get("running"), bool):
        parts.append("motor running" if running else "motor standing")
    if fact.text("stop"):
        parts.append(f"stop {fact.text('stop')}")
    parts += _facts(fact)
    if fact.text("withheld"):
        parts.append(f"call held back: {fact.text('withheld')}")
    return ", ".join(parts) + "."


def _facts(fact: Fact) -> list[str]:
    """Facts of alarms that are about no torque."""
    parts = []
    if plcs := fact.texts("plcs"):
        parts.append(f"silent: {listed(plcs)}")
    if (unwatched := fact.number("unwatched")) is not None:
        drives = fact.texts("drives")
        parts.append(f"{counted(int(unwatched), 'drive')} unwatched" + (f": {listed(drives)}" if drives else ""))
    parts += [fact.text(k) for k in ("link", "detail") if fact.text(k)]
    if people := fact.texts("people"):
        parts.append(f"not reached: {listed(people)}")
    return parts


def _first(fact: Fact) -> str:
    """Who had asked for it before, where two people were needed."""
    return f" (asked for by {fact.text('first')} first)" if fact.text("first") else ""


def _goes(fact: Fact) -> str:
    return _LIFE_AFTER.get(fact.text("life"), "Its condition is gone.")


def _laid(what: str) -> Callable[[Fact], str]:
    def words(fact: Fact) -> str:
        reason = f": '{fact.text('reason')}'" if fact.text("reason") else ""
        return f"{fact.text('actor') or 'Somebody'} {what}{_first(fact)}{reason}."

    return words


_ALARM: Mapping[str, Callable[[Fact], str]] = {
    "raised": _comes,
    "raised_again": _comes,
    "worsened": _comes,
    "cleared": _goes,
    "latched": _goes,
    "reset": lambda f: (
        f"{f.text('actor') or 'Somebody'} reset it{_first(f)}, in this service's record only; it is over."
    ),
    "repeating_with_rotation": lambda f: "It repeats with the rotation of the drive.",
    "chattering_began": lambda f: "It comes and goes so fast that its calls are held back (chattering).",
    "chattering_ended": lambda f: "It has stopped chattering.",
    "call_released": lambda f: f"Its call was held back ({f.text('after')}) and goes out now.",
    "shelved": _laid("shelved it"),
    "unshelved": _laid("ended its shelving"),
    "shelving_ended": lambda f: "Its shelving ended by itself.",
    "out_of_service": _laid("took it out of service"),
    "returned_to_service": _laid("returned it to service"),
    "out_of_service_ended": lambda f: "Its time out of service ended by itself.",
    "suppressed": lambda f: f"It is suppressed by design: {f.text('why')}.",
    "suppression_ended": lambda f: "It is no longer suppressed by design.",
    "withdrawn": lambda f: "Its drive or PLC was taken out of the settings; it waits.",
    "reinstated": lambda f: "Its drive or PLC is in the settings again.",
}


# --- calls ---


def call_words(fact: Fact) -> str:
    """A row about whom an alarm calls; "" where another row says the same."""
    if fact.event in ("called", "reminded"):
        return _called(fact)
    if fact.event in DELIVERIES:
        return delivery_words(fact)
    if fact.event == "calls_ended":
        return _ended(fact)
    if fact.event == "calls_stopped" and fact.text("goes_on_as"):
        return f"The calls stopped: {_goes_on(fact)}."
    return {
        "nobody_on_duty": f"Step {_step(fact)} has nobody on duty, and was passed over.",
        "chain_ended": f"The calls ended after {counted(fact.count('rounds'), 'round')}; nobody had acknowledged.",
        "calls_stopped": "The calls stopped: nobody has to answer for it as it stands.",
        "calls_answered": "",
    }.get(fact.event, event_words(fact.event) + ".")


_WHY_ENDED = {
    "away": "it was taken out of the settings while it stood, so nobody watches it",
    "lost": "the record of its calls was damaged; if it still holds, it calls anew",
    "nobody": "nobody is left in the settings; it may still hold",
}


def _goes_on(fact: Fact) -> str:
    return f"it goes on under another name, {title_of(fact.text('goes_on_as'), {})}"


def _ended(fact: Fact) -> str:
    why = _WHY_ENDED.get(fact.text("why"), "")
    if fact.text("goes_on_as"):
        why = _goes_on(fact)
    had = f"; {listed(fact.texts('told'))} had been" if fact.texts("told") else ""
    return f"Nobody is called any more{f', for {why}' if why else ''}{had}."


def _step(fact: Fact) -> str:
    return f"{fact.count('step')} of {fact.count('steps')}"


def _called(fact: Fact) -> str:
    who = listed(fact.texts("people")) or "nobody"
    if fact.event == "reminded":
        return f"Reminded: {who}."
    everybody = "everybody: " if fact.data.get("everybody") is True else ""
    again = f", round {fact.count('round')}" if fact.count("round") > 1 else ""
    why = _WHY_CALLED.get(fact.text("why"), f", because: {fact.text('why')}")
    return f"Called: {everybody}{who} (step {_step(fact)}{again}){why}."


def check_words(fact: Fact) -> str:
    """A row of a call that is about no alarm: a test call, or what came of a message."""
    if fact.event in DELIVERIES:
        return delivery_words(fact)
    if fact.event == "check_called":
        within = f", to be answered within {span_text(s)}" if (s := fact.number("answer_s")) else ""
        return f"Test call ({fact.text('why')}) to {listed(fact.texts('people'))}{within}."
    if fact.event == "check_answered":
        after = f" after {span_text(s)}" if (s := fact.number("after_s")) is not None else ""
        return f"{fact.text('person')} answered the test call{after}."
    if fact.event == "check_unanswered":
        told = listed(fact.texts("people"))
        return f"{fact.text('person')} did not answer the test call" + (f"; {told} told." if told else ".")
    return f"{event_words(fact.event)}."


# --- lockout, commands ---

_DETAILS = (
    ("lock_number", "lock {}"),
    ("cause", "cause '{}'"),
    ("beside", "beside {}"),
    ("lock_of", "lock of {}"),
    ("absent", "absence verified: '{}'"),
    ("looked_for", "looked for: '{}'"),
    ("will_be_told", "will be told: '{}'"),
    ("to", "to {}"),
    ("name", "'{}'"),
    ("limit_s", "at most {} s"),
    ("first", "asked for by {} first"),
    ("reason", "reason '{}'"),
    ("remark", "remark '{}'"),
)


def lockout_words(fact: Fact) -> str:
    """A step of a lockout: by whom, what, with all that was given."""
    actor, role = fact.text("actor"), fact.text("role")
    who = f"{actor} ({role}): " if actor and role else f"{actor}: " if actor else ""
    if fact.event == "opened":
        return f"{who}{_opened(fact.text('because'), named=bool(who))}{_details(fact)}."
    if fact.event == "shutdown_again":
        return f"A further shutdown ({fact.text('because')}): cause and clearing are to be reported anew."
    words = {
        "release_asked": "release asked for; a second person has to confirm",
        "released": "RELEASED",
        "cancelled": "CANCELLED; no shutdown stood behind it",
    }
    if nothing := fact.text("nothing_taken_off"):
        words["lock_removed"] = f"lock removed, but the record took no lock off ({nothing})"
    if fact.text("cause") and fact.event == "cause":
        words["cause"] = f"cause '{fact.text('cause')}'"
    late = ", recorded although no lockout was open" if fact.data.get("late") is True else ""
    return f"{who}{words.get(fact.event, fact.event.replace('_', ' '))}{_details(fact)}{late}."


_BY_HAND = "by hand: "


def _opened(because: str, *, named: bool) -> str:
    """How a lockout came to be; a person's own name is said once."""
    if because.startswith(_BY_HAND):
        return "opened by hand" if named else f"opened by hand by {because.removeprefix(_BY_HAND)}"
    return f"opened, because of {because}"


def _details(fact: Fact) -> str:
    given = [words.format(fact.text(key)) for key, words in _DETAILS if fact.text(key) and key != fact.event]
    if fact.event == "released" and torque_text(fact):
        given.append(f"torque {torque_text(fact)}")
    return "".join(f", {g}" for g in given)


def refused_words(fact: Fact) -> str:
    """A command that was refused, or whatever else a command's row says."""
    actor = fact.text("actor") or "Somebody"
    verb = (fact.text("verb") or "a command").replace("_", " ")
    if fact.event == "refused":
        return f"{actor} asked for '{verb}' and was refused: {fact.text('reason') or 'no reason given'}."
    return f"{actor}: {verb} ({fact.event.replace('_', ' ')})."
