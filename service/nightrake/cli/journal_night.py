"""`nightrake journal account` and `figures`: a night as sentences, and alarm figures of a period."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

from nightrake.alarms import account as accounts
from nightrake.alarms import figures as alarm_figures
from nightrake.alarms.account import Account
from nightrake.alarms.accountlines import Names, account_lines
from nightrake.alarms.figurelines import figure_lines
from nightrake.alarms.figures import Figures, Tally
from nightrake.cli.journal_wanted import last_night, now_utc_ms, period_of, searching, zone_at
from nightrake.journal.search import Wanted
from nightrake.settings import Settings, load

FIGURES_MS = 30 * 86_400_000
ENDS = ("--from", "--to")


def run_account(folder: Path, overrides: Mapping[str, str | int | float], begin: str, end: str) -> int:
    """Print the account of a period; exit code 0.

    Raises:
        NightrakeError: Folder, store or a time is wrong.
    """
    settings, now_ms = load(folder, overrides), now_utc_ms()
    night = last_night(zone_at(settings, now_ms), now_ms)
    from_ms, to_ms = period_of(settings, begin, end, (night[0], night[1] if not begin else now_ms), ENDS)
    account = Account(from_ms, to_ms)
    with searching(settings) as search:
        for row in search.rows(Wanted(kinds=accounts.KINDS, drive_events=accounts.DRIVE_EVENTS)):
            account.take(row)
    names = Names(
        f"{settings.site.name} ({settings.site.id})",
        {i: d.name for i, d in settings.site.drives.items()},
        {i: f"{p.name} ({p.role})" for i, p in settings.people.items()},
    )
    for line in account_lines(account.done(), zone_at(settings, from_ms), names, now_ms):
        print(line)
    return 0


def run_figures(
    folder: Path, overrides: Mapping[str, str | int | float], begin: str, end: str, positions: int, *, as_json: bool
) -> int:
    """Print the figures of a period; exit code 0.

    Raises:
        NightrakeError: Folder, store or a time is wrong.
    """
    settings, now_ms = load(folder, overrides), now_utc_ms()
    from_ms, to_ms = period_of(settings, begin, end, (now_ms - FIGURES_MS, now_ms), ENDS)
    tally = Tally(from_ms, to_ms, positions)
    with searching(settings) as search:
        for row in search.rows(Wanted(kinds=alarm_figures.KINDS)):
            tally.take(row)
    found = tally.done(now_ms)
    for line in [_json(found)] if as_json else figure_lines(found, zone_at(settings, from_ms), *_labels(settings)):
        print(line)
    return 0


def _labels(settings: Settings) -> tuple[str, Mapping[str, str]]:
    return settings.site.name, {i: d.name for i, d in settings.site.drives.items()}


def _json(found: Figures) -> str:
    often = {name: [o._asdict() for o in getattr(found, name)] for name in ("top", "chattering")}
    shares = {name: getattr(found, name) for name in ("top_share", "share_over", "flood_share")}
    return json.dumps({**found._asdict(), **often, **shares}, indent=2)
