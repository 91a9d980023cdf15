"""The whole walk on one screen: ``step(state, input) -> (state, outcome)``. Pure.

    RawScan -> blocks -> images -> raw values -> judge each touched drive -> latch -> entries, changed drives
    Tick    -> drives whose time has come, blocks that nobody has read for too long
    Command -> drive or latch -> entries, answer
    LinkHealth, SettingsChanged -> entries
    last, whatever the input: entries that come too often are counted

Nothing here reads a clock or keeps a thing outside the state. Values handed in are never changed.
"""

from __future__ import annotations

from collections.abc import Mapping

from nightrake.alarms.latch import Latch, on_drive_entry, on_running
from nightrake.domain.chatter import bound
from nightrake.domain.cleantext import clean
from nightrake.domain.commands import on_command
from nightrake.domain.drive import DriveState, carry_over, new_drive
from nightrake.domain.inputs import Command, Input, LinkHealth, RawScan, SettingsChanged, Tick
from nightrake.domain.rows import Entry
from nightrake.domain.scan import on_scan
from nightrake.domain.site import SiteSpec
from nightrake.domain.state import NOTHING, EndpointState, LatchKey, Outcome, SiteState
from nightrake.domain.tick import on_tick
from nightrake.domain.wiring import DriveWire, wire_drive


def step(state: SiteState, given: Input, *, long_way: bool = False) -> tuple[SiteState, Outcome]:
    """Take the site one input further.

    Args:
        state: Before. given: One input of the recorded order.
        long_way: Judge every drive of a scan the long way (test only).
    """
    after, outcome = _walk(state, given, long_way)
    if outcome.entries or (after.tallies and isinstance(given, Tick)):
        return _bound(after, outcome, given.mono_ns)
    return after, outcome


def _walk(state: SiteState, given: Input, long_way: bool) -> tuple[SiteState, Outcome]:
    if isinstance(given, RawScan):
        return _latch(*on_scan(state, given, long_way), given.utc_ms)
    if isinstance(given, Tick):
        return _latch(*on_tick(state, given, long_way), given.utc_ms)
    if isinstance(given, Command):
        return _latch(*on_command(state, given), given.utc_ms)
    if isinstance(given, LinkHealth):
        return _on_link(state, given)
    return _on_settings(state, given)


def _bound(state: SiteState, outcome: Outcome, now_ns: int) -> tuple[SiteState, Outcome]:
    """Count what comes too often; a tick tells the counts whose minute is over."""
    tallies, entries, hidden = bound(state.tallies, outcome.entries, now_ns)
    if tallies == state.tallies and not entries:
        return state, outcome  # a tick at which nothing was due
    return state._replace(tallies=tallies), outcome._replace(entries=entries, hidden=hidden)


def _latch(state: SiteState, outcome: Outcome, utc_ms: int) -> tuple[SiteState, Outcome]:
    """Let the facts of this step reach the latches; their entries follow the fact that caused them."""
    if not outcome.drives and not outcome.entries:
        return state, outcome
    latches = dict(state.latches)
    entries: list[Entry] = []
    for entry in outcome.entries:
        entries.append(entry)
        key = (entry.drive, entry.direction)
        if entry.kind == "drive" and key in latches:
            latches[key], more = on_drive_entry(latches[key], entry, utc_ms)
            entries += more
    for drive in outcome.drives:
        protection = state.drives[drive].protection
        for side in state.wires[drive].spec.directions:
            key = (drive, str(side))
            latches[key], more = on_running(latches[key], protection.running, protection.stop, *key)
            entries += more
    return state._replace(latches=latches), outcome._replace(entries=tuple(entries))


def _on_link(state: SiteState, health: LinkHealth) -> tuple[SiteState, Outcome]:
    detail = clean(health.detail)
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
    latches, went, back = _carried_latches(state, wires)
    data = {
        "digest": site.digest,
        "was": state.site.digest,
        "added": sorted(set(wires) - set(state.wires)),
        "removed": sorted(set(state.wires) - set(wires)),
    }
    data |= {"latched_removed": went} if went else {}
    data |= {"latched_back": back} if back else {}
    entry = Entry("settings", "settings_changed", "", "", data)
    links = {k: link for k, link in state.links.items() if k.partition(":")[0] != "plc" or k[4:] in site.endpoints}
    after = SiteState(site, wires, drives, _undisturbed(state, site, wires, same), latches, links, state.tallies)
    return after, Outcome((entry,), tuple(d for d in drives if d not in same))


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


def _carried_latches(
    state: SiteState, wires: Mapping[str, DriveWire]
) -> tuple[dict[LatchKey, Latch], list[str], list[str]]:
    """Latches after a reload: of the site's drives, and of those that are gone, for when they come back.

    Returns:
        (latches, latched ones whose drive or direction went, latched ones that came back).
    """
    was, now = _sides(state.wires), _sides(wires)
    latches = {key: state.latches.get(key, Latch()) for key in now}
    # What the run feedback was when a drive went says nothing of what it will be.
    away = {
        k: latch._replace(running=-1) for k, latch in state.latches.items() if k not in latches and latch.occurrence
    }
    came = set(now) - set(was)
    went = [f"{d} {side}" for d, side in was if (d, side) in away and away[d, side].latched]
    back = [f"{d} {side}" for d, side in now if (d, side) in came and latches[d, side].latched]
    return latches | away, went, back


def _sides(wires: Mapping[str, DriveWire]) -> list[LatchKey]:
    return [(drive, str(side)) for drive, wire in wires.items() for side in wire.spec.directions]
