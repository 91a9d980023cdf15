"""`nightrake check`: the folder without connecting, or with --live every point as it reads now."""

from __future__ import annotations

import asyncio
import json
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from nightrake.cli.blind import blind_spots
from nightrake.cli.check_offline import report
from nightrake.cli.readings import Finding, arm_torque, judge_point
from nightrake.control.client import ControlClient
from nightrake.domain.reading import Reading
from nightrake.domain.site import Direction, DriveSpec, EndpointSpec, PointSpec
from nightrake.errors import ControlError, FieldError
from nightrake.field.probe import Probed, probe_endpoint
from nightrake.journal.lock import take_lock
from nightrake.polling import plan_of
from nightrake.settings import Settings, load
from nightrake.status import probe_site

WIDTH = 80


def run_check(folder: Path, overrides: Mapping[str, str | int | float], *, live: bool, as_json: bool) -> int:
    """Check; exit code 0 when nothing is wrong, 1 when a point did not read well (--live).

    Raises:
        ConfigError: The folder holds mistakes.
    """
    settings = load(folder, overrides)
    if not live:
        print(json.dumps(_plain(settings), indent=2) if as_json else report(settings))
        return 0
    findings = live_findings(settings)
    if as_json:
        print(json.dumps([f.plain() for f in findings], indent=2))
    else:
        print("\n".join(live_lines(findings)))
    return 1 if any(f.wrong for f in findings) else 0


def wrap(text: str, indent: str = "") -> list[str]:
    """A paragraph at 80 columns."""
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent + "  ") or [""]


def requests_per_second(settings: Settings, plc: str) -> float:
    """How many requests a PLC gets each second."""
    return sum(1e9 / block.period_ns for block in plan_of(settings.site, plc).blocks)


def _plain(settings: Settings) -> dict[str, Any]:
    site = settings.site
    return {
        "site": site.id,
        "settings": settings.digest,
        "plcs": {p: {"requests_per_s": round(requests_per_second(settings, p), 3)} for p in site.endpoints},
        "drives": {d.id: blind_spots(d, site, settings.today_utc_ms) for d in site.drives.values()},
    }


# --- live -------------------------------------------------------------------------------------------------------------


def live_findings(settings: Settings) -> list[Finding]:
    """Read every point: through the running watch, or on connections of our own if no watch holds the site."""
    try:
        with ControlClient(settings.control.socket, timeout_s=120.0) as client:
            results = client.ask("probe")
    except ControlError:
        results = asyncio.run(_probe_alone(settings))
    by_place = {(r["drive"], r["role"]): r for r in results}
    return [
        judge_point(drive, role, point, by_place[drive.id, role], arm)
        for drive in settings.site.drives.values()
        for arm in [_arm(drive, by_place)]
        for role, point in drive.points().items()
        if (drive.id, role) in by_place
    ]


def _arm(drive: DriveSpec, results: Mapping[tuple[str, str], Mapping[str, Any]]) -> tuple[Direction, Reading] | None:
    """Where a drive's arm stands, for comparison with its contacts; None where its position was not read."""
    position = results.get((drive.id, "position"))
    if position is None or position["got"] != "GOOD":
        return None
    return arm_torque(drive, bytes.fromhex(position["data"]))


async def _probe_alone(settings: Settings) -> list[dict[str, Any]]:
    """Only with the site's lock in hand: a PLC often takes one connection, and a watch would lose it.

    Raises:
        StoreError: A watch holds the lock.
    """
    take_lock(settings.store_dir)

    async def probe(endpoint: str, points: Sequence[PointSpec]) -> list[Probed]:
        spec: EndpointSpec = settings.site.endpoints[endpoint]
        try:
            return await probe_endpoint(spec, points)
        except FieldError as error:
            return [unreached(p, str(error)) for p in points]

    return await probe_site(settings.site, probe)


def unreached(point: PointSpec, why: str) -> Probed:
    """A point of a PLC that could not be connected to."""
    from nightrake.domain.inputs import Got

    return Probed(point, Got.NO_CONNECTION, b"", why, 0.0, -1, -1, -1)


def live_lines(findings: Sequence[Finding]) -> list[str]:
    """A block for each drive, a line or two for each point; what needs a look is marked with '!'."""
    lines: list[str] = []
    drive = ""
    for finding in findings:
        if finding.drive != drive:
            drive = finding.drive
            lines += ["", f"{drive}"]
        mark = "!" if finding.wrong else " "
        lines += wrap(f"{mark} {finding.role}: {finding.text}", " ")
        lines += [t for more in finding.more for t in wrap(more, "     ")]
    wrong = sum(f.wrong for f in findings)
    lines.append("")
    lines.append(f"{len(findings)} points read, {wrong} need a look (marked !). Nothing was written to any PLC.")
    return lines[1:]
