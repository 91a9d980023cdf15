"""From rows of the journal to people: a night at Fennmark, walked with the real book of alarms and escalation."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from nightrake.alarms import asked, callchecks, escalation
from nightrake.alarms.book import advance, alarm_of
from nightrake.alarms.callqueue import Call, CallQueue, Limit, More, Together
from nightrake.alarms.calls import Escalations
from nightrake.alarms.flood import Flood
from nightrake.alarms.keys import AlarmKey, plc_subject
from nightrake.alarms.records import AlarmBook, Condition, standing_of
from nightrake.alarms.standing import SiteAlarms
from nightrake.alarms.table import ALARM_TYPES, Scope
from nightrake.calling import Calling, Now, channels_of, limit_of, more_words, ways_of
from nightrake.channels.outcome import outcome_entry, together_entry
from nightrake.channels.spec import Outcome
from nightrake.domain.rows import Entry, Row, canonical
from nightrake.domain.state import new_site
from nightrake.messages.alarmpayloads import AlarmMessage, PersonMessage
from nightrake.messages.alarmstates import AlarmStates
from nightrake.messages.broker import INCOMING_BYTES
from nightrake.messages.payloads import other_bytes
from nightrake.messages.states import Payload
from nightrake.settings import load, secrets_of

CONFIG = Path(__file__).parents[2] / "config"
SHUTDOWN = AlarmKey("GT1", "forward", "shutdown_contact")
ALARM = AlarmKey("GT1", "forward", "alarm_contact")
UTC_MS = 1_790_126_040_000  # a Wednesday, 01:14 UTC: the night shift of the example
S = 1_000_000_000
NIGHT = {"actor": "night1", "role": "operator", "known_by": "local user"}


class Way:
    """One way to people: the queue and the retained states as both sides keep them, taken at once."""

    def __init__(self) -> None:
        self.queue = CallQueue(Limit(50))
        self.alarms = AlarmStates()

    def call(self, call: Call) -> None:
        self.queue.mark(call)

    def calls_no_longer(self, alarm: str, knows: str = "") -> None:
        self.queue.drop(alarm, knows)

    def mark_alarm(self, alarm: str, payload: Payload | None, *, urgent: bool = False) -> None:
        self.alarms.mark(alarm, payload, urgent=urgent)

    def taken(self, now_s: float = 0.0) -> list[Call | More]:
        """Everything that goes out now."""
        out = []
        while (job := self.queue.take(now_s)) is not None:
            self.queue.done(job)
            out.append(job)
        return out


class Night:
    """The example site, its alarms, and what people are told of them."""

    def __init__(self) -> None:
        settings = load(CONFIG)
        self.state = new_site(settings.site, settings.response)
        self.book, self.calls = AlarmBook(), Escalations()
        self.now_s = 1000.0
        self.seq = 0
        self.broker, self.channels = Way(), Way()
        self.calling = Calling(lambda: self.broker, self.channels, self.now)
        self.rows: list[Row] = []

    @property
    def now_ns(self) -> int:
        return round(self.now_s * S)

    @property
    def utc_ms(self) -> int:
        return UTC_MS + round(self.now_s * 1000)

    def now(self) -> Now:
        alarms = SiteAlarms(book=self.book, calls=self.calls)
        return Now(self.state._replace(alarms=alarms), self.now_ns, self.utc_ms)

    def row(self, entry: Entry) -> Row:
        self.seq += 1
        kind, event, drive, direction, data, urgent = entry
        now = (self.now_ns, self.utc_ms)
        return Row(
            "e1", self.seq, kind, event, drive, direction, urgent, 1, 0, "boot", *now, True, canonical(data), b"", b""
        )

    def give(self, *entries: Entry, tell: bool = True) -> None:
        for entry in entries:
            row = self.row(entry)
            self.rows.append(row)
            if tell:
                self.calling.on_row(row)

    def say(self, key: AlarmKey, holds: bool, facts: Mapping[str, Any] = {}, *, tell: bool = True) -> None:
        """A condition, held until it counts; the escalation follows."""
        for _ in range(2):
            conditions = [Condition(key, holds, data=facts)]
            self.book, told = advance(self.book, self.state.plan.rules, conditions, self.now_ns, self.utc_ms)
            self._follow(key, told, tell)
            self.now_s += 2100.0 if holds else 7200.0

    def acknowledge(self, key: AlarmKey) -> None:
        occurrence = alarm_of(self.book, key).state.occurrence
        rota = self.state.plan.response.rota
        asking = asked.Asking(str(key), NIGHT, self.now_ns, self.utc_ms)
        self.book, told, _ = asked.acknowledge(self.book, self.state.plan.rules, asking, occurrence)
        self.calls, more, answer = escalation.on_acknowledge(
            self.calls, rota, str(key), occurrence, NIGHT, self.now_ns, self.utc_ms
        )
        assert answer.ok
        self._follow(key, (*told, *more), True)

    def _follow(self, key: AlarmKey, told: tuple[Entry, ...], tell: bool) -> None:
        rule = self.state.plan.rules.of(key)
        assert rule is not None
        standing = standing_of(alarm_of(self.book, key), rule)
        rota = self.state.plan.response.rota
        self.calls, more = escalation.on_transition(self.calls, rota, standing, self.now_ns, self.utc_ms)
        self.give(*told, *more, tell=tell)


def whom(jobs: list[Call | More]) -> list[tuple[str, str]]:
    return [(j.person, str(j.payload["event"]) if isinstance(j, Call) else "more") for j in jobs]


def message(data: Mapping[str, Any], kind: str) -> bytes:
    """As it goes out."""
    if kind == "person":  # these go into the envelope
        data = {k: v for k, v in data.items() if k not in ("drive", "direction", "event", "expires_s")}
    event = "alarm_state" if kind == "state" else "called"
    return other_bytes(id="x", epoch="e", seq=1, utc_ms=1, site="s", kind=kind, event=event, data=data)


def test_shutdown_calls_the_night_shift_over_both_ways() -> None:
    """One message for who is on duty, urgent, with its row's number; the alarm is retained with who was told."""
    night = Night()
    night.say(SHUTDOWN, True, {"torque_nm": 118_000.0})

    (job,) = night.broker.taken()
    assert isinstance(job, Call)
    assert (job.person, job.alarm, job.urgent) == ("night1", str(SHUTDOWN), True)
    assert job.seq == next(r.seq for r in night.rows if r.event == "called")
    PersonMessage.model_validate_json(message(job.payload, "person"))
    (way,) = night.channels.taken()
    assert isinstance(way, Call)
    assert way.payload["subject"].startswith("URGENT: GT1 forward: shutdown contact operated")
    assert "Called now: Night shift operator (night1)." in way.payload["short"]
    assert way.payload["short"] == job.payload["text"]
    jobs = []
    while (state := night.broker.alarms.take()) is not None:
        jobs.append(state)
    (state,) = jobs
    assert state.payload is not None
    AlarmMessage.model_validate_json(message(state.payload, "state"))
    assert (state.payload["state"], state.payload["told"], state.payload["priority"]) == (
        "unacknowledged",
        ["night1"],
        "urgent",
    )
    assert state.payload["next_call_utc_ms"] > 0


def test_messages_end_with_the_address_of_the_drives_page() -> None:
    """Where there is a page; in MQTT it stands beside the text, so that a telephone's text stays as short as it was."""
    bare, night = Night(), Night()
    night.calling.public_url = "https://rakes.example"
    for each in (bare, night):
        each.say(SHUTDOWN, True, {"torque_nm": 118_000.0})
    (plain, told), (short, long) = ([n.broker.taken()[0] for n in (bare, night)], _texts(night))

    assert isinstance(plain, Call)
    assert isinstance(told, Call)
    assert (plain.payload["link"], told.payload["link"]) == ("", "https://rakes.example/drives/GT1")
    assert plain.payload["text"] == told.payload["text"]
    PersonMessage.model_validate_json(message(told.payload, "person"))
    assert short == f"{told.payload['text']} https://rakes.example/drives/GT1"
    assert long.endswith("\n\nhttps://rakes.example/drives/GT1")
    more = more_words(More("night1", (), {"low": 3}, 0, ()), "Fennmark", "https://rakes.example/alarms")
    assert more["short"].endswith(" https://rakes.example/alarms")


def _texts(night: Night) -> tuple[str, str]:
    """What the channels were given."""
    (way,) = night.channels.taken()
    assert isinstance(way, Call)
    return way.payload["short"], way.payload["long"]


def test_acknowledgement_tells_the_others_once_and_not_who_gave_it() -> None:
    """What is normal again later is no news to those who know that they are not needed."""
    night = Night()
    night.say(ALARM, True)
    night.broker.taken()
    rota = night.state.plan.response.rota
    night.now_s += 700.0
    night.calls, told = escalation.on_tick(night.calls, rota, night.now_ns, night.utc_ms)
    night.give(*told)
    assert ("super1", "called") in whom(night.broker.taken())
    night.acknowledge(ALARM)

    ((person, event),) = whom(ended := night.broker.taken())
    assert (person, event) == ("super1", "calls_answered")
    assert isinstance(ended[0], Call)
    assert "acknowledged by Night shift operator (night1)" in str(ended[0].payload["text"])
    night.say(ALARM, False)
    assert any(r.event == "calls_ended" for r in night.rows)
    assert night.broker.taken() == []
    states = []
    while (state := night.broker.alarms.take()) is not None:
        states.append(state)
    assert states[-1].payload is None


def test_rows_of_a_former_run_bring_only_what_still_calls() -> None:
    """After a crash the rows since the cursor are handed in again: what went meanwhile is a number."""
    night = Night()
    night.say(ALARM, True, tell=False)
    night.say(ALARM, False, tell=False)
    night.say(SHUTDOWN, True, tell=False)
    night.calling.mark_all()
    for row in night.rows:
        night.calling.on_row(row)

    jobs = night.broker.taken()
    assert [j.alarm for j in jobs if isinstance(j, Call)] == [str(SHUTDOWN)]
    (more,) = night.broker.taken(10.0)
    assert isinstance(more, More)
    assert (more.counts, more.over) == ({}, 1)


def test_test_calls_go_to_each_and_the_dead_way_to_the_next() -> None:
    """They are no alarms: nothing is retained for them."""
    night = Night()
    rota = night.state.plan.response.rota
    checks = callchecks.CallChecks(looked_utc_s=night.utc_ms // 1000)
    for _ in range(40):
        night.now_s += 1800.0
        checks, told = callchecks.on_tick(checks, rota, night.now_ns, night.utc_ms)
        night.give(*told)

    events = {r.event for r in night.rows}
    assert events == {"check_called", "check_unanswered"}
    jobs = night.broker.taken()
    called = [j for j in jobs if isinstance(j, Call) and j.payload["event"] == "check_called"]
    dead = [j for j in jobs if isinstance(j, Call) and j.payload["event"] == "check_unanswered"]
    assert called
    assert dead
    for job in (*called, *dead):
        PersonMessage.model_validate_json(message(job.payload, "person"))
    assert all(j.apart for j in (*called, *dead))
    assert "TEST CALL" in called[0].payload["subject"]
    assert "PAGING IS DEAD" in dead[0].payload["subject"]
    assert night.broker.alarms.take() is None


@pytest.mark.parametrize("kind", sorted(ALARM_TYPES))
def test_every_kind_of_alarm_fits_its_messages(kind: str) -> None:
    """Drive, PLC and site alike; facts beyond measure are cut, so that our own broker limit takes the state."""
    subject = {Scope.PLC: plc_subject("GWC"), Scope.SITE: "site"}.get(ALARM_TYPES[kind].scope, "GT1")
    key = AlarmKey(subject, "forward" if ALARM_TYPES[kind].scope is Scope.DIRECTION else "", kind)
    night = Night()
    night.say(key, True, {"detail": "x" * 300, **{f"f{n}": "y" * 100 for n in range(100)}})

    state = night.broker.alarms.take()
    assert state is not None
    assert state.payload is not None
    raw = message(state.payload, "state")
    AlarmMessage.model_validate_json(raw)
    assert len(raw) < INCOMING_BYTES
    jobs = night.broker.taken()
    assert bool(jobs) == ALARM_TYPES[kind].is_alarm
    for job in jobs:
        assert isinstance(job, Call)
        PersonMessage.model_validate_json(message(job.payload, "person"))


def test_call_that_was_known_before_is_a_reminder() -> None:
    """The next step is news to whom it calls; what has become worse is news to everybody."""
    night = Night()
    night.say(ALARM, True)
    row = next(r for r in night.rows if r.event == "called")
    night.broker.taken()
    data = json.loads(row.payload)
    for why, before, news in (
        ("nobody answered", ["night1"], {"super1"}),
        ("again", ["night1", "super1"], set()),
        ("worse", ["night1", "super1"], {"night1", "super1"}),
    ):
        told = {**data, "people": ["night1", "super1"], "why": why, "told_before": before}
        night.give(Entry("call", "called", "GT1", "forward", told))
        jobs = [j for j in night.broker.taken() if isinstance(j, Call)]
        assert {j.person for j in jobs if j.first} == news, why
    night.give(Entry("call", "reminded", "GT1", "forward", {**data, "people": ["night1"]}))
    assert [j.first for j in night.broker.taken() if isinstance(j, Call)] == [False]


def test_who_acknowledged_hears_nothing_of_it() -> None:
    """The call to the supervisor still waited: the supervisor, who acknowledges, is not told that it is over."""
    night = Night()
    night.say(ALARM, True)
    row = next(r for r in night.rows if r.event == "called")
    data = {**json.loads(row.payload), "people": ["night1", "super1"]}
    night.broker.taken()
    night.broker = Way()
    night.give(Entry("call", "called", "GT1", "forward", data))
    answered = {**data, "told": ["night1", "super1"], "actor": "super1", "respond_s": 1800.0}
    night.give(Entry("call", "calls_answered", "GT1", "forward", answered))

    (more,) = night.broker.taken(0.0) + night.broker.taken(10.0)
    assert isinstance(more, More)
    assert more.person == "night1"
    assert "alarm contact operated: acknowledged by Shift supervisor (super1)" in more.over_subjects[0]


def test_flood_is_told_to_whoever_has_been_called_and_so_is_its_end() -> None:
    """Low alarms wait: whoever watches must know. Every message of that time has a line about it."""
    night = Night()
    night.say(ALARM, True)
    night.broker.taken()
    since = night.utc_ms - 60_000
    data = {"alarm": "", "count": 11, "since_utc_ms": since}
    night.book = night.book._replace(flood=Flood((night.now_ns,), True, 11, since))
    night.give(Entry("alarm", "flood_began", "", "", data))

    (began,) = night.broker.taken()
    assert isinstance(began, Call)
    assert (began.person, began.first) == ("night1", True)
    PersonMessage.model_validate_json(message(began.payload, "person"))
    assert "ALARM FLOOD: 11 alarms within 10 minutes" in began.payload["subject"]
    assert "GT1 forward: alarm contact operated." in began.payload["text"]
    called = next(r for r in night.rows if r.event == "called")
    night.give(Entry("call", "reminded", "GT1", "forward", json.loads(called.payload)))
    assert any("Alarm flood since" in j.payload["text"] for j in night.broker.taken() if isinstance(j, Call))
    night.book = night.book._replace(flood=Flood())
    night.give(Entry("alarm", "flood_ended", "", "", {**data, "count": 27}))
    (ended,) = night.broker.taken(700.0)
    assert isinstance(ended, Call)
    assert (ended.person, ended.ends) == ("night1", True)
    assert "after 27 alarms" in ended.payload["text"]


def test_alarm_taken_out_of_the_settings_calls_whoever_is_told_of_it() -> None:
    """Not as the end of a call but as one: urgent stays urgent, and what waited for the alarm itself is dropped."""
    night = Night()
    night.say(SHUTDOWN, True)
    row = next(r for r in night.rows if r.event == "called")
    data = {**json.loads(row.payload), "told": ["night1", "day1"], "why": "away", "stands": True}
    night.give(Entry("call", "calls_ended", "GT1", "forward", data))

    jobs = [j for j in night.broker.taken() if isinstance(j, Call)]
    assert [(j.person, j.urgent) for j in jobs] == [("night1", True), ("day1", True)]
    for job in jobs:
        assert job.payload["subject"].startswith("NOT WATCHED ANY MORE")
        PersonMessage.model_validate_json(message(job.payload, "person"))
    night.give(Entry("call", "called", "GT1", "forward", {**data, "why": "found"}))
    night.broker.queue.again([jobs[0].key])
    assert [j.alarm for j in night.broker.taken() if isinstance(j, Call)] == [str(SHUTDOWN)]


def test_call_about_the_broker_says_over_the_broker_that_it_is_back() -> None:
    """Over a channel it says that messages do not get through."""
    night = Night()
    night.say(AlarmKey("site", "", "broker_unreachable"), True, {"detail": "nobody listens there"})

    (over_broker,), (over_channel,) = night.broker.taken(), night.channels.taken()
    assert isinstance(over_broker, Call)
    assert isinstance(over_channel, Call)
    assert "this one has" in over_broker.payload["subject"]
    assert "did not get through over the broker" in over_broker.payload["text"]
    assert "messages do not get through" in over_channel.payload["subject"]
    PersonMessage.model_validate_json(message(over_broker.payload, "person"))


def test_contact_that_has_released_is_said_to_have_gone() -> None:
    """The alarm waits for its off-delay; a reminder of that time says so."""
    night = Night()
    night.say(ALARM, True)
    night.broker.taken()
    rules = night.state.plan.rules
    night.book, _ = advance(night.book, rules, [Condition(ALARM, False)], night.now_ns, night.utc_ms)
    night.now_s += 60.0
    row = next(r for r in night.rows if r.event == "called")
    night.give(Entry("call", "reminded", "GT1", "forward", json.loads(row.payload)))

    (job,) = night.broker.taken(700.0)
    assert isinstance(job, Call)
    assert "Condition gone since" in job.payload["text"]
    assert "unless it comes back." in job.payload["text"]


def test_what_was_told_together_becomes_a_row() -> None:
    """Of which way, whom, how many and which; it calls nobody."""
    entry = together_entry("broker", Together("night1", {"low": 3}, 1, ("a", "b")))

    assert (entry.kind, entry.event) == ("call", "told_together")
    assert entry.data == {"person": "night1", "way": "broker", "counts": {"low": 3}, "over": 1, "alarms": ["a", "b"]}
    night = Night()
    night.give(entry)
    assert night.broker.taken() == []


def test_outcomes_become_rows_that_call_nobody() -> None:
    """A delivery is journalled as a call's; taken as a row again it tells nobody and marks nothing."""
    night = Night()
    for alarm in (str(SHUTDOWN), "test-call", ""):
        entry = outcome_entry(Outcome("night1", "mail", alarm, "called", 7, False, "refused", 8))
        assert (entry.kind, entry.event) == ("call", "delivery_failed")
        assert entry.data["detail"] == "refused"
        night.give(entry)

    assert night.broker.taken() == []
    words = more_words(More("night1", (), {"low": 3}, 0), "Fennmark")
    assert "3 more alarms call you: 3 low" in words["short"]


def test_settings_become_channels_and_ways() -> None:
    """The example's, as the sender takes them."""
    settings = load(CONFIG)
    specs = {s.name: s for s in channels_of(settings, secrets_of(settings))}

    assert specs["phone"].filled("+00 555").startswith("json://127.0.0.1:18480/sms?:to=%2B00%20555&cto=10")
    assert ways_of(settings)["night2"] == (("phone", "+00 555 0105"),)
    assert limit_of(settings) == Limit(10, 600.0)
