"""What alarm figures may be, and by which source. Pure.

The figures of ANSI/ISA-18.2-2016 are those of its clause 16.4 (tables 5 and 6), read in a public alarm philosophy that
quotes them. EEMUA 191: averages after a published benchmark of control rooms that uses its classes; classes marked
'from memory' have no other source here.
"""

from __future__ import annotations

from typing import NamedTuple

ISA = "ISA-18.2"
EEMUA = "EEMUA 191"
SPAN_S = 30 * 86_400
"""ISA-18.2, 16.4: figures are taken over 30 days or more."""


class Limit(NamedTuple):
    """A limit of a figure.

    Attributes:
        most: Up to here it is kept. text: in words, its source with it.
    """

    most: float
    text: str


AVERAGE = Limit(2.0, f"{ISA}: about 1 very likely acceptable, 2 at most")
PEAK = Limit(10, f"{ISA}: at most 10")
SHARE_OVER = Limit(0.01, f"{ISA}: below about 1 %")
FLOOD_SHARE = Limit(0.01, f"{ISA}: below about 1 %")
TOP_SHARE = Limit(0.05, f"{ISA}: 1 to 5 %")
STALE = Limit(4, f"{ISA}: fewer than 5 on any day, with a plan for each")
CHATTERING = Limit(0, f"{ISA}: none (3 in a minute: widely used, from memory)")
STANDING = Limit(9, f"{EEMUA}: fewer than 10 (from memory)")
SPLIT = {"low": 80.0, "high": 15.0, "urgent": 5.0}
"""ISA-18.2, 16.4: parts of annunciated alarms by priority, the lowest first, percent."""


def average_class(per_10_min: float) -> str:
    """EEMUA 191's word for a long-term average per operator.

    Source: below 1, 1 to 2 and above 10 in ten minutes by a published benchmark; 'likely over-demanding' from memory.
    """
    if per_10_min < 1.0:
        return "very likely acceptable"
    if per_10_min <= 2.0:
        return "manageable"
    return "likely over-demanding" if per_10_min <= 10.0 else "very likely unacceptable"


def upset_class(in_10_min: float) -> str:
    """EEMUA 191's word for the ten minutes after a major upset.

    Source: up to 10 by a published benchmark; 20 to 100 and above from memory.
    """
    if in_10_min <= 10:
        return "should be manageable"
    if in_10_min < 20:
        return "more than should be manageable"
    return "hard to cope with" if in_10_min <= 100 else "excessive"
