"""All alarms of a site as one value: conditions, time and people's requests in, the book after and entries out. Pure.

What the book holds is in `alarms.records`, how it goes on in `alarms.work`, what people may ask of it here below.
"""

from __future__ import annotations

from collections.abc import Sequence

from nightrake.alarms import overlays as over
from nightrake.alarms.calls import Need, Standing
from nightrake.alarms.flood import chatter_after_restart, flood_after_restart
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.life import ACTIVE, LATCHED, Life
from nightrake.alarms.life import after_restart as life_after_restart
from nightrake.alarms.records import Alarm, AlarmBook, Condition, Subject, is_at_rest, standing_of
from nightrake.alarms.rules import AlarmRules
from nightrake.alarms.work import Told, Work


def advance(
    book: AlarmBook, rules: AlarmRules, conditions: Sequence[Condition], now_ns: int, utc_ms: int
) -> tuple[AlarmBook, Told]:
    """Let time pass, then take in what has changed.

    Args:
        conditions: Those that differ from what was last said; one alarm may come twice (it held and is gone again).

    Returns:
        The book itself where nothing is different, and what is to be journalled, in order.
    """
    if not conditions and not is_due(book, now_ns, utc_ms):
        return book, ()
    work = begin(book, rules, now_ns, utc_ms)
    for condition in conditions:
        work.take(condition)
    return work.done()


def begin(book: AlarmBook, rules: AlarmRules, now_ns: int, utc_ms: int) -> Work:
    """Work on a book in which everything that is due has been done."""
    work = Work(book, rules, now_ns, utc_ms)
    if is_due(book, now_ns, utc_ms):
        work.let_time_pass()
    return work


def is_due(book: AlarmBook, now_ns: int, utc_ms: int) -> bool:
    """Whether time alone may change something now."""
    return 0 < book.due_ns <= now_ns or 0 < book.due_utc_ms <= utc_ms


def next_due_ns(book: AlarmBook) -> int:
    """A moment before which time alone changes nothing (but the end of an overlay by UTC), 0 = it never does."""
    return book.due_ns


# --- looking ---


def alarm_of(book: AlarmBook, key: AlarmKey) -> Alarm:
    """One alarm as it stands; a normal one where nothing is kept of it."""
    subject = book.subjects.get(key.subject, Subject())
    found = subject.alarms.get(str(key))
    if found is not None:
        return found
    blank = Alarm(key)
    return blank._replace(state=blank.state._replace(occurrence=subject.occurrences.get(str(key), 0)))


def is_latched(book: AlarmBook, drive: str, direction: str) -> bool:
    """Whether a shutdown of this drive and direction holds it: active, or latched and not reset."""
    life = alarm_of(book, AlarmKey(drive, direction, "shutdown_contact")).state.life
    return life in ACTIVE or life in LATCHED


def shown(book: AlarmBook) -> tuple[Alarm, ...]:
    """Every alarm that is not at rest, of subjects that are there; what only waits for its on-delay is not shown."""
    return tuple(
        alarm
        for subject in book.subjects.values()
        if not subject.away
        for alarm in subject.alarms.values()
        if alarm.state.life is not Life.NORMAL or not alarm.overlays.is_clear
    )


def changed_subjects(before: AlarmBook, after: AlarmBook) -> tuple[str, ...]:
    """Subjects of which something to be kept is different (each is kept as one `Subject`)."""
    if after.subjects is before.subjects:
        return ()
    return tuple(name for name, s in after.subjects.items() if s is not before.subjects.get(name))


def changed_standings(before: AlarmBook, after: AlarmBook, rules: AlarmRules) -> tuple[Standing, ...]:
    """What the escalation must be told: every alarm that stands differently, what is about a shutdown first."""
    found: list[Standing] = []
    for name in changed_subjects(before, after):
        old, new = before.subjects.get(name, Subject()), after.subjects[name]
        for text in dict.fromkeys((*new.alarms, *old.alarms)):
            alarm = new.alarms.get(text) or alarm_of(after, old.alarms[text].key)
            rule = rules.of(alarm.key)
            if rule is None:
                continue
            standing = standing_of(alarm, rule)
            if new.away:
                standing = standing._replace(need=Need.AWAY)
            was = old.alarms.get(text)
            told = standing_of(was, rule) if was is not None and not old.away else None
            if standing != told and (told is not None or standing.need not in (Need.OVER, Need.AWAY)):
                found.append(standing)
    return tuple(sorted(found, key=lambda s: s.priority != "urgent"))


# --- settings, restart ---


def on_settings(book: AlarmBook, rules: AlarmRules, now_ns: int, utc_ms: int) -> tuple[AlarmBook, Told]:
    """Take a whole new site.

    Subjects that are gone keep their alarms as they stand, for when they come back: nobody gets rid of a latch by
    taking the drive out of the settings. Alarms of which nothing is judged any more (a contact, a direction, a
    transducer was taken away) count as gone, and leave like any other.

    Args:
        rules: The new site's, which say what alarms there are (`AlarmRules.judging`).
    """
    keys = rules.keys
    moved = [n for n, s in book.subjects.items() if s.away is (n in keys)]
    turned = {
        n: s._replace(away=True) if not s.away else s._replace(away=False, alarms=_unjudged(s))
        for n, s in ((n, book.subjects[n]) for n in moved)
    }
    changed = book._replace(subjects={**book.subjects, **turned}, dues=None)
    work = Work(changed, rules, now_ns, utc_ms)
    for subject in turned.values():
        for alarm in subject.alarms.values():
            rule = rules.of(alarm.key)
            if rule is not None:
                work.tell(alarm, rule, "withdrawn" if subject.away else "reinstated", {})
    work.let_time_pass()
    for name, judged in keys.items():
        for text, alarm in changed.subjects.get(name, Subject()).alarms.items():
            if text not in judged:
                work.take(Condition(alarm.key, False))
    return work.done()


def _unjudged(subject: Subject) -> dict[str, Alarm]:
    return {t: a._replace(state=life_after_restart(a.state)) for t, a in subject.alarms.items()}


def after_restart(book: AlarmBook, now_ns: int, utc_ms: int, *, same_boot: bool) -> AlarmBook:
    """Bring a stored book back: nothing is raised twice and nothing forgotten.

    Lives stand; their conditions are unknown until they are judged; delays begin anew; overlays end when they would
    have. What came to its end meanwhile is told by the first `advance`.

    Args:
        same_boot: The machine was not started anew, so monotonic times go on.
    """
    subjects: dict[str, Subject] = {}
    for name, subject in book.subjects.items():
        alarms = {
            text: alarm._replace(
                overlays=over.after_restart(alarm.overlays, now_ns, utc_ms, same_boot=same_boot),
                chatter=chatter_after_restart(alarm.chatter, now_ns, same_boot=same_boot),
            )
            for text, alarm in _unjudged(subject).items()
        }
        kept = {text: alarm for text, alarm in alarms.items() if not is_at_rest(alarm)}
        subjects[name] = subject._replace(alarms=kept)
    return AlarmBook(subjects, flood_after_restart(book.flood, now_ns, same_boot=same_boot), 1, 0)
