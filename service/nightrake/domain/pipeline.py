"""The whole walk on one screen: ``step(state, input) -> (state, outcome)``. Pure.

    RawScan -> blocks -> images -> raw values -> judge each touched drive -> entries, changed drives
    Tick    -> drives whose time has come, blocks that nobody has read for too long
    Command -> drive, alarm or lockout -> entries, answer
    LinkHealth, SettingsChanged -> entries
    then: what it means for the alarms (`respond`): conditions, lives, lockouts, calls
    last, whatever the input: entries that come too often are counted

Nothing here reads a clock or keeps a thing outside the state. Values handed in are never changed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from nightrake.alarms.book import is_latched
from nightrake.alarms.plan import plan_of
from nightrake.alarms.silence import NOTICE
from nightrake.alarms.standing import marked
from nightrake.domain.chatter import bound
from nightrake.domain.cleantext import clean
from nightrake.domain.commands import on_command
from nightrake.domain.drive import DriveState, carry_over, new_drive
from nightrake.domain.inputs import Command, Input, LinkHealth, RawScan, SettingsChanged, Tick
from nightrake.domain.newplan import begin, settle
from nightrake.domain.respond import respond
from nightrake.domain.rows import Entry
from nightrake.domain.scan import on_scan
from nightrake.domain.site import SiteSpec
from nightrake.domain.state import NOTHING, EndpointState, Outcome, SiteState
from nightrake.domain.tick import on_tick
from nightrake.domain.wiring import DriveWire, wire_drive


def step(state: SiteState, given: Input, *, long_way: bool = False) -> tuple[SiteState, Outcome]:
    """Take the site one input further.

    Args:
        state: Before. given: One input of the recorded order.
        long_way: Judge every drive of a scan the long way (test only).
    """
    state, first = begin(state, given)
    after, outcome = _walk(state, given, long_way)
    if first is not NOTHING:
        drives = tuple(dict.fromkeys((*first.drives, *outcome.drives)))
        outcome = outcome._replace(entries=(*first.entries, *outcome.entries), drives=drives)
    if outcome.entries or (after.tallies and isinstance(given, Tick)):
        return _bound(after, outcome, given.mono_ns)
    return after, outcome


def _walk(state: SiteState, given: Input, long_way: bool) -> tuple[SiteState, Outcome]:
    if isinstance(given, RawScan):
        after, outcome = on_scan(state, given, long_way)
    elif isinstance(given, Tick):
        after, outcome = on_tick(state, given, long_way)
    elif isinstance(given, Command):
        return on_command(state, given)
    elif isinstance(given, LinkHealth):
        after, outcome = _on_link(state, given)
    else:
        return _on_settings(state, given)
    return respond(state, after, outcome, given)


def _bound(state: SiteState, outcome: Outcome, now_ns: int) -> tuple[SiteState, Outcome]:
    """Count what comes too often; a tick tells the counts whose minute is over."""
    tallies, entries, hidden = bound(state.tallies, _marked(state, outcome.entries, now_ns), now_ns)
    if tallies is state.tallies and not entries:
        return state, outcome  # a tick at which nothing was due
    return state._replace(tallies=tallies), outcome._replace(entries=entries, hidden=hidden)


def _marked(state: SiteState, entries: Sequence[Entry], now_ns: int) -> list[Entry]:
    """What lies over a drive stands in its rows."""
    drives = state.drives
    testing = {e.drive for e in entries if e.drive in drives and drives[e.drive].protection.test_until_ns > now_ns}
    return [marked(e, state.alarms, in_test=e.drive in testing) if e.drive else e for e in entries]


def _on_link(state: SiteState, health: LinkHealth) -> tuple[SiteState, Outcome]:
    detail = clean(health.detail)
    if health.link.startswith(NOTICE):
        return state, NOTHING  # no link of ours: what it says is told with the notice itself
    if state.links.get(health.link) == (health.up, detail):
        return state, NOTHING
    data = {"link": health.link, "detail": detail}
    entry = Entry("link", "link_up" if health.up else "link_down", "", "", data)
    return state._replace(links={**state.links, health.link: (health.up, detail)}), Outcome((entry,))


def _on_settings(state: SiteState, given: SettingsChanged) -> tuple[SiteState, Outcome]:
    """A whole new site. Drives and latches go on by id; a changed PLC starts with what it has not yet read.

    What is as it was is left as it is: a large site is not judged anew for one drive's sake.
    """
    site = given.site
    same = {d for d, spec in site.drives.items() if d in state.wires and state.wires[d].spec == spec}
    wires = {d: state.wires[d] if d in same else wire_drive(spec) for d, spec in site.drives.items()}
    drives = {d: state.drives[d] if d in same else _carried(state, wire) for d, wire in wires.items()}
    plan = plan_of(site, wires, given.response, state.plan, same)
    data = {
        "digest": site.digest,
        "was": state.site.digest,
        "added": sorted(set(wires) - set(state.wires)),
        "removed": sorted(set(state.wires) - set(wires)),
    }
    went, back = _latched(state, set(state.wires) - set(wires)), _latched(state, set(wires) - set(state.wires))
    data |= {"latched_removed": went} if went else {}
    data |= {"latched_back": back} if back else {}
    entry = Entry("settings", "settings_changed", "", "", data)
    endpoints = _undisturbed(state, site, wires, same)
    links = {k: link for k, link in state.links.items() if k.partition(":")[0] != "plc" or k[4:] in site.endpoints}
    after = SiteState(site, wires, drives, endpoints, links, state.tallies, plan, state.alarms)
    return settle(state, after, Outcome((entry,), tuple(d for d in drives if d not in same)), given)


def _latched(state: SiteState, drives: set[str]) -> list[str]:
    """Directions of these drives whose shutdown is latched, whether or not the drives are at the site now."""
    found = []
    for drive in sorted(drives):
        subject = state.alarms.book.subjects.get(drive)
        keys = [alarm.key for alarm in subject.alarms.values()] if subject is not None else []
        sides = [k.direction for k in keys if k.kind == "shutdown_contact"]
        found += [f"{drive} {side}" for side in sides if is_latched(state.alarms.book, drive, side)]
    return found


def _carried(state: SiteState, wire: DriveWire) -> DriveState:
    drive = wire.spec.id
    return carry_over(state.wires[drive], wire, state.drives[drive]) if drive in state.drives else new_drive(wire)


def _undisturbed(
    state: SiteState, site: SiteSpec, wires: Mapping[str, DriveWire], same: set[str]
) -> dict[str, EndpointState]:
    """PLCs that are asked the same as before, for the same drives."""
    before, now = _users(state.wires), _users(wires)
    return {
        name: endpoint
        for name, endpoint in state.endpoints.items()
        if name in site.endpoints
        and site.endpoints[name] == state.site.endpoints[name]
        and before.get(name) == now.get(name, set())
        and now[name] <= same
    }


def _users(wires: Mapping[str, DriveWire]) -> dict[str, set[str]]:
    users: dict[str, set[str]] = {}
    for drive, wire in wires.items():
        for endpoint in {p.endpoint for p in wire.points}:
            users.setdefault(endpoint, set()).add(drive)
    return users
