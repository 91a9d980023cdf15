"""Recording on change: what of a scan is recorded where the settings ask for less than all of it. Pure.

A block of the read plan is recorded whole or not at all. It is recorded when

- a point in it is not recorded on change; with one such point nothing is ever left out,
- a value lies further from the one last recorded than its band, or a bit has changed,
- it was not read well, and that is new: also for another reason than before, and when it is read well again,
- otherwise nothing would be recorded of it for longer than the longest silence,
- the scan brought something about: what a row or an alarm rests on is recorded whole.

So a value that is not recorded lies within the band of the one before. Such a time cannot be replayed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any, NamedTuple

from nightrake.domain.inputs import BlockReply, Got, RawScan
from nightrake.domain.onchangespec import OnChange
from nightrake.domain.readplan import ReadPlan
from nightrake.domain.registers import Decoder, decoder
from nightrake.domain.rows import Entry, canonical
from nightrake.domain.site import PointSpec, SiteSpec

NAMED = 50
"""Points named in one row."""
Values = tuple[float | int | str, ...]


def records_on_change(site: SiteSpec) -> bool:
    """Whether any point of a site is recorded on change: what was read then is not all kept."""
    return any(spec.on_change for spec in site.drives.values())


class _Rule(NamedTuple):
    """How one block is recorded.

    Attributes:
        points: Decoder and band of each of its points.
        silent_ns: Once it was recorded this long ago it is recorded again.
    """

    points: tuple[tuple[Decoder, float], ...]
    silent_ns: int

    def values(self, reply: BlockReply) -> Values:
        return tuple(decode(reply.data) for decode, _ in self.points) if reply.got == Got.GOOD else ()

    def says_more(self, reply: BlockReply, before: _Last) -> bool:
        """Whether a reply says something that the one last recorded does not."""
        if (reply.got, reply.detail) != (before.reply.got, before.reply.detail):
            return True
        if reply.data == before.reply.data:
            return False
        pairs = zip(self.values(reply), before.values, self.points, strict=True)
        return any(_is_apart(new, old, band) for new, old, (_, band) in pairs)


class _Last(NamedTuple):
    """What was last recorded of a block, decoded, and when."""

    reply: BlockReply
    values: Values
    mono_ns: int


def _is_apart(new: float | str, old: float | str, band: float) -> bool:
    """A text in the place of a value says why there is none."""
    if isinstance(new, str) or isinstance(old, str):
        return new != old
    return abs(new - old) > band


class _Endpoint:
    """One PLC under one read plan."""

    def __init__(self, plan: ReadPlan, points: Mapping[PointSpec, OnChange | None]) -> None:
        self.layout = plan.layout
        self._rules = _rules_of(plan, points)
        self._witness = frozenset(plan.witness_blocks)
        self._last: list[_Last | None] = [None] * len(plan.blocks)

    def kept(self, scan: RawScan, *, whole: bool) -> RawScan | None:
        """See `Recording.kept`."""
        kept = scan.blocks
        if not whole:
            kept = tuple(reply for reply in scan.blocks if self._is_due(reply, scan.mono_ns))
            if any(self._is_zero(reply) for reply in kept):
                kept = scan.blocks  # whether a PLC restarts is told by all that was read with these zeros
        for reply in kept:
            rule = self._rules[reply.block]
            if rule is not None:
                self._last[reply.block] = _Last(reply, rule.values(reply), scan.mono_ns)
        if len(kept) == len(scan.blocks):
            return scan
        return scan._replace(blocks=kept) if kept else None

    def _is_zero(self, reply: BlockReply) -> bool:
        return reply.block in self._witness and reply.got == Got.GOOD and not reply.data.strip(b"\0")

    def _is_due(self, reply: BlockReply, now_ns: int) -> bool:
        rule, last = self._rules[reply.block], self._last[reply.block]
        return rule is None or last is None or now_ns - last.mono_ns >= rule.silent_ns or rule.says_more(reply, last)


def _rules_of(plan: ReadPlan, points: Mapping[PointSpec, OnChange | None]) -> list[_Rule | None]:
    """How each block is recorded; None = always."""
    members: list[list[tuple[PointSpec, int]]] = [[] for _ in plan.blocks]
    for point, (number, offset) in plan.places.items():
        members[number].append((point, offset))
    found: list[_Rule | None] = []
    for block, some in zip(plan.blocks, members, strict=True):
        rules = [(point, offset, rule) for point, offset in some if (rule := points.get(point)) is not None]
        if not some or len(rules) < len(some):
            found.append(None)
            continue
        longest_ns = min(rule.longest_ns for _, _, rule in rules)
        # Half a period for a scan that comes late: the one after this would come too late.
        silent_ns = longest_ns - block.period_ns - block.period_ns // 2
        found.append(_Rule(tuple((decoder(p, offset), rule.band) for p, offset, rule in rules), silent_ns))
    return found


class Recording:
    """Remembers what was last recorded of each PLC, and says of each scan what is to be.

    Args:
        site: Its settings; begun anew when they change.

    Attributes:
        facts: For a row: how many `points`, `names` of the first of them, and `rules`, a digest that
            tells whether it is another choice than before. {} where everything that is read is recorded.
    """

    def __init__(self, site: SiteSpec) -> None:
        self.facts = facts_of(site)
        self._points = _points_of(site) if self.facts else {}
        self._endpoints: dict[str, _Endpoint] = {}

    def kept(self, scan: RawScan, *, whole: bool) -> RawScan | None:
        """What is to be recorded of a scan; it is taken for recorded.

        Args:
            whole: It brought something about.

        Returns:
            The scan itself, one with some of its blocks, or None = nothing.
        """
        if not self.facts:
            return scan
        mine = self._endpoints.get(scan.endpoint)
        if mine is None or mine.layout != scan.plan.layout:
            mine = self._endpoints[scan.endpoint] = _Endpoint(scan.plan, self._points)
        return mine.kept(scan, whole=whole)


def _points_of(site: SiteSpec) -> dict[PointSpec, OnChange | None]:
    """How each point is recorded; where several drives read it, in the way that leaves out least."""
    found: dict[PointSpec, OnChange | None] = {}
    for spec in site.drives.values():
        for role, point in spec.points().items():
            rule = spec.on_change.get(role)
            before = found.get(point, rule)
            if rule is None or before is None:
                found[point] = None
            else:
                found[point] = OnChange(min(rule.band, before.band), min(rule.longest_ns, before.longest_ns))
    return found


def facts_of(site: SiteSpec) -> dict[str, Any]:
    """See `Recording.facts`."""
    rules = {f"{spec.id} {role}": [*rule] for spec in site.drives.values() for role, rule in spec.on_change.items()}
    if not rules:
        return {}
    digest = hashlib.sha256(canonical(rules)).hexdigest()[:16]
    return {"points": len(rules), "names": list(rules)[:NAMED], "rules": digest}


def news(before: Mapping[str, Any], now: Mapping[str, Any]) -> tuple[Entry, ...]:
    """The row that says from when on, or no longer, something is recorded on change only; () where nothing is new.

    Args:
        before, now: `Recording.facts`.
    """
    if before.get("rules") == now.get("rules"):
        return ()
    event = "recording_on_change_began" if now else "recording_on_change_ended"
    return (Entry("history", event, "", "", dict(now or before)),)
