"""Nights with people in which the settings change and the watch starts anew: what the store holds comes back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from nightrake.alarms.lockout import LockoutRules
from nightrake.alarms.response import Response
from nightrake.alarms.rota import Chain, Person, Rota, Step
from nightrake.alarms.standing import SiteAlarms
from nightrake.domain.inputs import SettingsChanged
from nightrake.domain.rows import Entry
from nightrake.domain.site import DriveSpec, SiteSpec
from nightrake.domain.state import new_site
from nightrake.kept import restore, states_of
from nightrake.keptalarms import alarm_states
from works import SECOND, Works, plan_of, rake, site_of

MINUTE = 60 * SECOND
PEOPLE = {
    "night": Person("night", "Night shift", "operator"),
    "second": Person("second", "Second operator", "operator"),
    "boss": Person("boss", "Supervisor", "supervisor"),
}
STEPS = (Step(people=("night",), wait_ns=3 * MINUTE), Step(people=("second",), wait_ns=5 * MINUTE))
ROTA = Rota(PEOPLE, {}, {p: Chain(STEPS) for p in ("urgent", "high", "low")})
RESPONSE = Response("Works", rota=ROTA, lockout=LockoutRules(("sludge",), after_shutdown=True))
NOBODY = RESPONSE._replace(rota=Rota())
SHUTDOWN, ALARM = "D/forward/shutdown_contact", "D/forward/alarm_contact"
Kept = dict[str, bytes]


def drive(name: str = "D", unit: int = 1) -> DriveSpec:
    """A drive whose turn is known."""
    return replace(rake(name, unit=unit), alarm_nm=28_000.0, turn_ns=1_800 * SECOND)


ONE, TWO = site_of(drive("E", 2)), site_of(drive("D"), drive("E", 2))
"""Without D, and with it."""


class Night(Works):
    """A site with people, watched for a while; everything is well.

    Args:
        site: Its drives draw on one PLC, named P.
    """

    def __init__(self, response: Response = RESPONSE, site: SiteSpec = TWO) -> None:
        super().__init__(site, response)
        self.response = response
        for name in site.drives:
            self.set(name, "position", 8_000)
        self.run(40)
        self.entries.clear()

    def run(self, seconds: float, each_s: float = 1.0) -> None:
        """Scans and ticks in turn."""
        for _ in range(round(seconds / each_s)):
            self.scan(round(500 * each_s))
            self.tick(round(500 * each_s))

    def trip(self, name: str = "D") -> None:
        """The shutdown contact operates and the hard-wired stop acts."""
        self.operate(name, "shutdown/A")
        self.scan(250)
        self.set(name, "running", 0)
        self.run(3)

    def answer(self, alarm: str, occurrence: int = 1, who: str = "night") -> bool:
        """A person acknowledges."""
        return self.ask("acknowledge", "", alarm=alarm, occurrence=occurrence, actor=who, role="operator")[0]

    def reload(self, response: Response | None = None, site: SiteSpec | None = None) -> None:
        """Other settings, without a stop."""
        self._take(response, site)
        self.give(SettingsChanged(self.now_ns, self.utc_ms, self.site, self.response))

    def restart(
        self,
        response: Response | None = None,
        site: SiteSpec | None = None,
        *,
        same_boot: bool = True,
        away_s: float = 5.0,
        damage: Callable[[str], bool] = lambda key: False,
    ) -> list[str]:
        """The watch ends and begins anew on its store, perhaps with other settings and damaged records.

        Args:
            damage: Says of a key of the store whether its record is damaged.

        Returns:
            Keys that were left out.
        """
        lived_utc_ms, kept = self.utc_ms, self.kept(damage)
        self.now_ns += round(away_s * SECOND)
        if not same_boot:
            self.utc_begin_ms += (self.now_ns - 50 * SECOND) // 1_000_000
            self.now_ns = 50 * SECOND
        self._take(response, site)
        blank = new_site(self.site, self.response)
        stamps = (self.now_ns, self.utc_ms)
        self.state, unfit = restore(blank, kept, *stamps, same_boot=same_boot, lived_utc_ms=lived_utc_ms)
        return unfit

    def kept(self, damage: Callable[[str], bool]) -> Kept:
        """What the store holds now."""
        states = states_of(self.state, self.state, set(self.state.drives))
        states |= alarm_states(SiteAlarms(), self.state.alarms)
        return {k: b"\x00 damaged" if damage(k) else v for k, v in states.items() if v}

    def _take(self, response: Response | None, site: SiteSpec | None) -> None:
        self.response, self.site = response or self.response, site or self.site
        self.plans = {plc: plan_of(self.site, plc) for plc in self.site.endpoints}

    def calls(self, alarm: str = "") -> list[tuple[str, tuple[str, ...]]]:
        """(event, people) of the rows about calls so far, of one alarm or of all."""
        told = [e for e in self.entries if e.kind == "call" and alarm in ("", e.data.get("alarm"))]
        return [(e.event, tuple(e.data.get("people", ()))) for e in told]

    def last(self, event: str, alarm: str = SHUTDOWN) -> Mapping[str, object]:
        """Data of the last row of one name about an alarm."""
        found: list[Entry] = [e for e in self.told(event) if e.data.get("alarm") == alarm]
        return found[-1].data
