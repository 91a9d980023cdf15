"""State and plans to bytes and back, for the store: judgement states, snapshots, read plans.

pydantic does the work from the types of the records themselves.
"""

from __future__ import annotations

import json
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from nightrake.domain.chatter import Tallies, Tally
from nightrake.domain.drive import DriveState, after_restart
from nightrake.domain.image import Image, ImageState
from nightrake.domain.inputs import BlockReply, Got
from nightrake.domain.readplan import Block, ReadPlan
from nightrake.domain.scan import layout_wire
from nightrake.domain.site import PointSpec
from nightrake.domain.state import EndpointState, SiteState
from nightrake.keptalarms import alarm_states, alarms_from, alarms_to, restored_alarms

_T = TypeVar("_T")
_DRIVE: TypeAdapter[DriveState] = TypeAdapter(DriveState)
_TALLIES: TypeAdapter[dict[str, Tally]] = TypeAdapter(dict[str, Tally])
_ALL_TALLIES: TypeAdapter[dict[str, dict[str, Tally]]] = TypeAdapter(dict[str, dict[str, Tally]])
_POINTS: TypeAdapter[list[PointSpec]] = TypeAdapter(list[PointSpec])
_BLOCKS: TypeAdapter[list[Block]] = TypeAdapter(list[Block])


TALLIES = "tallies:"
"""Key of what was counted of a drive and is not told yet, before the drive's id; what is of no drive has it alone."""


def drive_key(drive: str) -> str:
    """Key of a drive's judgement state."""
    return f"drive:{drive}"


def states_of(before: SiteState, state: SiteState, drives: set[str]) -> dict[str, bytes]:
    """What must be kept with the rows of these drives: their judgement states, what of the alarms has changed with the
    step, and what was counted."""
    kept: dict[str, bytes] = {}
    for drive in (*drives, ""):
        was, now = _untold(before.tallies, drive), _untold(state.tallies, drive)
        if was != now:
            kept[TALLIES + drive] = _TALLIES.dump_json(now)
    for drive in drives:
        if drive in state.drives:
            kept[drive_key(drive)] = _DRIVE.dump_json(state.drives[drive])
    return kept | alarm_states(before.alarms, state.alarms)


def restore(
    state: SiteState,
    kept: dict[str, bytes],
    mono_ns: int,
    utc_ms: int,
    *,
    same_boot: bool = False,
    lived_utc_ms: int = 0,
) -> tuple[SiteState, list[str]]:
    """Bring stored states back into a new site.

    Args:
        state: A site of which nothing has been read. kept: From the store. mono_ns, utc_ms: Now.
        same_boot: The machine was not started anew, so monotonic times in `kept` are still to be compared with ours.
        lived_utc_ms: When the last run was last known to live.

    Returns:
        The site, and the keys that no longer fit (contacts changed, damaged) and were left out.
    """
    drives = dict(state.drives)
    alarms, unfit = restored_alarms(kept, mono_ns, utc_ms, same_boot=same_boot)
    for drive, wire in state.wires.items():
        raw = kept.get(drive_key(drive))
        if raw is None:
            continue
        before = _parse(_DRIVE, raw)
        if before is not None and _fits(before, len(wire.contacts), len(wire.stages)):
            drives[drive] = after_restart(wire, before, mono_ns, same_boot=same_boot, lived_utc_ms=lived_utc_ms)
        else:
            unfit.append(drive_key(drive))
    return state._replace(drives=drives, alarms=alarms, tallies=_counted(kept, mono_ns)), unfit


def _untold(tallies: Tallies, drive: str) -> dict[str, Tally]:
    return {k: t for k, t in tallies.get(drive, {}).items() if t.counted}


def _counted(kept: dict[str, bytes], mono_ns: int) -> Tallies:
    """What was counted and not told when the last run ended; told at the first tick."""
    found: dict[str, dict[str, Tally]] = {}
    for key in kept:
        group = _parse(_TALLIES, kept[key]) or {} if key.startswith(TALLIES) else {}
        group = {k: t.over_restart(mono_ns) for k, t in group.items() if t.last is not None and t.counted}
        found |= {key.removeprefix(TALLIES): group} if group else {}
    return found


def _parse(adapter: TypeAdapter[_T], raw: bytes) -> _T | None:
    try:
        return adapter.validate_json(raw)
    except ValidationError:
        return None


def _fits(state: DriveState, contacts: int, stages: int) -> bool:
    return len(state.protection.contacts) == contacts and len(state.protection.stages) == stages


def plan_to_json(plan: ReadPlan) -> str:
    """A read plan as JSON text, for the layout table."""
    points = list(plan.places)
    return json.dumps(
        {
            "endpoint": plan.endpoint,
            "blocks": json.loads(_BLOCKS.dump_json(list(plan.blocks))),
            "points": json.loads(_POINTS.dump_json(points)),
            "places": [plan.places[p] for p in points],
            "witness_blocks": plan.witness_blocks,
            "refused": json.loads(_POINTS.dump_json(list(plan.refused))),
            "layout": plan.layout,
        },
        separators=(",", ":"),
    )


def plan_from_json(text: str) -> ReadPlan:
    """The read plan that `plan_to_json` wrote."""
    data: dict[str, Any] = json.loads(text)
    points = _POINTS.validate_python(data["points"])
    return ReadPlan(
        endpoint=data["endpoint"],
        blocks=tuple(_BLOCKS.validate_python(data["blocks"])),
        places={p: (place[0], place[1]) for p, place in zip(points, data["places"], strict=True)},
        witness_blocks=tuple(data["witness_blocks"]),
        refused=tuple(_POINTS.validate_python(data["refused"])),
        layout=data["layout"],
    )


def snapshot(state: SiteState) -> bytes:
    """The whole state as JSON, so that a replay can begin here: drives, alarms, links, endpoints with their images."""
    endpoints = {
        name: {
            "layout": e.plan.layout,
            "plan": plan_to_json(e.plan),
            "blocks": [
                None if b is None else [b.block, int(b.got), b.data.hex(), b.mono_ns, b.detail] for b in e.blocks
            ],
            "images": {str(unit): list(i) for unit, i in e.images.items()},
            "stale": sorted(e.stale),
        }
        for name, e in state.endpoints.items()
    }
    return json.dumps(
        {
            "digest": state.site.digest,
            "drives": {d: json.loads(_DRIVE.dump_json(s)) for d, s in state.drives.items()},
            "alarms": alarms_to(state.alarms),
            "links": state.links,
            "tallies": json.loads(_ALL_TALLIES.dump_json({d: dict(group) for d, group in state.tallies.items()})),
            "endpoints": endpoints,
        },
        separators=(",", ":"),
    ).encode()


def from_snapshot(raw: bytes, blank: SiteState) -> SiteState:
    """The state that `snapshot` wrote.

    Args:
        blank: `new_site` of the settings whose digest the snapshot names.
    """
    data: dict[str, Any] = json.loads(raw)
    drives = {d: _DRIVE.validate_python(s, strict=False) for d, s in data["drives"].items()}
    state = blank._replace(
        drives=drives,
        alarms=alarms_from(data["alarms"]),
        links={k: (bool(v[0]), v[1]) for k, v in data["links"].items()},
        tallies=_ALL_TALLIES.validate_python(data["tallies"]),
    )
    endpoints = {}
    for name, e in data["endpoints"].items():
        plan = plan_from_json(e["plan"])
        blocks = tuple(
            None if b is None else BlockReply(b[0], Got(b[1]), bytes.fromhex(b[2]), b[3], b[4]) for b in e["blocks"]
        )
        images = {int(unit): ImageState(Image(i[0]), i[1]) for unit, i in e["images"].items()}
        endpoints[name] = EndpointState(plan, layout_wire(plan, state), blocks, images, frozenset(e["stale"]))
    return state._replace(endpoints=endpoints)
