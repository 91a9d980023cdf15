"""From rows of the journal to people: what each is told over broker and channels, and alarms as they stand.

    row (on disk, or a second late) --> alarm: its retained state
                                    '-> call: words, payload --> teller (MQTT), channels (mail, webhook, ...)
    outcome of a channel --> journal

Rows carry who is called; the state as it is now carries the rest, so that what is told late is still right.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple, Protocol

from nightrake.alarms.book import alarm_of
from nightrake.alarms.callqueue import Call, Limit, More
from nightrake.alarms.keys import AlarmKey, parse_key
from nightrake.alarms.life import Life
from nightrake.alarms.view import alarm_view
from nightrake.channels.spec import ChannelSpec, Outcome
from nightrake.domain.rows import Entry, Row
from nightrake.domain.state import SiteState
from nightrake.domain.view import drive_view
from nightrake.messages.about import About
from nightrake.messages.summary import (
    Summary,
    call_summary,
    check_summary,
    ended_summary,
    more_summary,
    unanswered_summary,
)
from nightrake.messages.trend import Trends
from nightrake.settings import Secrets, Settings

CHECK = "test-call"
"""Stands for an alarm where a person is only tried; ``test-call:PERSON`` where one's way is told to be dead."""
FACTS_BYTES = 1500
"""Facts of an alarm in a message, as JSON; what is more is left to the journal."""
_CALLS = ("called", "reminded")
_ENDS = ("calls_answered", "calls_stopped", "calls_ended")


class Teller(Protocol):
    """The broker's side, as it is used here."""

    def call(self, call: Call) -> None:
        """Tell one person."""
        ...

    def calls_no_longer(self, alarm: str) -> None:
        """Drop what waits because of an alarm."""
        ...

    def mark_alarm(self, alarm: str, payload: Mapping[str, Any] | None) -> None:
        """Retain an alarm's state, or clear it."""
        ...


class Channels(Protocol):
    """The channels' side, as it is used here."""

    def call(self, call: Call) -> None:
        """Tell one person."""
        ...

    def calls_no_longer(self, alarm: str) -> None:
        """Drop what waits because of an alarm."""
        ...


class Now(NamedTuple):
    """The core's state, and when that is."""

    state: SiteState
    mono_ns: int
    utc_ms: int


class Calling:
    """See the module.

    Args:
        teller: Gives the present one; a reload may put another in its place. channels: The channels.
        now: Gives the present state.
    """

    def __init__(self, teller: Callable[[], Teller], channels: Channels, now: Callable[[], Now]) -> None:
        self._teller = teller
        self._channels = channels
        self._now = now
        self._ended: set[str] = set()  # alarms whose people know already that they are not needed
        self.trends = Trends()

    # --- from the engine ----------------------------------------------------------------------------------------------

    def mark_all(self) -> None:
        """Every alarm that stands: at start, before the broker is connected, and for another teller."""
        now = self._now()
        for subject in now.state.alarms.book.subjects.values():
            for alarm in subject.alarms.values():
                self._mark(alarm.key, now)

    def note_torque(self, drive: str) -> None:
        """A drive's torque as it is now, for its trend; some seconds apart."""
        now = self._now()
        state = now.state.drives.get(drive)
        self.trends.note(drive, now.mono_ns / 1e9, state.torque.value if state is not None else None)

    def on_row(self, row: Row) -> None:
        """A row that is to be told, in order; also those of a former run that were not."""
        if row.kind not in ("alarm", "call"):
            return
        data, now = json.loads(row.payload), self._now()
        with contextlib.suppress(ValueError):  # a flood, a test call: about no alarm
            self._mark(parse_key(str(data.get("alarm", ""))), now)
        if row.kind == "alarm":
            return
        if row.event in _CALLS:
            self._called(row, data, now)
        elif row.event in _ENDS:
            self._no_longer(row, data, now)
        elif row.event.startswith("check_"):
            self._checked(row, data, now)

    # --- parts --------------------------------------------------------------------------------------------------------

    def _mark(self, key: AlarmKey, now: Now) -> None:
        book, rule = now.state.alarms.book, now.state.plan.rules.of(key)
        subject = book.subjects.get(key.subject)
        alarm = alarm_of(book, key)
        rests = alarm.state.life is Life.NORMAL and alarm.overlays.is_clear
        if rule is None or rests or subject is None or subject.away:
            self._teller().mark_alarm(str(key), None)
            return
        call = now.state.alarms.calls.running.get(str(key))
        view = alarm_view(alarm, rule, call, now.mono_ns, now.utc_ms)
        self._teller().mark_alarm(str(key), {**view, "facts": _bounded(view["facts"])})

    def _called(self, row: Row, data: Mapping[str, Any], now: Now) -> None:
        about, next_utc_ms = self._about(row, data, now)
        words = call_summary(about, row.event, data, now.utc_ms, next_utc_ms)
        self._ended.discard(about.alarm)
        payload = _payload(about, row, data, words, next_utc_ms)
        for person in data["people"]:
            self._tell(Call(person, about.alarm, about.priority, payload, row.seq), words)

    def _no_longer(self, row: Row, data: Mapping[str, Any], now: Now) -> None:
        about, _ = self._about(row, data, now)
        if about.alarm not in self._ended:
            words = ended_summary(about, row.event, data, now.utc_ms)
            payload = _payload(about._replace(instructions=()), row, data, words, 0)
            for person in data.get("told", ()):
                if person != data.get("actor"):
                    self._tell(Call(person, about.alarm, about.priority, payload, row.seq, ends=True), words)
        self._ended.add(about.alarm)
        if row.event == "calls_ended":
            self._ended.discard(about.alarm)
        self._teller().calls_no_longer(about.alarm)
        self._channels.calls_no_longer(about.alarm)

    def _checked(self, row: Row, data: Mapping[str, Any], now: Now) -> None:
        site, people = now.state.site.name, now.state.plan.response.rota.people
        why, person = str(data.get("why", "")), str(data.get("person", ""))
        about = About(site, "", 0, "test call", "high", row.utc_ms)
        if row.event == "check_called":
            words, whom, name = check_summary(site, float(data["answer_s"]), why), data["people"], CHECK
        elif row.event == "check_unanswered":
            named = f"{people[person].name} ({person})" if person in people else person
            words, whom, name = unanswered_summary(site, named, why), data["people"], f"{CHECK}:{person}"
        else:
            words = Summary(f"Test call answered - {site}", f"{site}: your test call is answered.", "")
            words, whom, name = words._replace(long=words.short), [person], CHECK
        payload = {**_payload(about, row, data, words, 0), "expires_s": data.get("answer_s", 0)}
        ends = row.event == "check_answered"
        for one in whom:
            self._tell(Call(one, name, "high", payload, row.seq, ends), words)

    def _tell(self, call: Call, words: Summary) -> None:
        self._teller().call(call._replace(payload={"person": call.person, **call.payload}))
        told = {"subject": words.subject, "short": words.short, "long": words.long, "event": call.payload["event"]}
        self._channels.call(call._replace(payload=told))

    def _about(self, row: Row, data: Mapping[str, Any], now: Now) -> tuple[About, int]:
        """What a row is about, as it stands now, and when the next call is due."""
        state, key = now.state, parse_key(str(data["alarm"]))
        alarm, rule = alarm_of(state.alarms.book, key), state.plan.rules.of(key)
        rota = state.plan.response.rota
        is_drive = key.drive in state.drives
        about = About(
            site=state.site.name,
            alarm=str(key),
            occurrence=int(data.get("occurrence", 0)),
            title=key.kind.replace("_", " "),
            priority=str(data.get("priority", "")),
            since_utc_ms=alarm.state.raised_utc_ms or row.utc_ms,
            drive_name=state.site.drives[key.drive].name if is_drive else "",
            now=drive_view(state, key.drive, now.mono_ns, now.utc_ms) if is_drive else {},
            trend_nm_per_min=self.trends.nm_per_min(key.drive, now.mono_ns / 1e9),
            facts=_bounded(alarm.facts),
            zone=rota.zone,
            people={i: p.name for i, p in rota.people.items()},
        )
        call = state.alarms.calls.running.get(str(key))
        next_ns = call.next_ns if call is not None else 0
        next_utc_ms = now.utc_ms + max(0, next_ns - now.mono_ns) // 1_000_000 if next_ns else 0
        return about.ruled(rule)._replace(priority=about.priority) if rule is not None else about, next_utc_ms


def limit_of(settings: Settings) -> Limit:
    """How many messages each person gets."""
    return Limit(settings.person_limit.messages, settings.person_limit.within_s)


def channels_of(settings: Settings, secrets: Secrets) -> list[ChannelSpec]:
    """The channels, with their secrets."""
    return [
        ChannelSpec(n, c.url, secrets.channels[n].reveal(), c.ca_file, c.text, c.timeout_s)
        for n, c in settings.channels.items()
    ]


def ways_of(settings: Settings) -> dict[str, tuple[tuple[str, str], ...]]:
    """For each person, name of a channel and the address there, in order."""
    return {i: tuple(p.reach.items()) for i, p in settings.people.items()}


def more_words(more: More, site: str) -> dict[str, str]:
    """One message in the place of many, for the channels."""
    words = more_summary(more, site)
    return {"subject": words.subject, "short": words.short, "long": words.long}


def outcome_entry(outcome: Outcome) -> Entry:
    """What came of a message over a channel, for the journal."""
    event = "delivered" if outcome.ok else "delivery_failed"
    try:
        key = parse_key(outcome.alarm)
    except ValueError:
        key = AlarmKey("site", "", "")  # a test call, or one message in the place of many
    data = {
        "person": outcome.person,
        "channel": outcome.channel,
        "alarm": outcome.alarm,
        "message": outcome.event,
        "row": outcome.seq,
        "tries": outcome.tries,
    }
    if not outcome.ok:
        data |= {"detail": outcome.detail, "again": outcome.again}
    return Entry("call", event, key.drive, key.direction, data)


def _payload(about: About, row: Row, data: Mapping[str, Any], words: Summary, next_utc_ms: int) -> dict[str, Any]:
    return {
        "event": row.event,
        "drive": row.drive,
        "direction": row.direction,
        "subject": words.subject,
        "text": words.short,
        "alarm": about.alarm,
        "occurrence": about.occurrence,
        "priority": about.priority,
        "title": about.title,
        "since_utc_ms": about.since_utc_ms,
        "why": str(data.get("why", "")),
        "step": int(data.get("step", 0)),
        "steps": int(data.get("steps", 0)),
        "round": int(data.get("round", 0)),
        "called": list(data.get("people", ())),
        "told_before": list(data.get("told_before", ())),
        "next_call_utc_ms": next_utc_ms,
        "torque": about.torque_line,
        "stop": about.stop_line,
        "first_response": list(about.instructions),
        "facts": dict(about.facts),
    }


def _bounded(facts: Mapping[str, Any]) -> dict[str, Any]:
    """Facts in the order in which they stand, as many as fit."""
    kept: dict[str, Any] = {}
    size = 0
    for key, value in facts.items():
        size += len(json.dumps({key: value}, default=str))
        if size > FACTS_BYTES:
            break
        kept[key] = value
    return kept
