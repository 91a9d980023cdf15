"""What the core knows of the site, and what a step brings. Pure values."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from nightrake.alarms.plan import AlarmPlan, plan_of
from nightrake.alarms.response import UNSET, Response
from nightrake.alarms.standing import SiteAlarms
from nightrake.domain.chatter import Tallies
from nightrake.domain.drive import DriveState, new_drive
from nightrake.domain.image import ImageState
from nightrake.domain.inputs import BlockReply
from nightrake.domain.readplan import ReadPlan
from nightrake.domain.rows import Answer, Entry
from nightrake.domain.site import SiteSpec
from nightrake.domain.wiring import DriveWire, PlanWire, wire_site


class EndpointState(NamedTuple):
    """One PLC as last read.

    Attributes:
        plan: The read plan that `blocks` belongs to. wire: the same, laid out.
        blocks: The last reply of each block, None = not read yet.
        images: State of each unit's image.
        stale: Blocks that nobody has read for too long.
    """

    plan: ReadPlan
    wire: PlanWire
    blocks: tuple[BlockReply | None, ...]
    images: Mapping[int, ImageState]
    stale: frozenset[int] = frozenset()


class SiteState(NamedTuple):
    """Everything the core knows. `wires` follows from `site` alone, `plan` from that and what it says of the response.

    Attributes:
        alarms: All that is kept of them, latches and lockouts included; also of drives that a reload took away, which
            come back with them. tallies: What has been told in the present minute, see `chatter`.
    """

    site: SiteSpec
    wires: Mapping[str, DriveWire]
    drives: Mapping[str, DriveState]
    endpoints: Mapping[str, EndpointState]
    links: Mapping[str, tuple[bool, str]]
    tallies: Tallies
    plan: AlarmPlan
    alarms: SiteAlarms


class Outcome(NamedTuple):
    """What one step brought.

    Attributes:
        entries: For the journal, in order.
        drives: Drives of which something other than a measured value has changed.
        answers: Replies to commands: (the caller's ref, answer).
        judged: Drives that were looked at, whether or not anything came of it.
        hidden: Drive of each entry that was only counted ("" = of none); its state is to be kept all the same.
    """

    entries: tuple[Entry, ...] = ()
    drives: tuple[str, ...] = ()
    answers: tuple[tuple[str, Answer], ...] = ()
    hidden: tuple[str, ...] = ()
    judged: tuple[str, ...] = ()


NOTHING = Outcome()


def new_site(site: SiteSpec, response: Response = UNSET) -> SiteState:
    """A site of which nothing has been read.

    Args:
        response: What its settings say about alarms and people.
    """
    wires = wire_site(site)
    drives = {d: new_drive(w) for d, w in wires.items()}
    return SiteState(site, wires, drives, {}, {}, {}, plan_of(site, wires, response), SiteAlarms())
