"""One finding of a data sheet: a verdict, one sentence, and where the rule is from. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from nightrake.commissioning.shown import shown
from nightrake.commissioning.units import Dimension
from nightrake.domain.site import Stage

PRACTICE = "common practice, no source"
STATICS = "plain statics"
MEMORY = "design manuals, from memory"


class Verdict(StrEnum):
    """How a finding stands; OUTSIDE is for what this tool must not judge."""

    OK = "ok"
    LOOK_AGAIN = "look again"
    WRONG = "wrong"
    OUTSIDE = "outside this tool"


@dataclass(frozen=True, slots=True)
class Finding:
    """One judgement.

    Attributes:
        subject: What was judged, in a few words. verdict: How it stands. text: One sentence.
        source: Where the rule is from. stages: Whose contacts it speaks for.
    """

    subject: str
    verdict: Verdict
    text: str
    source: str = PRACTICE
    stages: frozenset[Stage] = frozenset()


ALARM = frozenset({Stage.ALARM})
SHUTDOWN = frozenset({Stage.SHUTDOWN})
BOTH = ALARM | SHUTDOWN


def missing(subject: str, *keys: str, stages: frozenset[Stage] = frozenset()) -> Finding:
    """What cannot be judged, and the keys (below the specification) that it needs."""
    text = f"cannot be judged; add {' and '.join(keys)} to the specification"
    return Finding(subject, Verdict.LOOK_AGAIN, text, "a value is missing", stages)


def torque(value_nm: float) -> str:
    """A torque in a sentence, in both systems."""
    return "{} ({})".format(*shown(value_nm, Dimension.TORQUE))


def travel(value_m: float) -> str:
    """An arm position in a sentence, always in mm."""
    return f"{value_m * 1000.0:.2f} mm"
