"""A night as its rows tell it: each alarm with its calls, answers and end, lockouts, what was unwatched. Pure.

Rows go in one by one and in order, those before the period too: only so is it known what stood when it began. Of what
was over by then nothing is kept. How it reads is in `alarms.accountlines`, the words of a row in `alarms.accountwords`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from nightrake.alarms.accountstories import Line, Night, Story
from nightrake.alarms.accountwords import (
    STOPS,
    alarm_words,
    call_words,
    check_words,
    event_words,
    history_words,
    lockout_words,
    refused_words,
)
from nightrake.alarms.deliverywords import delivery_key, is_about_alarm
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.life import Life
from nightrake.alarms.pagewords import page_words
from nightrake.alarms.told import Fact, Moment, between_s, fact_of, span_text, step_text
from nightrake.alarms.unwatched import Unwatched
from nightrake.domain.rows import Row

KINDS = ("alarm", "call", "command", "lockout", "service", "settings", "link", "plc", "history", "learning", "page")
"""Kinds of rows that an account needs."""
DRIVE_EVENTS = (*STOPS, "test_began", "test_ended", "standby_began", "standby_ended", "shutdown_suspect")
"""Events of the kind ``drive`` that it needs besides."""
COMINGS_SHOWN = 12
"""So many lines about one alarm's coming and going are kept; the rest is counted."""
CALLS_SHOWN = 100
LINES_SHOWN = 500
"""Lines kept of the calls for one alarm, and of anything else."""
_COMES_AND_GOES = frozenset({"raised_again", "cleared", "latched", "chattering_began", "chattering_ended"})
_COMES = frozenset({"raised", "raised_again", "worsened"})


class Account:
    """Takes rows, gives a `Night`.

    Args:
        from_utc_ms, to_utc_ms: The period, its end not included.
    """

    def __init__(self, from_utc_ms: int, to_utc_ms: int) -> None:
        self._from_utc_ms, self._to_utc_ms = from_utc_ms, to_utc_ms
        self._rows = self._untrusted = 0
        self._first: Moment | None = None
        self._last: Moment | None = None
        self._alarms: dict[str, Story] = {}
        self._lockouts: dict[str, Story] = {}
        self._kept: list[Story] = []
        self._kept_lockouts: list[Story] = []
        self._checks: list[Line] = []
        self._others: list[Line] = []
        self._unwatched = Unwatched(from_utc_ms, to_utc_ms)
        self._take: Mapping[str, Callable[[Fact], None]] = {
            "alarm": self._alarm,
            "call": self._call,
            "lockout": self._lockout,
            "command": self._command,
            "drive": self._drive,
            "service": self._service,
            "settings": self._service,
            "history": self._history,
            "learning": self._history,
            "page": self._page,
        }

    def take(self, row: Row) -> None:
        """The next row."""
        fact = fact_of(row)
        self._first = self._first or fact.at
        if fact.kind in ("service", "link", "plc"):
            self._unwatched.take(fact)
        if fact.at.utc_ms >= self._to_utc_ms:
            return
        self._last = fact.at
        if self._is_in(fact):
            self._rows += 1
            self._untrusted += not fact.at.trusted
        take = self._take.get(fact.kind)
        if take is not None:
            take(fact)

    def done(self) -> Night:
        """What it all adds up to."""
        for stories, kept in ((self._alarms, self._kept), (self._lockouts, self._kept_lockouts)):
            kept += [s for s in stories.values() if s.touched or s.stands]
            stories.clear()
        return Night(
            self._from_utc_ms,
            self._to_utc_ms,
            self._rows,
            self._untrusted,
            self._first,
            self._last,
            tuple(sorted(self._kept, key=self._order)),
            tuple(sorted(self._kept_lockouts, key=self._order)),
            tuple(self._checks),
            tuple(self._others),
            self._unwatched,
        )

    def _is_in(self, fact: Fact) -> bool:
        return self._from_utc_ms <= fact.at.utc_ms < self._to_utc_ms

    @staticmethod
    def _order(story: Story) -> int:
        at = story.came or (story.lines[0].at if story.lines else None)
        return at.utc_ms if at else 0

    # --- alarms ---

    def _story(self, fact: Fact) -> Story:
        """The story of the alarm and occurrence that a row is about; an older occurrence is put away."""
        name, number = fact.text("alarm"), fact.count("occurrence")
        held = self._alarms.get(name)
        if held is not None and number in (held.number, 0):
            return held
        if held is not None and held.over is None and fact.event in _COMES:
            held.again = fact.at
        if held is not None and held.touched:
            self._kept.append(held)
        was = fact.text("was")
        # A further occurrence comes with the row that counts it, whatever its alarm was at before.
        new = held is not None and fact.event == "raised_again"
        story = Story(name, number, was=was, came=fact.at if new else None)
        self._alarms[name] = story
        return story

    def _alarm(self, fact: Fact) -> None:
        if not fact.text("alarm"):
            self._other(fact, self._site_words(fact))
            return
        story = self._story(fact)
        story.priority = fact.text("priority") or story.priority
        if fact.event in _COMES:
            story.came = story.came or (fact.at if fact.event == "raised" else None)
            story.waits = story.waits or fact.at
            story.stop = fact.text("stop") or story.stop
            story.over = None
        if fact.event == "acknowledged":
            self._acknowledged(story, fact)
        else:
            self._line(story, fact, alarm_words(fact))
        if fact.text("life") == Life.NORMAL.value:
            story.over = story.over or fact.at

    @staticmethod
    def _site_words(fact: Fact) -> str:
        if fact.event == "flood_began":
            return f"An alarm flood began ({fact.count('count')} alarms within 10 minutes)."
        if fact.event == "flood_ended":
            return f"The alarm flood ended, after {fact.count('count')} alarms."
        where = f"{fact.drive} {fact.direction}".strip()
        return f"{where}: {event_words(fact.event).lower()}." if where else f"{event_words(fact.event)}."

    def _acknowledged(self, story: Story, fact: Fact) -> None:
        """Told by the alarm and by its calls; whichever comes first is told on."""
        who, mark = fact.text("actor") or "Somebody", (fact.text("actor"), fact.at.mono_ns)
        if mark == story.ack_mark:
            return
        story.ack_mark = mark
        after_s = between_s(story.waits, fact.at) if story.waits else None
        story.waits = None
        if not self._is_in(fact):
            story.acked_before = who
            return
        after = f", {span_text(after_s)} after it had come" if after_s is not None else ""
        story.acked.append((who, after_s))
        self._line(story, fact, f"{who} acknowledged it{after}.")

    def _call(self, fact: Fact) -> None:
        if not is_about_alarm(fact):
            self._check(fact)
            return
        story = self._story(fact)
        if fact.event == "calls_answered":
            self._acknowledged(story, fact)
        elif words := call_words(fact):
            calls = fact.event in ("called", "reminded")
            key = (fact.event, str(fact.count("step")), *fact.texts("people")) if calls else delivery_key(fact)
            self._line(story, fact, words, key)
        if fact.event in ("called", "reminded") and self._is_in(fact):
            story.calls += 1
            story.called |= dict.fromkeys(fact.texts("people"))

    def _check(self, fact: Fact) -> None:
        """A test call and its messages; what else is about no alarm stands among the rest."""
        about = fact.data.get("last_data", fact.data)
        message = about.get("message") if isinstance(about, Mapping) else ""
        is_check = fact.event.startswith("check_") or str(message).startswith("check_")
        if self._is_in(fact):
            line = Line(fact.at, check_words(fact), delivery_key(fact))
            _add(self._checks if is_check else self._others, line)

    def _line(self, story: Story, fact: Fact, text: str, key: tuple[str, ...] = ()) -> None:
        if not self._is_in(fact):
            return
        story.touched = True
        last = story.lines[-1] if story.lines else None
        if last is not None and key and last.key == key and len(last.again) < CALLS_SHOWN:
            story.lines[-1] = last._replace(again=(*last.again, fact.at))
            return
        comes = fact.event in _COMES_AND_GOES
        story.comings += comes
        limit = CALLS_SHOWN if fact.kind == "call" else LINES_SHOWN
        if (comes and story.comings > COMINGS_SHOWN) or len(story.lines) >= limit:
            story.left_out += 1
        else:
            story.lines.append(Line(fact.at, text, key))

    # --- lockouts, commands, drives, the service ---

    def _lockout(self, fact: Fact) -> None:
        number = fact.count("lockout")
        story = self._lockouts.get(fact.drive)
        if story is None or number != story.number:
            if story is not None and story.touched:
                self._kept_lockouts.append(story)
            story = Story(fact.drive, number)
            self._lockouts[fact.drive] = story
        if fact.event == "opened":
            story.came = fact.at
        elif fact.event in ("released", "cancelled"):
            story.over, story.cancelled = fact.at, fact.event == "cancelled"
        self._line(story, fact, lockout_words(fact))

    def _command(self, fact: Fact) -> None:
        about = self._alarms.get(fact.text("alarm"))
        if about is not None and about.over is None:
            self._line(about, fact, refused_words(fact))
            return
        lockout = self._lockouts.get(fact.drive)
        if lockout is not None and lockout.over is None:
            self._line(lockout, fact, refused_words(fact))
            return
        self._other(fact, f"{fact.drive}: {refused_words(fact)}" if fact.drive else refused_words(fact))

    def _drive(self, fact: Fact) -> None:
        words = STOPS.get(fact.event)
        if fact.event not in DRIVE_EVENTS:
            return
        if words is None:
            by = fact.text("by") or fact.text("actor")
            self._other(fact, f"{fact.drive}: {event_words(fact.event).lower()}{f', by {by}' if by else ''}.")
            return
        story = self._alarms.get(str(AlarmKey(fact.drive, fact.direction, "shutdown_contact")))
        if story is None or story.over is not None:
            self._other(fact, f"{fact.drive} {fact.direction}: {words}")
            return
        story.stop = fact.event.removeprefix("stop_").replace("_", " ")
        self._line(story, fact, words)

    def _service(self, fact: Fact) -> None:
        if fact.event == "gap":  # told as a span
            return
        lost = f"{fact.count('first_seq')} to {fact.count('last_seq')}"
        words = {
            "started": f"The watch was started (version {fact.text('version')}).",
            "stopped": "The watch was stopped, as asked.",
            "rows_lost": f"Rows {lost} were given up, because the disk took none.",
            "archive_given_up": f"The oldest archive, with rows {lost}, was given up for want of room.",
            "clock_stepped": f"The clock was set {step_text(fact.number('by_s') or 0)}.",
            "settings_changed": "The settings were changed.",
        }.get(fact.event, f"{event_words(fact.event)}.")
        self._other(fact, words)

    def _history(self, fact: Fact) -> None:
        where = f"{fact.drive} {fact.direction}".strip()
        by = f", by {fact.text('actor')}" if fact.text("actor") else ""
        record = f" ({fact.text('record')})" if fact.text("record") else ""
        words = f"{history_words(fact.event, fact.text('file'))}{record}{by}."
        self._other(fact, f"{where}: {words}" if where else f"{words[:1].upper()}{words[1:]}")

    def _page(self, fact: Fact) -> None:
        self._other(fact, page_words(fact))

    def _other(self, fact: Fact, text: str) -> None:
        if self._is_in(fact):
            _add(self._others, Line(fact.at, text))


def _add(lines: list[Line], line: Line) -> None:
    """One more line, as far as they are kept; what says the same as the last one is put to it."""
    last = lines[-1] if lines else None
    if last is not None and line.key and last.key == line.key and len(last.again) < CALLS_SHOWN:
        lines[-1] = last._replace(again=(*last.again, line.at))
    elif len(lines) < LINES_SHOWN:
        lines.append(line)
