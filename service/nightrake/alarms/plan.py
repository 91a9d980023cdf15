"""What a site's alarms are judged and told by, found once for each settings value. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from nightrake.alarms.drivesetup import Setup, setup_of
from nightrake.alarms.response import Response
from nightrake.alarms.rules import AlarmRules
from nightrake.domain.site import SiteSpec
from nightrake.domain.wiring import DriveWire


class AlarmPlan(NamedTuple):
    """See the module.

    Attributes:
        response: What the settings say. rules: every alarm's. setups: of each drive.
        draws: For each PLC, the drives that draw on it. plcs: for each drive, the PLCs that it draws on.
    """

    response: Response
    rules: AlarmRules
    setups: Mapping[str, Setup]
    draws: Mapping[str, tuple[str, ...]]
    plcs: Mapping[str, tuple[str, ...]]


def plan_of(site: SiteSpec, wires: Mapping[str, DriveWire], response: Response) -> AlarmPlan:
    """Lay out a site.

    Args:
        site: Which. wires: of its drives. response: what the settings say about alarms and people.

    Raises:
        ValueError: An override that may not be set so (`rules.override_faults` says it before).
    """
    rules = response.rules(site)
    setups = {
        drive: setup_of(wire.spec, [(w.direction, w.stage) for w in wire.stages], rules, response.limits_of(drive))
        for drive, wire in wires.items()
    }
    plcs = {d: tuple(dict.fromkeys(p.endpoint for p in wire.points)) for d, wire in wires.items()}
    draws: dict[str, tuple[str, ...]] = dict.fromkeys(site.endpoints, ())
    for drive, mine in plcs.items():
        for plc in mine:
            draws[plc] = (*draws.get(plc, ()), drive)
    return AlarmPlan(response, rules.judging({d: s.texts for d, s in setups.items()}), setups, draws, plcs)
