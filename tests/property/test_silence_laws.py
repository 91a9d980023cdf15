"""PLCs that fall silent and come back at random, with people who acknowledge: none that lasts is without an alarm.

The laws are written from what people need, not from how groups are formed: whoever has been silent for long is named in
an active alarm; and if it had been back for a while before, somebody has been called since, or was being called then.
"""

from __future__ import annotations

import random

import pytest

from callnights import NOBODY, RESPONSE, ROTA
from nightrake.alarms.life import ACTIVE, Life
from nightrake.alarms.records import Alarm
from nightrake.alarms.response import Response
from nightrake.alarms.standing import SiteAlarms
from nightrake.domain.inputs import LinkHealth, SettingsChanged
from nightrake.domain.site import SiteSpec
from nightrake.domain.state import new_site
from nightrake.kept import restore
from nightrake.keptalarms import alarm_states
from works import SECOND, Works, rake, site_of

PLCS = "PQR"
LONG_S = 95
"""Longer than on-delay, off-delay and the least time between two calls for one alarm together."""
WHILE_S = 10
"""So long a PLC has been back before its next silence is news."""
WAITS_S = (1, 4, 9, 12, 20, 35, 50, 70, 130)
SEEDS = (*range(24), 31, 78, 122, 178, 188, 243, 250, 295)
"""Some of these were found to break a law once."""
CHANGING_SEEDS = (0, 1, 2, 3, 58, 118, 196, 214, 242, 293)
FEWER = RESPONSE._replace(rota=ROTA._replace(people={"boss": ROTA.people["boss"]}))


def site_with(plcs: str) -> SiteSpec:
    """The drives of these PLCs."""
    return site_of(*(rake(drive, plc=plc) for drive, plc in zip("DEFG", "PQRR", strict=True) if plc in plcs))


class Walk(Works):
    """Three PLCs with four drives, of which nothing is known but whether they answer."""

    def __init__(self, seed: int) -> None:
        super().__init__(site_with(PLCS), RESPONSE)
        self.chance = random.Random(seed)
        self.there = PLCS
        self.silent_ns: dict[str, int] = {}
        self.back_ns = dict.fromkeys(PLCS, 0)
        self.news: dict[str, bool] = {}
        for plc in PLCS:
            self.say(plc, True)

    def say(self, plc: str, up: bool) -> None:
        """It answers, or does not."""
        self.give(LinkHealth(self.now_ns, self.utc_ms, f"plc:{plc}", up, ""))

    def alarms(self) -> list[Alarm]:
        """Those of silent PLCs."""
        subjects = self.state.alarms.book.subjects.values()
        return [a for s in subjects for a in s.alarms.values() if a.key.kind == "plc_silent"]

    def act(self) -> None:
        """One falls silent or comes back; or somebody acknowledges all that waits."""
        plc, what = self.chance.choice(self.there), self.chance.random()
        if what < 0.55 and plc in self.silent_ns:
            del self.silent_ns[plc]
            self.back_ns[plc] = self.now_ns
            self.say(plc, True)
        elif what < 0.55:
            self.silent_ns[plc] = self.now_ns
            self.news[plc] = self.now_ns - self.back_ns[plc] > WHILE_S * SECOND
            self.say(plc, False)
        elif what < 0.8:
            for alarm in self.alarms():
                if alarm.state.life in (Life.UNACKNOWLEDGED, Life.CLEARED_UNACKNOWLEDGED):
                    args = {"alarm": str(alarm.key), "occurrence": alarm.state.occurrence}
                    self.ask("acknowledge", "", actor="night", role="operator", **args)  # type: ignore[arg-type]
                    self.news |= dict.fromkeys(alarm.facts.get("plcs", ()), False)

    def judge(self) -> None:
        """The laws, for each PLC that has been silent for so long just now."""
        for plc, since_ns in self.silent_ns.items():
            if self.now_ns - since_ns != LONG_S * SECOND:
                continue
            naming = [a for a in self.alarms() if plc in a.facts.get("plcs", ())]
            active = [a for a in naming if a.state.life in (Life.UNACKNOWLEDGED, Life.ACKNOWLEDGED)]
            assert active, f"{plc} is silent, and no active alarm names it"
            began_utc_ms = self.utc_ms - LONG_S * 1_000
            seen = [a for a in active if a.state.life is Life.ACKNOWLEDGED and a.state.acked_utc_ms < began_utc_ms]
            assert not (self.news[plc] and seen), f"{plc} is silent anew, and its alarm was acknowledged before"


@pytest.mark.parametrize("seed", SEEDS)
def test_a_plc_that_stays_silent_is_named_in_an_active_alarm_that_was_called_for_it(seed: int) -> None:
    """Forty turns of silences, returns and acknowledgements, and every second looked at."""
    walk = Walk(seed)
    for _ in range(40):
        walk.act()
        for _ in range(walk.chance.choice(WAITS_S)):
            walk.tick(1_000)
            walk.judge()


class ChangingWalk(Walk):
    """The same while PLCs leave the settings and come back, people too, alarms are shelved and the watch is killed."""

    changed_ns = 0

    def act(self) -> None:
        """A change of settings now and then; else as before, of the PLCs that are there."""
        what, plc = self.chance.random(), self.chance.choice(self.there)
        if what < 0.15:
            self.change()
        elif what < 0.22:
            self.ask(
                "shelve", "", alarm=f"plc:{plc}/-/plc_silent", actor="night", role="operator", for_s=200, reason="x"
            )
        else:
            super().act()

    def change(self) -> None:
        """Other PLCs and people, by a reload or while nothing ran; what is new says how it is."""
        there = "".join(p for p in PLCS if self.chance.random() < 0.75) or "Q"
        site, response = site_with(there), self.chance.choice((RESPONSE, RESPONSE, FEWER, NOBODY))
        fresh = [p for p in there if p not in self.there]
        if self.chance.random() < 0.4:
            self.restart(site, response)
            fresh = list(there)
            self.silent_ns = {}
        else:
            self.give(SettingsChanged(self.now_ns, self.utc_ms, site, response))
        self.changed_ns = self.now_ns
        self.there, self.silent_ns = there, {p: ns for p, ns in self.silent_ns.items() if p in there}
        for plc in fresh:
            up = self.chance.random() < 0.5
            self.news[plc], self.back_ns[plc] = False, self.now_ns
            self.silent_ns |= {} if up else {plc: self.now_ns}
            self.say(plc, up)

    def restart(self, site: SiteSpec, response: Response) -> None:
        """Killed, and begun anew on what was kept of the alarms."""
        kept = {key: raw for key, raw in alarm_states(SiteAlarms(), self.state.alarms).items() if raw}
        self.now_ns += self.chance.choice((1, 30)) * SECOND
        self.state, _ = restore(new_site(site, response), kept, self.now_ns, self.utc_ms, same_boot=True)
        self.tick(1)

    def alarms(self) -> list[Alarm]:
        """Those of PLCs that are there."""
        return [a for a in super().alarms() if not self.state.alarms.book.subjects[a.key.subject].away]

    def judge(self) -> None:
        """And where all have answered for long nobody is called for any."""
        super().judge()
        last_ns = max(self.changed_ns, *(self.back_ns[p] for p in self.there))
        if not self.silent_ns and self.now_ns - last_ns > 40 * SECOND:
            assert not [a for a in self.alarms() if a.state.life in ACTIVE], "all answer, and an alarm stands"


@pytest.mark.parametrize("seed", CHANGING_SEEDS)
def test_silences_while_the_settings_change_are_told_and_end(seed: int) -> None:
    """A PLC that leaves with its alarm standing and is back among others: its own name neither hides nor lingers."""
    walk = ChangingWalk(seed)
    for _ in range(40):
        walk.act()
        for _ in range(walk.chance.choice(WAITS_S)):
            walk.tick(1_000)
            walk.judge()
