"""Shapes of commands and of what they are answered."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, StrictInt, StrictStr

from nightrake.messages.envelope import Envelope, Shape, Stamp

Said = Annotated[StrictStr, Field(max_length=500)]
Whole = Annotated[StrictInt, Field(ge=0, lt=2**53)]


class CommandArgs(Shape):
    """What a command needs besides; which one needs which, TOPICS.md says. What is not needed is left out."""

    alarm: Said = Field(default="", description="Name of an alarm, as in its topic and in every call.")
    occurrence: Whole = Field(default=0, description="Which life of it was seen.")
    reason: Said = ""
    for_s: Whole = Field(default=0, description="Time limit, seconds.")
    remark: Said = ""
    lock_number: Said = ""
    cause: Said = ""
    whom: Said = Field(default="", description="Id of another person.")
    name: Said = ""
    limit_s: Whole = Field(default=0, description="Time limit of a test run, seconds.")
    facts: list[Said] = Field(default=[], max_length=20)


class CommandMessage(Shape):
    """What a person sends on the topic `command/{person}`; every key is there, and no other."""

    id: str = Field(pattern="^[A-Za-z0-9_-]{16,64}$", description="Chosen at random for each command.")
    person: str = Field(description="Id of the person, as in the topic and in the settings.")
    verb: str
    drive: str = Field(description="Drive id, or empty.")
    direction: str = Field(description="forward, reverse, or empty.")
    args: CommandArgs
    issued: Stamp
    expires: Stamp = Field(description="At most five minutes ahead.")
    reply_to: str = Field(description="Topic below `reply/{person}/` on which the answer is awaited.")
    signature: str = Field(description="Ed25519, 64 bytes in base64; over which bytes, TOPICS.md says.")


class ReplyData(Shape):
    """The answer."""

    ok: bool = Field(description="True: it was done.")
    text: str = Field(description="What was done, or why it was refused, in one sentence.")
    reason: str = Field(description="Why it was not taken, in one word; empty where it was taken and looked at.")
    verb: str
    again: bool = Field(description="True: this command had been answered before, and was not done a second time.")


class ReplyMessage(Envelope):
    """On the topic that a command names; `correlation` is the command's id, `durable` whether it is on disk."""

    kind: Literal["reply"]
    event: Literal["accepted", "refused"]
    data: ReplyData
