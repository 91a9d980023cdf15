"""`nightrake check --live`: every point of a folder as it reads now, through the watch if one runs."""

from __future__ import annotations

import asyncio
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

from nightrake.cli.readings import ALL_ZERO, Finding, arm_torque, is_zero, judge_point
from nightrake.control.client import ControlClient
from nightrake.domain.inputs import Got
from nightrake.domain.reading import Reading
from nightrake.domain.site import Direction, DriveSpec, EndpointSpec, PointSpec
from nightrake.errors import ControlError, FieldError
from nightrake.field.names import name_trouble
from nightrake.field.probe import Probed, probe_endpoint
from nightrake.journal.lock import take_lock
from nightrake.settings import Settings
from nightrake.status import points_plain, probed_plain

WIDTH = 80
AT_ONCE = 100
"""Points in one request to the watch: small enough for a line of the control socket."""

Results = dict[PointSpec, dict[str, Any]]


class Found(NamedTuple):
    """What reading the folder's points gave.

    Attributes:
        findings: One for each point of each drive. how: How they were read, a sentence for each way.
        unreached: PLC -> why none of its points could be read.
    """

    findings: list[Finding]
    how: list[str]
    unreached: dict[str, str]


def wrap(text: str, indent: str = "") -> list[str]:
    """A paragraph at 80 columns."""
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent + "  ") or [""]


def read_live(settings: Settings) -> Found:
    """Read every point of this folder: through the running watch, or on connections of our own if no watch runs.

    The points are those of the folder, also where the watch still runs with older ones.

    Raises:
        StoreError: A watch holds the site, but does not answer. ControlError: It reads a PLC of ours somewhere else.
    """
    points = _points_by_plc(settings)
    try:
        with ControlClient(settings.control.socket, timeout_s=120.0) as client:
            results, how = _through(client, settings, points)
    except ControlError as error:
        if not error.nobody:
            raise
        take_lock(settings.store_dir)  # a PLC often takes one connection only, and a watch would lose it
        results, how = _alone(settings, list(points), points), ["No watch runs; read on connections of our own."]
    unreached = {plc: why for plc in points if (why := _unreached(points[plc], results))}
    findings = [f for drive in settings.site.drives.values() for f in drive_findings(drive, results)]
    return Found(findings, how, unreached)


def _points_by_plc(settings: Settings) -> dict[str, list[PointSpec]]:
    points: dict[str, set[PointSpec]] = {plc: set() for plc in settings.site.endpoints}
    for drive in settings.site.drives.values():
        for point in drive.points().values():
            points[point.endpoint].add(point)
    return {plc: sorted(some, key=lambda p: (p.unit, p.table, p.address, p.bit, p)) for plc, some in points.items()}


def _through(
    client: ControlClient, settings: Settings, points: Mapping[str, list[PointSpec]]
) -> tuple[Results, list[str]]:
    """Ask the watch, PLC by PLC; those that it does not have are read on connections of our own."""
    results: Results = {}
    strange = []
    for plc, some in points.items():
        spec = settings.site.endpoints[plc]
        for start in range(0, len(some), AT_ONCE):
            part = some[start : start + AT_ONCE]
            answer = client.ask("probe", plc=plc, host=spec.host, port=spec.port, points=points_plain(part))
            if answer["here"]:
                raise ControlError(
                    f"plc.{plc}: this folder says {spec.host}:{spec.port}, but the running watch reads it at "
                    f"{answer['here']}; reload the folder first, or stop the watch"
                )
            if not answer["known"]:
                strange.append(plc)
                break
            results |= zip(part, answer["read"], strict=True)
    results |= _alone(settings, strange, points)
    how = ["Read through the running watch, with this folder's points."]
    if strange:
        how.append(f"The watch does not have {', '.join(strange)}; read on a connection of our own.")
    return results, how


def _alone(settings: Settings, plcs: Sequence[str], points: Mapping[str, list[PointSpec]]) -> Results:
    """Read some PLCs on connections of our own, all at the same time."""

    async def one(endpoint: EndpointSpec) -> list[Probed]:
        try:
            return await probe_endpoint(endpoint, points[endpoint.id])
        except FieldError as error:
            why = await name_trouble(endpoint.host) or str(error).removeprefix(f"PLC {endpoint.id}: ")
            return [Probed(p, Got.NO_CONNECTION, b"", why, 0.0, -1, -1, -1) for p in points[endpoint.id]]

    async def every() -> list[list[Probed]]:
        return await asyncio.gather(*(one(settings.site.endpoints[plc]) for plc in plcs))

    return {p.point: probed_plain(p) for part in asyncio.run(every()) for p in part} if plcs else {}


def _unreached(points: Sequence[PointSpec], results: Results) -> str:
    """Why no point of a PLC could be read, where all failed in the same way; "" otherwise."""
    whys = {results[p]["detail"] or results[p]["got"] for p in points if p in results}
    failed = all(results[p]["got"] in ("NO_CONNECTION", "NO_REPLY") for p in points if p in results)
    return str(next(iter(whys))) if points and failed and len(whys) == 1 else ""


def drive_findings(drive: DriveSpec, results: Results) -> Iterator[Finding]:
    """What each point of a drive that was read means, and whether all of them together look like the wrong place."""
    arm = _arm(drive, results)
    read = {role: point for role, point in drive.points().items() if point in results}
    findings = [judge_point(drive, role, point, results[point], arm) for role, point in read.items()]
    if len(read) > 1 and all(is_zero(results[point]) for point in read.values()):
        findings[0] = replace(findings[0], more=(ALL_ZERO, *findings[0].more), wrong=True)
    yield from findings


def _arm(drive: DriveSpec, results: Results) -> tuple[Direction, Reading] | None:
    """Where a drive's arm stands, for comparison with its contacts; None where its position was not read."""
    found = results.get(drive.position.point) if drive.position else None
    if found is None or found["got"] != "GOOD":
        return None
    return arm_torque(drive, bytes.fromhex(found["data"]))


def live_lines(found: Found) -> list[str]:
    """A block for each drive, a line or two for each point; what needs a look is marked with '!'."""
    lines = [line for text in found.how for line in wrap(text)]
    for plc, why in found.unreached.items():
        lines += ["", *wrap(f"! {plc}: none of its points could be read: {why}")]
    drive = ""
    for finding in found.findings:
        if finding.plc in found.unreached:
            continue
        if finding.drive != drive:
            drive = finding.drive
            lines += ["", drive]
        mark = "!" if finding.wrong else " "
        lines += wrap(f"{mark} {finding.role}: {finding.text}", " ")
        lines += [t for more in finding.more for t in wrap(more, "     ")]
    wrong = sum(f.wrong for f in found.findings)
    lines += ["", f"{len(found.findings)} points read, {wrong} need a look (marked !). Nothing was written to any PLC."]
    return lines
