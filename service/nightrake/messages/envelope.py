"""What every message has in common."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Stamp = Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$", description="UTC, RFC 3339, ms")]


class Shape(BaseModel):
    """Base of all models here: unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Envelope(Shape):
    """What every message has; the same on MQTT 3.1.1 and 5, whose properties only copy it."""

    id: str = Field(description="Identity. An event that is told again comes under the same id: drop what you have.")
    epoch: str = Field(description="Life of the journal that seq counts in; a new one begins when it is restored.")
    seq: int = Field(ge=0, description="Events: number in the journal. Others: number of the newest event told or due.")
    occurred: Stamp
    expires: Stamp | None = Field(description="After this the message means nothing any more; null: never.")
    reply_to: str | None = Field(description="Topic on which an answer is awaited, or null.")
    correlation: str | None = Field(description="Id of the message that this one answers, or null.")
    durable: bool = Field(description="False: told before the disk had it, because the disk was slow.")
    site: str
    kind: str
    event: str
    drive: str = Field(description="Drive id, or empty.")
    direction: str = Field(description="forward, reverse, or empty.")
