"""What a site says about the response to alarms: one frozen value beside `SiteSpec`, made by the settings. Pure.

The zone tables that times of day need are in it, so that a replay years later knows the same hours.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from nightrake.alarms.drivesetup import AS_SHIPPED, TorqueLimits
from nightrake.alarms.lockout import LockoutRules
from nightrake.alarms.rota import Rota
from nightrake.alarms.rules import AlarmOverride, AlarmRules, site_rules
from nightrake.alarms.standby import Schedule
from nightrake.alarms.zones import Zone
from nightrake.domain.site import SiteSpec


class Response(NamedTuple):
    """All that the alarms of a site need from its settings, besides the drives themselves.

    Attributes:
        site_name: For what people read.
        overrides: The site's own values by kind. drive_overrides: those of single drives, on top of these.
        limits: By drive, for every drive of the site.
        rota: Who is called, when, in which order.
        lockout: When a lockout opens, its causes, what a release needs.
        two_persons: Commands that need two different people.
        standby: By drive: when it is meant to stand; drives without such a schedule are left out.
    """

    site_name: str = ""
    overrides: Mapping[str, AlarmOverride] = {}
    drive_overrides: Mapping[str, Mapping[str, AlarmOverride]] = {}
    limits: Mapping[str, TorqueLimits] = {}
    rota: Rota = Rota()
    lockout: LockoutRules = LockoutRules()
    two_persons: frozenset[str] = frozenset()
    standby: Mapping[str, Schedule] = {}

    @property
    def zones(self) -> Mapping[str, Zone]:
        """Every zone table that times of day rest on, by name."""
        used = [self.rota.zone, self.rota.checks.zone]
        used += [shift.zone for team in self.rota.teams.values() for shift in team.shifts]
        used += [one.zone for schedule in self.standby.values() for one in schedule]
        return {zone.name: zone for zone in used}

    def rules(self, site: SiteSpec) -> AlarmRules:
        """The rules of every alarm of a site, before `AlarmRules.judging`."""
        turns_ns = {i: d.turn_ns for i, d in site.drives.items()}
        return site_rules(turns_ns, self.overrides, self.drive_overrides, site.endpoints)

    def limits_of(self, drive: str) -> TorqueLimits:
        """The limits of one drive; as shipped for one that the settings do not name."""
        return self.limits.get(drive, AS_SHIPPED)

    def schedule_of(self, drive: str) -> Schedule:
        """When one drive is meant to stand; empty where nothing is said."""
        return self.standby.get(drive, ())


UNSET = Response()
"""A site that says nothing: nobody to call, no lockout after a shutdown, everything else as shipped."""
