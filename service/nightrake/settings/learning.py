"""``[learning]``: when torque creep is looked for, from when on a notice tells of it, and the weekly report."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field

from nightrake.settings.base import Model
from nightrake.settings.people import DayName, TimeOfDay

if TYPE_CHECKING:
    from nightrake.settings.models import FolderModel


class LearningTable(Model):
    """``[learning]``"""

    enabled: bool = True
    at: TimeOfDay = "05:30"
    notice_days: Annotated[float, Field(ge=0.0, le=3650.0)] = 60.0
    false_warnings_year: Annotated[float, Field(ge=0.05, le=1.0)] = 0.2
    report_day: DayName | Literal[""] = "mon"
    reports_kept: Annotated[int, Field(ge=1, le=1000)] = 53
    cycle_exponent: Annotated[float, Field(ge=1.0, le=20.0)] = 5.0
    hour_exponent: Annotated[float, Field(ge=1.0, le=20.0)] = 6.6


def learning_doubts(folder: FolderModel) -> Iterator[str]:
    """What is allowed but seldom meant about learning, one sentence for each."""
    learning, history = folder.learning, folder.history
    if learning.enabled and not history.enabled and "learning" in folder.model_fields_set:
        yield "learning looks at nothing: history.enabled is false, and creep is found in what history keeps"
    elif learning.enabled and history.enabled and history.hour_days < 180.0:
        yield (
            f"history.hour_days is {history.hour_days:g}: creep is looked for in days, which are kept for ever, but "
            "effects of the hour of day and time at torque are found in hours; keep 180 days or more of them"
        )
