"""What a site's alarms are judged and told by, found once for each settings value. Pure."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import NamedTuple

from nightrake.alarms.drivesetup import Setup, TorqueLimits, setup_of
from nightrake.alarms.response import Response
from nightrake.alarms.rules import AlarmRule, AlarmRules
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


def plan_of(
    site: SiteSpec,
    wires: Mapping[str, DriveWire],
    response: Response,
    before: AlarmPlan | None = None,
    same: Collection[str] = (),
) -> AlarmPlan:
    """Lay out a site.

    Args:
        site: Which. wires: of its drives. response: what the settings say about alarms and people.
        before: The plan that this one follows. same: drives that are as they were in it: what holds for them is taken
            over where their rules and limits are the same too, for a large site must not be laid out anew in mid-scan.

    Raises:
        ValueError: An override that may not be set so (`rules.override_faults` says it before).
    """
    rules = response.rules(site)
    setups: dict[str, Setup] = {}
    for drive, wire in wires.items():
        limits, mine = response.limits_of(drive), rules.drives[drive]
        if before is not None and drive in same and _is_same(before, drive, limits, mine):
            setups[drive] = before.setups[drive]
        else:
            setups[drive] = setup_of(wire.spec, [(w.direction, w.stage) for w in wire.stages], rules, limits)
    plcs = {d: tuple(dict.fromkeys(p.endpoint for p in wire.points)) for d, wire in wires.items()}
    draws: dict[str, tuple[str, ...]] = dict.fromkeys(site.endpoints, ())
    for drive, drawn in plcs.items():
        for plc in drawn:
            draws[plc] = (*draws.get(plc, ()), drive)
    return AlarmPlan(response, rules.judging({d: s.texts for d, s in setups.items()}), setups, draws, plcs)


def _is_same(before: AlarmPlan, drive: str, limits: TorqueLimits, rules: Mapping[str, AlarmRule]) -> bool:
    """Whether a drive that is as it was is judged as it was, too."""
    return before.response.limits_of(drive) == limits and before.rules.drives.get(drive) == rules
