"""From rows of the journal to people: what each is told over broker and channels, and alarms as they stand.

    row (on disk, or a second late) --> alarm: its retained state
                                    '-> call: words, payload --> teller (MQTT), channels (mail, webhook, ...)
    outcome of a channel --> journal

Rows carry who is called; the state as it is now carries the rest, so that what is told late is still right.
"""

from __future__ import annotations

import contextlib
import json
from collections import Counter
from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, NamedTuple, Protocol

from nightrake.alarms.book import alarm_of, shown
from nightrake.alarms.callout import RANK
from nightrake.alarms.callqueue import Call, Limit, More
from nightrake.alarms.keys import AlarmKey, parse_key
from nightrake.alarms.life import Life
from nightrake.alarms.overlays import why_silent
from nightrake.alarms.records import Alarm
from nightrake.alarms.rules import AlarmRule
from nightrake.alarms.table import Priority
from nightrake.alarms.view import alarm_view, gone_and_over
from nightrake.channels.spec import ChannelSpec
from nightrake.domain.debounce import UNKNOWN
from nightrake.domain.rows import Row
from nightrake.domain.state import SiteState
from nightrake.domain.view import drive_view
from nightrake.messages.about import About
from nightrake.messages.callpayload import bounded, call_payload
from nightrake.messages.many import flood_over_summary, flood_summary, more_summary, worst_lines
from nightrake.messages.pagelink import page_link, with_link
from nightrake.messages.states import Payload
from nightrake.messages.summary import (
    BROKER,
    back_summary,
    call_summary,
    check_summary,
    ended_summary,
    unanswered_summary,
)
from nightrake.messages.trend import Trend, Trends
from nightrake.messages.wording import Summary
from nightrake.settings import Secrets, Settings

CHECK = "test-call"
"""Stands for an alarm where a person is only tried; ``test-call:PERSON`` where one's way is told to be dead."""
FLOOD = "alarm-flood"
"""Stands for an alarm where people are told of an alarm flood."""
AWAY = ":away"
"""Behind an alarm's name: it was taken out of the settings while it stood."""
_CALLS = ("called", "reminded")
_ENDS = ("calls_answered", "calls_stopped", "calls_ended")


class Teller(Protocol):
    """The broker's side, as it is used here."""

    def call(self, call: Call) -> None:
        """Tell one person."""
        ...

    def calls_no_longer(self, alarm: str, knows: str = "") -> None:
        """Drop what waits because of an alarm; `knows` need not be told that."""
        ...

    def mark_alarm(self, alarm: str, payload: Payload | None, *, urgent: bool = False) -> None:
        """Retain an alarm's state as it is when that is written, or clear it."""
        ...


class Channels(Protocol):
    """The channels' side, as it is used here."""

    def call(self, call: Call) -> None:
        """Tell one person."""
        ...

    def calls_no_longer(self, alarm: str, knows: str = "") -> None:
        """Drop what waits because of an alarm; `knows` need not be told that."""
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
        self._away: set[str] = set()  # alarms whose people know that nobody watches them
        self._flooded: tuple[str, ...] = ()  # who was told of the flood that is on
        self._flood_seq = 0  # its row; 0 = none in this run
        self.trends = Trends()
        self.public_url = ""
        """Of the page, to which messages lead."""

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
        if state is not None:
            running = state.protection.running
            runs = None if running == UNKNOWN else bool(running)
            self.trends.note(drive, now.mono_ns / 1e9, state.torque.value, runs)

    def note_torques(self) -> None:
        """Every drive's torque, so that what stands still has a trend too."""
        drives = self._now().state.drives
        self.trends.keep_drives(set(drives))
        for drive in drives:
            self.note_torque(drive)

    def on_row(self, row: Row, durable: bool = True) -> None:
        """A row that is to be told, in order; also those of a former run that were not.

        Args:
            durable: Whether it is on disk.
        """
        if row.kind not in ("alarm", "call"):
            return
        data, now = json.loads(row.payload), self._now()
        with contextlib.suppress(ValueError):  # a flood, a test call: about no alarm
            self._mark(parse_key(str(data.get("alarm", ""))), now)
        if row.kind == "alarm":
            if row.event in ("flood_began", "flood_ended"):
                self._flood(row, data, now, durable)
            return
        if row.event in _CALLS:
            self._called(row, data, now, durable)
        elif row.event in _ENDS:
            self._no_longer(row, data, now, durable)
        elif row.event.startswith("check_"):
            self._checked(row, data, now, durable)

    # --- parts --------------------------------------------------------------------------------------------------------

    def _mark(self, key: AlarmKey, now: Now) -> None:
        rule = now.state.plan.rules.of(key)
        payload = partial(self._view, key) if self._standing(key, now) is not None else None
        self._teller().mark_alarm(str(key), payload, urgent=rule is not None and rule.priority is Priority.URGENT)

    def _standing(self, key: AlarmKey, now: Now) -> tuple[Alarm, AlarmRule] | None:
        """An alarm whose state is retained, and its rule."""
        book, rule = now.state.alarms.book, now.state.plan.rules.of(key)
        subject = book.subjects.get(key.subject)
        alarm = alarm_of(book, key)
        rests = alarm.state.life is Life.NORMAL and alarm.overlays.is_clear
        return None if rule is None or rests or subject is None or subject.away else (alarm, rule)

    def _view(self, key: AlarmKey) -> Mapping[str, Any] | None:
        now = self._now()
        standing = self._standing(key, now)
        if standing is None:
            return None
        view = alarm_view(*standing, now.state.alarms.calls.running.get(str(key)), now.mono_ns, now.utc_ms)
        return {**view, "facts": bounded(view["facts"])}

    def _called(self, row: Row, data: Mapping[str, Any], now: Now, durable: bool) -> None:
        about, next_utc_ms = self._about(row, data, now)
        words = call_summary(about, row.event, data, now.utc_ms, next_utc_ms)
        self._ended.discard(about.alarm)
        if about.alarm in self._away:
            self._away.discard(about.alarm)
            self._drop(about.alarm + AWAY)
        payload = call_payload(about, row, data, words, next_utc_ms)
        before = set(data.get("told_before", ())) if data.get("why") != "worse" else set()
        call = Call("", about.alarm, about.priority, payload, row.seq, durable=durable)
        over_broker = back_summary(about, now.utc_ms) if about.alarm == BROKER else None
        for person in data["people"]:
            known = row.event == "reminded" or person in before
            self._tell(call._replace(person=person, reminder=known), words, over_broker)

    def _no_longer(self, row: Row, data: Mapping[str, Any], now: Now, durable: bool) -> None:
        about, _ = self._about(row, data, now)
        away, actor = data.get("why") == "away", str(data.get("actor", ""))
        if away or about.alarm not in self._ended:
            words = ended_summary(about, row.event, data, now.utc_ms)
            payload = call_payload(about if away else about._replace(instructions=()), row, data, words, 0)
            call = Call("", about.alarm, about.priority, payload, row.seq, not away, durable)
            call = call._replace(alarm=about.alarm + AWAY) if away else call  # that is a call for somebody
            for person in data.get("told", ()):
                if person != actor:
                    self._tell(call._replace(person=person), words)
        self._ended.add(about.alarm)
        if row.event == "calls_ended":
            self._ended.discard(about.alarm)
        if away:
            self._away.add(about.alarm)
        self._drop(about.alarm, actor)

    def _drop(self, alarm: str, knows: str = "") -> None:
        self._teller().calls_no_longer(alarm, knows)
        self._channels.calls_no_longer(alarm, knows)

    def _flood(self, row: Row, data: Mapping[str, Any], now: Now, durable: bool) -> None:
        """A flood begins or ends: whoever has been called for what stands is told that low alarms wait."""
        site, book = now.state.site.name, now.state.alarms.book
        zone = now.state.plan.response.rota.zone
        about = About(site, "", 0, "alarm flood", "high", int(data.get("since_utc_ms") or row.utc_ms), zone=zone)
        count, over = int(data.get("count", 0)), row.event == "flood_ended"
        running = now.state.alarms.calls.running.values()
        people = dict.fromkeys(p for e in running if e.calling for p in e.told)
        if over:
            people |= dict.fromkeys(self._flooded)
            words = flood_over_summary(site, count, about.at(about.since_utc_ms)[-5:], about.at(row.utc_ms)[-5:])
        else:
            calling = [(a, r) for a in shown(book) if a.calling and (r := now.state.plan.rules.of(a.key)) is not None]
            standing = Counter(r.priority.value for _, r in calling)
            worst = worst_lines((a.key, r.priority.value, r.type.title) for a, r in calling)
            words = flood_summary(site, count, {p: standing[p] for p in RANK}, worst)
        call = Call("", FLOOD, "high", call_payload(about, row, data, words, 0), row.seq, over, durable)
        for person in people:
            # Who was called while it was on has read of it in that message, if it came to them.
            since = self._flood_seq if over and person not in self._flooded else 0
            self._tell(call._replace(person=person, since=since), words)
        self._flooded, self._flood_seq = ((), 0) if over else (tuple(people), row.seq)
        if over:
            self._drop(FLOOD)

    def _checked(self, row: Row, data: Mapping[str, Any], now: Now, durable: bool) -> None:
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
        payload = {**call_payload(about, row, data, words, 0), "expires_s": data.get("answer_s", 0)}
        ends = row.event == "check_answered"
        for one in whom:
            self._tell(Call(one, name, "high", payload, row.seq, ends, durable, apart=True), words)

    def _tell(self, call: Call, words: Summary, over_broker: Summary | None = None) -> None:
        link = page_link(self.public_url, call.alarm.removesuffix(AWAY), self._now().state.drives)
        payload = {"person": call.person, **call.payload, "link": link}
        if over_broker is not None:
            payload |= {"subject": over_broker.subject, "text": over_broker.short}
        self._teller().call(call._replace(payload=payload))
        short, long = with_link(words.short, link), with_link(words.long, link, "\n\n")
        told = {"subject": words.subject, "short": short, "long": long, "event": call.payload["event"]}
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
            trend=self._trend(key.drive, now) if is_drive else None,
            facts=bounded(alarm.facts),
            zone=rota.zone,
            people={i: p.name for i, p in rota.people.items()},
            silent=why_silent(alarm.overlays),
            flood_utc_ms=state.alarms.book.flood.since_utc_ms if state.alarms.book.flood.active else 0,
        )
        gone_utc_ms, over_utc_ms = gone_and_over(alarm.state, rule, now.mono_ns, now.utc_ms)
        about = about._replace(gone_utc_ms=gone_utc_ms, over_utc_ms=over_utc_ms)
        call = state.alarms.calls.running.get(str(key))
        next_ns = call.next_ns if call is not None else 0
        next_utc_ms = now.utc_ms + max(0, next_ns - now.mono_ns) // 1_000_000 if next_ns else 0
        return about.ruled(rule)._replace(priority=about.priority) if rule is not None else about, next_utc_ms

    def _trend(self, drive: str, now: Now) -> Trend | None:
        return self.trends.trend(drive, now.mono_ns / 1e9, now.state.drives[drive].torque.value)


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


def more_words(more: More, site: str, link: str = "") -> dict[str, str]:
    """One message in the place of many, for the channels, with a link to the page's alarms."""
    words = more_summary(more, site)
    short, long = with_link(words.short, link), with_link(words.long, link, "\n\n")
    return {"subject": words.subject, "short": short, "long": long}
