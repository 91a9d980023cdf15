"""The whole walk on one screen: ``step(state, input) -> (state, outcome)``. Pure.

    RawScan -> blocks -> images -> raw values -> judge each touched drive -> latch -> entries, changed drives
    Tick    -> drives whose time has come, blocks that nobody has read for too long
    Command -> drive or latch -> entries, answer
    LinkHealth, SettingsChanged -> entries

Nothing here reads a clock or keeps a thing outside the state. Values handed in are never changed.
"""

from __future__ import annotations

from nightrake.alarms.latch import on_drive_entry, on_running
from nightrake.domain.commands import on_command
from nightrake.domain.drive import carry_over
from nightrake.domain.inputs import Command, Input, LinkHealth, RawScan, SettingsChanged, Tick
from nightrake.domain.rows import Entry
from nightrake.domain.scan import on_scan
from nightrake.domain.state import NOTHING, Outcome, SiteState, new_site
from nightrake.domain.tick import on_tick


def step(state: SiteState, given: Input, *, long_way: bool = False) -> tuple[SiteState, Outcome]:
    """Take the site one input further.

    Args:
        state: Before. given: One input of the recorded order.
        long_way: Judge every drive of a scan the long way (test only).
    """
    if isinstance(given, RawScan):
        return _latch(*on_scan(state, given, long_way), given.utc_ms)
    if isinstance(given, Tick):
        return _latch(*on_tick(state, given, long_way), given.utc_ms)
    if isinstance(given, Command):
        return _latch(*on_command(state, given), given.utc_ms)
    if isinstance(given, LinkHealth):
        return _on_link(state, given)
    return _on_settings(state, given)


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
    if state.links.get(health.link) == (health.up, health.detail):
        return state, NOTHING
    data = {"link": health.link, "detail": health.detail[:300]}
    entry = Entry("link", "link_up" if health.up else "link_down", "", "", data)
    return state._replace(links={**state.links, health.link: (health.up, health.detail)}), Outcome((entry,))


def _on_settings(state: SiteState, given: SettingsChanged) -> tuple[SiteState, Outcome]:
    """A whole new site. Drives and latches go on by id; endpoints start with what they have not yet read."""
    fresh = new_site(given.site)
    drives = {
        d: carry_over(state.wires[d], wire, state.drives[d]) if d in state.drives else fresh.drives[d]
        for d, wire in fresh.wires.items()
    }
    latches = {key: state.latches.get(key, latch) for key, latch in fresh.latches.items()}
    data = {
        "digest": given.site.digest,
        "was": state.site.digest,
        "added": sorted(set(fresh.wires) - set(state.wires)),
        "removed": sorted(set(state.wires) - set(fresh.wires)),
    }
    entry = Entry("settings", "settings_changed", "", "", data)
    after = fresh._replace(drives=drives, latches=latches, links=state.links)
    return after, Outcome((entry,), tuple(drives))
