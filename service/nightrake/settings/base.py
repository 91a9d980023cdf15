"""What every table of the settings folder has in common."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

NO_CONTROLS = r"^[^\x00-\x1f\x7f]*$"
Id = Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,32}$")]
Label = Annotated[str, Field(min_length=1, max_length=80, pattern=NO_CONTROLS)]
Text = Annotated[str, Field(max_length=200, pattern=NO_CONTROLS)]
DirectionName = Literal["forward", "reverse"]
StageName = Literal["alarm", "shutdown"]


class Model(BaseModel):
    """Base: frozen, strict types, no unknown keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)
