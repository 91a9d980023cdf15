"""Points recorded on change that are read together with others which are not: that saves nothing, which nobody sees."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from nightrake.domain.onchange import records_on_change
from nightrake.domain.readplan import make_plan
from nightrake.domain.site import DriveSpec, EndpointSpec, PointSpec, SiteSpec

SHOWN = 3
"""Points named in one sentence."""


def recording_doubts(site: SiteSpec) -> Iterator[str]:
    """One sentence for each PLC that has such points."""
    for endpoint in site.endpoints.values() if records_on_change(site) else ():
        on, others = _together(endpoint, site.drives)
        if on:
            yield (
                f"plc.{endpoint.id}: {_some(on)} {_are(on)} recorded on change, but read in one request with "
                f"{_some(others)}, which {_are(others)} not, so all of it is recorded each time; give record_on_change "
                f"to all that is read together, or another period_s"
            )


def _together(endpoint: EndpointSpec, drives: Mapping[str, DriveSpec]) -> tuple[list[str], list[str]]:
    """Points of mixed requests: those recorded on change, and the others."""
    users: dict[PointSpec, list[tuple[str, bool]]] = {}
    for spec in drives.values():
        for role, point in spec.points().items():
            if point.endpoint == endpoint.id:
                users.setdefault(point, []).append((f"{spec.id} {role}", role in spec.on_change))
    blocks: dict[int, list[tuple[str, bool]]] = {}
    for point, (block, _) in make_plan(endpoint, users).places.items():
        blocks.setdefault(block, []).extend(users[point])
    mixed = [one for some in blocks.values() if len({is_on for _, is_on in some}) > 1 for one in some]
    return [name for name, is_on in mixed if is_on], [name for name, is_on in mixed if not is_on]


def _some(names: Sequence[str]) -> str:
    more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
    return ", ".join(names[:SHOWN]) + more


def _are(names: Sequence[str]) -> str:
    return "is" if len(names) == 1 else "are"
