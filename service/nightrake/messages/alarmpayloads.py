"""Shapes of what is told about alarms and to people."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, JsonValue

from nightrake.messages.envelope import Envelope, Shape

Priority = Literal["urgent", "high", "low", "notice"]


class OverlayData(Shape):
    """What a person has laid over an alarm."""

    by: str
    reason: str
    since_utc_ms: int
    until_utc_ms: int = Field(description="It ends then at the latest.")


class AlarmData(BaseModel):
    """An alarm as it stands; later versions may add keys."""

    model_config = ConfigDict(extra="allow", frozen=True)

    alarm: str = Field(description="Its name, as in the topic: SUBJECT/DIRECTION/KIND, with /CHANNEL where it matters.")
    subject: str = Field(description="Drive id, plc:ID, or site.")
    direction: str
    kind: str
    channel: str
    title: str = Field(description="The kind in words.")
    life: str = Field(description="Where its life stands, what lies over it apart.")
    state: str = Field(description="The one name under which it is shown (ANSI/ISA-18.2, IEC 62682).")
    letter: str = Field(pattern="^[A-I]$", description="The standard's letter for `state`.")
    occurrence: int = Field(ge=0, description="Which life of it; an acknowledgement names it.")
    priority: Priority
    since_utc_ms: int
    changed_utc_ms: int
    acked_by: str = Field(description="Who acknowledged it last, or empty.")
    acked_utc_ms: int
    repeats_with_rotation: bool
    chattering: bool
    shelved: OverlayData | None
    out_of_service: OverlayData | None
    suppressed: str = Field(description="Why it is suppressed by design, or empty.")
    suppressed_utc_ms: int
    withheld: str = Field(description="Why nobody is called although it waits for somebody, or empty.")
    calling: bool
    told: list[str] = Field(description="Ids of people called for it; `told_count` counts them all.")
    told_count: int
    next_call_utc_ms: int = Field(description="When the next call is due; 0: none is.")
    facts: dict[str, JsonValue] = Field(
        description="What was said of it when it last came; how a drive stands now is in the drive's own state."
    )


class AlarmMessage(Envelope):
    """Retained on the topic `alarm/{alarm}`; an empty message there means that it is over."""

    kind: Literal["state"]
    event: Literal["alarm_state"]
    data: AlarmData


class WordsData(Shape):
    """What every message to a person has: to whom, and in words."""

    person: str = Field(description="Id of the person.")
    subject: str = Field(max_length=120, description="One line.")
    text: str = Field(max_length=700, description="The whole of it, for a telephone.")
    link: str = Field(
        default="", max_length=300, description="Where it is seen on the operator's page; empty: there is no page."
    )


class PersonData(WordsData):
    """Something that one person is told."""

    alarm: str = Field(description="The alarm's name; empty for a test call.")
    occurrence: int
    priority: str
    title: str
    since_utc_ms: int
    why: str
    step: int = Field(description="Step of the escalation, from 1; 0: it is none.")
    steps: int
    round: int
    called: list[str] = Field(description="Ids of everybody called with it.")
    told_before: list[str]
    next_call_utc_ms: int = Field(description="When the next call is due; 0: not known.")
    torque: str = Field(description="Torque, percent of shutdown and trend in words, or empty.")
    stop: str = Field(description="What is known of the stop and the motor, or empty.")
    first_response: list[str] = Field(description="What to do first, in order; the caution is the last.")
    facts: dict[str, JsonValue] = Field(description="What was said of the alarm when it last came, not as it is now.")


class MoreData(WordsData):
    """One message in the place of many."""

    calling: dict[str, int] = Field(description="Alarms that call, by priority, beside those told singly.")
    drives: list[str] = Field(
        description="Drives that those are about, the worst first, also where `text` has no room for all of them."
    )
    over: int = Field(description="Alarms that need the person no more, of which they were not told singly.")
    over_names: list[str] = Field(description="Which, and why: the first of them, in words.")


class PersonMessage(Envelope):
    """One message for one person and step, on the topic `person/{person}`, not retained."""

    kind: Literal["person"]
    event: str = Field(
        pattern="^(called|reminded|calls_answered|calls_stopped|calls_ended|check_called|check_answered"
        "|check_unanswered|flood_began|flood_ended|more)$"
    )
    data: PersonData | MoreData
