"""One scan: images first, then raw values, then the drives that they touch. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from nightrake.domain.drive import DriveState, is_due, judge
from nightrake.domain.image import IMAGE_REASONS, SOUND, Image, ImageState, judge_image
from nightrake.domain.inputs import NO_FRAME, BlockReply, Got, RawScan
from nightrake.domain.readplan import ReadPlan
from nightrake.domain.rows import Entry
from nightrake.domain.site import Stage
from nightrake.domain.state import NOTHING, EndpointState, Outcome, SiteState
from nightrake.domain.wiring import REFUSED, DriveWire, PlanWire, Raw, wire_plan


def on_scan(state: SiteState, scan: RawScan, long_way: bool) -> tuple[SiteState, Outcome]:
    """Take in one scan of one endpoint.

    Args:
        long_way: Judge every drive of the endpoint the long way (test only).
    """
    if scan.endpoint not in state.site.endpoints:
        return state, NOTHING  # the last scan of an endpoint that a reload has just taken away
    before = state.endpoints.get(scan.endpoint)
    work: dict[str, list[Raw]] = {}
    if before is None or before.plan.layout != scan.plan.layout:
        before = _new_endpoint(state, scan.plan, before, work)
    elif before.plan is not scan.plan:
        before = before._replace(plan=scan.plan)
    images, image_entries, turned = _images(state, before, scan)
    blocks, stale = list(before.blocks), before.stale
    for reply in scan.blocks:
        old = blocks[reply.block]
        blocks[reply.block] = reply
        same = old is not None and old.got == reply.got and old.data == reply.data and old.detail == reply.detail
        if same and reply.block not in stale and before.wire.units[reply.block] not in turned:
            continue
        stale = stale - {reply.block}
        _fill(state, before.wire, reply, images, work)
    if turned:
        _turn(state, before.wire, scan, images, turned, blocks, work)
    endpoint = EndpointState(before.plan, before.wire, tuple(blocks), images, stale)
    drives, outcome = _judge_scan(state, endpoint, scan, work, long_way)
    if image_entries:
        outcome = outcome._replace(entries=image_entries + outcome.entries)
    return state._replace(drives=drives, endpoints={**state.endpoints, scan.endpoint: endpoint}), outcome


def _turn(
    state: SiteState,
    wire: PlanWire,
    scan: RawScan,
    images: Mapping[int, ImageState],
    turned: frozenset[int],
    blocks: list[BlockReply | None],
    work: dict[str, list[Raw]],
) -> None:
    """Blocks that this scan has not read, of units whose image has just changed.

    Zeros take the trust from them too. Once the image is sound again they wait to be read anew: what they hold may
    still be zeros of the restart, and must not pass for operated contacts.
    """
    read = {reply.block for reply in scan.blocks}
    for index, last in enumerate(blocks):
        unit = wire.units[index]
        if last is None or unit not in turned or index in read:
            continue
        if images[unit].image is Image.SOUND:
            blocks[index] = None
        else:
            _fill(state, wire, last, images, work)


def layout_wire(plan: ReadPlan, state: SiteState) -> PlanWire:
    """A read plan laid out over the site's drives."""
    return wire_plan(plan, dict(state.wires))


def _new_endpoint(
    state: SiteState, plan: ReadPlan, before: EndpointState | None, work: dict[str, list[Raw]]
) -> EndpointState:
    """A plan not seen before (start, split, reload): lay it out; what the device refuses has no value from now on."""
    wire = layout_wire(plan, state)
    for drive, slot in wire.refused:
        raws_of(state, work, drive)[slot] = REFUSED
    images = before.images if before else {}
    return EndpointState(plan, wire, (None,) * len(plan.blocks), images)


def raws_of(state: SiteState, work: dict[str, list[Raw]], drive: str) -> list[Raw]:
    """A drive's raw values to be changed in this step: a copy, made when first asked for and kept in `work`."""
    raws = work.get(drive)
    if raws is None:
        raws = work[drive] = list(state.drives[drive].raws)
    return raws


def _fill(
    state: SiteState, wire: PlanWire, reply: BlockReply, images: Mapping[int, ImageState], work: dict[str, list[Raw]]
) -> None:
    """Put one block's values, or the reason why there are none, into the slots that it feeds."""
    reason = "" if reply.got == Got.GOOD else _reason(reply)
    if not reason and images:
        image = images.get(wire.units[reply.block], SOUND).image
        reason = IMAGE_REASONS.get(image, "")
    for reader in wire.readers[reply.block]:
        raws = raws_of(state, work, reader.drive)
        if reason:
            for slot in reader.slots:
                raws[slot] = reason
        else:
            for slot, decode in reader.decoders:
                raws[slot] = decode(reply.data)


_NO_FRAMES = "answers are no Modbus/TCP frames"
_STEADY = {
    Got.WRONG_TRANSACTION: "answers carry another transaction id",
    Got.GARBAGE: _NO_FRAMES,
}
"""Where the detail holds changing figures (ids, bytes): a reason that changes with each scan is told with each scan."""


def _reason(reply: BlockReply) -> str:
    if reply.detail.startswith(NO_FRAME):  # which holds until there is a connection again
        return _NO_FRAMES
    return _STEADY.get(reply.got) or reply.detail or Got(reply.got).name.lower().replace("_", " ")


def _judge_scan(
    state: SiteState, endpoint: EndpointState, scan: RawScan, work: dict[str, list[Raw]], long_way: bool
) -> tuple[dict[str, DriveState], Outcome]:
    """Judge the drives whose values changed, and those that a fresh reading may settle."""
    drives = dict(state.drives)
    entries: tuple[Entry, ...] = ()
    changed: list[str] = []
    judged: list[str] = []
    now_ns = scan.mono_ns
    fresh = endpoint.wire.fresh(tuple([reply.block for reply in scan.blocks if reply.got == Got.GOOD]))
    for drive in endpoint.wire.drives:
        before = drives[drive]
        raws = work.get(drive)
        if raws is None and not (long_way or is_due(before, now_ns, scan.utc_ms, before.scan_due_ns)):
            continue
        after, told = judge(
            state.wires[drive],
            before,
            before.raws if raws is None else tuple(raws),
            fresh[drive],
            now_ns,
            scan.utc_ms,
            long_way=long_way,
        )
        drives[drive] = after
        judged.append(drive)
        if told:
            entries += with_age(told, state.wires[drive], {**state.endpoints, scan.endpoint: endpoint}, now_ns)
        if after.protection is not before.protection and after.protection != before.protection:
            changed.append(drive)
    return drives, Outcome(entries, tuple(changed), judged=tuple(judged))


def position_read_ns(wire: DriveWire, endpoints: Mapping[str, EndpointState]) -> int:
    """When the reply came that a drive's position was last read from, monotonic; 0 = never, or there is no position."""
    endpoint = endpoints.get(wire.points[wire.position].endpoint) if wire.position >= 0 else None
    if endpoint is None:
        return 0
    feeds = endpoint.wire.drives.get(wire.spec.id, {})
    block = next((b for b, slots in feeds.items() if wire.position in slots), -1)
    reply = endpoint.blocks[block] if block >= 0 else None
    return 0 if reply is None else reply.mono_ns


def with_age(
    entries: tuple[Entry, ...], wire: DriveWire, endpoints: Mapping[str, EndpointState], now_ns: int
) -> tuple[Entry, ...]:
    """Say of each position told how old it was: it is read less often than the contacts, and the torque is its own.

    Args:
        endpoints: As read by now. now_ns: Time of the step.
    """
    read_ns = position_read_ns(wire, endpoints)
    age_ms = max(0, now_ns - read_ns) // 1_000_000 if read_ns else None
    return tuple(
        entry._replace(data={**entry.data, "position_age_ms": age_ms})
        if entry.data.get("position_mm") is not None
        else entry
        for entry in entries
    )


def _images(
    state: SiteState, before: EndpointState, scan: RawScan
) -> tuple[Mapping[int, ImageState], tuple[Entry, ...], frozenset[int]]:
    """Judge each unit's image before any contact. Last: the units whose image has just changed."""
    zero: dict[int, bool] = {}
    wire = before.wire
    for reply in scan.blocks:
        if wire.witness[reply.block] and reply.got == Got.GOOD:
            unit = wire.units[reply.block]
            zero[unit] = zero.get(unit, True) and not reply.data.strip(b"\0")
    images = before.images
    entries: tuple[Entry, ...] = ()
    turned: set[int] = set()
    asked: dict[int, bool | None] = {**_without_witness(before, scan), **zero} if images else {**zero}
    for unit, is_zero in asked.items():
        old = images.get(unit, SOUND)
        if not is_zero and old is SOUND:
            continue
        new = judge_image(old, is_zero, scan.mono_ns)
        if new == old:  # the image itself, since a period of zeros keeps its beginning
            continue
        images = {**images, unit: new}
        turned.add(unit)
        data = {"plc": scan.endpoint, "unit": unit, "image": new.image.value, "was": old.image.value}
        entries += (Entry("plc", f"image_{new.image}", "", "", data),)
        if new.image is Image.SUSPECT:
            entries += _operated_in_zeros(state, scan, unit)
    return images, entries, frozenset(turned)


def _without_witness(before: EndpointState, scan: RawScan) -> dict[int, None]:
    """Units of which this scan has read something, and whose image is not sound."""
    units = {before.wire.units[reply.block] for reply in scan.blocks if reply.got == Got.GOOD}
    return {u: None for u in sorted(units) if before.images.get(u, SOUND).image is not Image.SOUND}


def _operated_in_zeros(state: SiteState, scan: RawScan, unit: int) -> tuple[Entry, ...]:
    """Shutdown contacts that a lasting zero image shows operated: told at once, but they open nothing."""
    entries: tuple[Entry, ...] = ()
    for drive_id, wire in state.wires.items():
        drive = state.drives[drive_id]
        for contact, known in zip(wire.contacts, drive.protection.contacts, strict=True):
            point = contact.spec.point
            here = (point.endpoint, point.unit) == (scan.endpoint, unit) and contact.spec.id.stage is Stage.SHUTDOWN
            if here and contact.operated_bit == 0 and known.settled != 1:
                data = {"contact": str(contact.spec.id), "reason": IMAGE_REASONS[Image.SUSPECT]}
                entries += (Entry("drive", "shutdown_suspect", drive_id, contact.spec.id.direction, data, urgent=True),)
    return entries
