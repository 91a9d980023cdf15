"""The nine names of the standard, as a view of a life and what lies over it. Pure.

Source: ANSI/ISA-18.2-2016 and IEC 62682:2014, states A to I.
"""

from __future__ import annotations

from enum import StrEnum

from nightrake.alarms.life import Life
from nightrake.alarms.overlays import Overlays


class StateName(StrEnum):
    """The name under which an alarm is shown."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    CLEARED_UNACKNOWLEDGED = "cleared unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched acknowledged"
    SHELVED = "shelved"
    SUPPRESSED_BY_DESIGN = "suppressed by design"
    OUT_OF_SERVICE = "out of service"

    @property
    def letter(self) -> str:
        """The standard's letter, A to I."""
        return "ABCDEFGHI"[list(StateName).index(self)]


def name_of(life: Life, overlays: Overlays) -> StateName:
    """The one name of an alarm. An overlay is named before the life; of several, that which is hardest to end."""
    if overlays.out_of_service is not None:
        return StateName.OUT_OF_SERVICE
    if overlays.suppressed:
        return StateName.SUPPRESSED_BY_DESIGN
    if overlays.shelved is not None:
        return StateName.SHELVED
    return StateName(life.value)
