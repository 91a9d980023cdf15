"""A reload: which PLCs it touches, and that what is laid out anew for these alone is what would be for all."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace

import pytest

from nightrake.alarms.drivesetup import TorqueLimits
from nightrake.alarms.plan import plan_of as plan_of_alarms
from nightrake.alarms.response import UNSET
from nightrake.alarms.rules import AlarmOverride
from nightrake.domain.site import EndpointSpec, SiteSpec
from nightrake.domain.tailcodec import to_record
from nightrake.domain.wiring import touched, wire_plan, wire_site
from nightrake.forwardlines import Aside, Lines
from nightrake.historian.dating import Dating
from nightrake.historian.stamps import Used
from nightrake.kept import plan_to_json
from nightrake.polling import plan_of, plans_of
from works import Works, bit, contact, rake, site_of

SITE = site_of(*(rake(f"D{n}", plc=f"P{n // 2}", unit=n + 1) for n in range(6)))


def with_drive(site: SiteSpec, name: str, plc: str) -> SiteSpec:
    """The site with one more drive, or another in the place of one."""
    return replace(site, drives={**site.drives, name: rake(name, plc=plc, unit=9)})


def without(site: SiteSpec, name: str) -> SiteSpec:
    """The site without one drive."""
    return replace(site, drives={d: spec for d, spec in site.drives.items() if d != name})


CHANGES: dict[str, tuple[Callable[[SiteSpec], SiteSpec], set[str]]] = {
    "nothing": (lambda s: replace(s, digest="1" * 64), set()),
    "a name": (lambda s: replace(s, drives={**s.drives, "D2": replace(s.drives["D2"], name="New")}), {"P1"}),
    "a new drive": (lambda s: with_drive(s, "NEW", "P2"), {"P2"}),
    "a drive gone": (lambda s: without(s, "D0"), {"P0"}),
    "a drive moved": (lambda s: with_drive(s, "D0", "P2"), {"P0", "P2"}),
    "a PLC's address": (
        lambda s: replace(s, endpoints={**s.endpoints, "P1": EndpointSpec("P1", "127.0.0.2")}),
        {"P1"},
    ),
    "a PLC gone with its drives": (
        lambda s: without(
            without(replace(s, endpoints={k: e for k, e in s.endpoints.items() if k != "P0"}), "D0"), "D1"
        ),
        {"P0"},
    ),
}


@pytest.mark.parametrize("change", CHANGES)
def test_only_what_a_change_touches_is_planned_anew(change: str) -> None:
    """Every PLC that is not named would get the plan that it has."""
    make, expected = CHANGES[change]
    after = make(SITE)

    assert touched(SITE, after) == expected
    before, now = plans_of(SITE), plans_of(after)
    assert {name for name in now if now[name] != before.get(name)} <= expected
    assert all(before[name] == now[name] for name in set(now) - expected)


def test_plans_of_all_are_the_plans_of_each() -> None:
    """One walk over the drives gives what a walk for each PLC gives; a drive on two PLCs has its part in both."""
    both = rake("BOTH", contact("BOTH", next(iter(SITE.drives["D0"].contacts)).id.stage, bit(7, plc="P0")), plc="P1")
    site = site_of(*SITE.drives.values(), both)

    assert plans_of(site) == {name: plan_of(site, name) for name in site.endpoints}
    assert plans_of(site, ["P1"]) == {"P1": plan_of(site, "P1")}
    assert "BOTH" in wire_plan(plan_of(site, "P0"), wire_site(site)).drives


async def lines_of(lines: Lines, works: Works, plc: str) -> list[str]:
    """What a scan of one PLC becomes."""
    works.scan(plc=plc)
    aside = Aside()
    found = await lines.of([to_record(1, works.inputs[-1])], [], Used.of(""), Dating([], []), aside)
    assert aside.damaged == {}
    return [line.rpartition(" ")[0] for line in found]


@pytest.mark.asyncio
@pytest.mark.parametrize("change", [c for c in CHANGES if "gone" not in c])
async def test_lines_taken_over_say_what_new_ones_say(change: str) -> None:
    """After a reload what is as it was is not laid out anew: each scan becomes the same lines all the same."""
    after = CHANGES[change][0](SITE)
    texts: dict[str, str] = {}
    for site in (SITE, after):
        texts |= {plan.layout: plan_to_json(plan) for plan in plans_of(site).values()}

    async def layout(name: str) -> str | None:
        await asyncio.sleep(0)
        return texts.get(name)

    old = Lines(SITE, layout)
    for plc in SITE.endpoints:
        await lines_of(old, Works(SITE), plc)

    for plc in after.endpoints:
        for site in (SITE, after):  # records of before the reload come after it too
            works = Works(site)
            over = await lines_of(Lines(after, layout, old), works, plc)
            assert over == await lines_of(Lines(after, layout), works, plc)
            assert over


def test_plan_taken_over_in_part_is_the_plan_made_anew() -> None:
    """Whatever changed: a drive, the limits of one, the delays of a kind, of one drive, or nothing."""
    site = site_of(rake("A"), rake("B"))
    renamed = site_of(rake("A"), replace(rake("B"), name="Other"))
    wires = wire_site(site)
    delay = {"alarm_contact": AlarmOverride(on_delay_s=7.0)}
    responses = (
        UNSET,
        UNSET._replace(limits={"A": TorqueLimits(high_pct=50.0)}),
        UNSET._replace(overrides=delay),
        UNSET._replace(drive_overrides={"B": delay}),
    )
    for first in responses:
        before = plan_of_alarms(site, wires, first)
        for then in responses:
            for now in (site, renamed):
                laid = wires if now is site else wire_site(now)
                same = {d for d in laid if laid[d].spec == wires[d].spec}
                assert plan_of_alarms(now, laid, then, before, same) == plan_of_alarms(now, laid, then)
