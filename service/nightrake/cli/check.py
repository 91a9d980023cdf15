"""`nightrake check`: the folder without connecting, or with --live every point as it reads now."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from nightrake.cli.blind import all_blind_spots
from nightrake.cli.channelcheck import channel_doubts
from nightrake.cli.check_offline import WIDTH, report, requests_per_s
from nightrake.cli.forwardcheck import forward_doubts
from nightrake.cli.live import live_lines, read_live
from nightrake.cli.recordcheck import record_faults
from nightrake.commissioning.stated import specification_slips
from nightrake.polling import plans_of
from nightrake.settings import Settings, load


def run_check(folder: Path, overrides: Mapping[str, str | int | float], *, live: bool, as_json: bool) -> int:
    """Check; exit code 0 when nothing is wrong, 1 when a record's fit is not its own or (--live) a point read badly.

    Raises:
        ConfigError: The folder holds mistakes.
    """
    settings = load(folder, overrides, specification_check=specification_slips)
    if not live:
        faults = list(record_faults(settings))
        if as_json:
            print(json.dumps(_plain(settings, faults), indent=2))
        else:
            print(report(settings, faults, list(channel_doubts(settings))))
        return 1 if faults else 0
    found = read_live(settings)
    if as_json:
        print(json.dumps([f.plain() for f in found.findings], indent=2))
    else:
        print("\n".join(live_lines(found)))
        for doubt in forward_doubts(settings):
            print("\n".join(textwrap.wrap(f"! {doubt}", WIDTH, subsequent_indent="  ", break_on_hyphens=False)))
    return 1 if any(f.wrong for f in found.findings) else 0


def _plain(settings: Settings, faults: Sequence[str]) -> dict[str, Any]:
    site = settings.site
    return {
        "site": site.id,
        "settings": settings.digest,
        "plcs": {p: {"requests_per_s": round(requests_per_s(plan), 3)} for p, plan in plans_of(site).items()},
        "record_faults": list(faults),
        "drives": all_blind_spots(site, settings.today_utc_ms),
    }
