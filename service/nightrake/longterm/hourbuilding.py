"""One drive's hour out of the blocks of all PLCs that it drew on. Read-only."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from nightrake.domain.readplan import ReadPlan
from nightrake.domain.site import CalibrationCurve, DriveSpec, SiteSpec
from nightrake.errors import StoreError
from nightrake.history.basis import curve_of
from nightrake.history.columns import ColumnFault
from nightrake.history.image import zero_image
from nightrake.history.rows import HOUR_MS
from nightrake.history.series import GOOD, read
from nightrake.history.summaries import Hour, Share, summarise
from nightrake.history.timeline import Track, joined
from nightrake.kept import plan_from_json
from nightrake.keptsettings import from_built
from nightrake.longterm.blocks import AT_ONCE, BlockRow, Blocks, Damaged

LAST = 2**62
"""Beyond every place."""
Tracks = dict[str, dict[str, list[Track]]]
"""Settings digest -> role -> pieces."""


class HourBuilder:
    """Builds hours from blocks.

    Args:
        blocks: The history's file, open for reading. on_damage: Told, in a sentence, of what cannot be read; the hour
            is built without it. on_lack: Likewise of what it rests on and is not kept; None = as of damage.
    """

    def __init__(
        self,
        blocks: Blocks,
        on_damage: Callable[[str], object] = lambda sentence: None,
        on_lack: Callable[[str], object] | None = None,
    ) -> None:
        self._blocks, self._on_damage = blocks, on_damage
        self._on_lack = on_lack if on_lack is not None else on_damage
        self._sites: dict[str, SiteSpec | None] = {}
        self._plans: dict[str, ReadPlan | None] = {}

    def drives_of(self, endpoints: Iterable[str], hour: int) -> list[str]:
        """Drives that drew on any of these PLCs in an hour, by the settings of that time."""
        wanted = set(endpoints)
        rows = self._listed(sorted(wanted), hour * HOUR_MS, (hour + 1) * HOUR_MS - 1)
        found: dict[str, None] = {}
        for digest in dict.fromkeys(row.digest for row in rows):
            self._spec(digest, "")
            site = self._sites[digest]
            if site is None:
                when = f"{datetime.fromtimestamp(hour * 3600, UTC):%Y-%m-%dT%H:%MZ}"
                self._on_lack(f"{self._blocks.path}: no summary of {when}: the settings of then are not kept")
                continue
            for drive in site.drives.values():
                if wanted & {p.endpoint for p in drive.points().values()}:
                    found[drive.id] = None
        return list(found)

    def hour_of(self, drive: str, hour: int, curves: Sequence[CalibrationCurve] = ()) -> Hour:
        """A drive's hour, from all blocks of it.

        Args:
            hour: Since 1970. curves: Records to convert by in place of those in force then, or put there since.
        """
        begin, end = hour * HOUR_MS, (hour + 1) * HOUR_MS
        rows = self._blocks_of(drive, begin, end)
        tracks: Tracks = {}
        boots: dict[str, int] = {}
        for row in rows:
            spec = self._spec(row.digest, drive)
            if spec is not None:
                self._take(row, spec, boots.setdefault(row.boot_id, len(boots)), tracks)
        own = (*self.recalibrated(drive, begin), *curves)
        shares = []
        for digest, by_role in tracks.items():
            spec = self._spec(digest, drive)
            if spec is not None:
                under = replace(spec, calibrations={**spec.calibrations, **{c.direction: c for c in own}})
                shares.append(Share(under, {role: joined(some) for role, some in by_role.items()}))
        cuts = [(boots[boot], mono_ns) for boot, mono_ns, *_ in self._blocks.segments() if boot in boots]
        return summarise(begin, shares, cuts)

    def _blocks_of(self, drive: str, begin: int, end: int) -> list[BlockRow]:
        """Blocks of all PLCs that a drive drew on in a time, and of the moment before it, for what still held."""
        endpoints, margin_ms = set[str](), 0
        for digest in self._blocks.digests():
            spec = self._spec(digest, drive)
            if spec is not None:
                endpoints |= {p.endpoint for p in spec.points().values()}
                margin_ms = max(margin_ms, spec.stale_ns // 1_000_000 + 1)
        return self._listed(sorted(endpoints), begin - margin_ms, end - 1)

    def _listed(self, endpoints: Sequence[str], from_utc_ms: int, to_utc_ms: int) -> list[BlockRow]:
        rows: list[BlockRow] = []
        while True:
            after = rows[-1].first_place if rows else -1
            found = self._blocks.listed(endpoints, after, from_utc_ms, to_utc_ms, LAST) if endpoints else []
            # Of what was recorded before any settings were known those that came first are the best there is.
            rows += [r if r.digest else r._replace(digest=self._blocks.digest_at(r.first_place)) for r in found]
            if len(found) < AT_ONCE:
                return rows

    def _take(self, row: BlockRow, spec: DriveSpec, boot: int, tracks: Tracks) -> None:
        """Add what one block says of a drive."""
        plan = self._plan(row.layout)
        if plan is None:
            return
        try:
            block = self._blocks.open(row)
            mono_ns, utc_ms, zero = block.mono_ns(), block.utc_ms(), zero_image(block, plan)
            for role, point in spec.points().items():
                found = read(block, plan, point) if point.endpoint == row.endpoint else None
                if found is not None and len(found.rows):
                    good = found.quality == GOOD
                    if point.unit in zero:
                        good &= ~zero[point.unit][found.rows]
                    track = Track(
                        np.full(len(found.rows), boot, np.int64),
                        mono_ns[found.rows],
                        utc_ms[found.rows],
                        found.value,
                        good,
                    )
                    tracks.setdefault(row.digest, {}).setdefault(role, []).append(track)
        except (ColumnFault, Damaged) as error:
            self._on_damage(
                f"{self._blocks.path}: block {row.id} of {row.endpoint} is damaged ({error}); summaries lack it"
            )

    def _spec(self, digest: str, drive: str) -> DriveSpec | None:
        if digest not in self._sites:
            text = self._blocks.built(digest)
            try:
                self._sites[digest] = from_built(text)[0] if text else None
            except StoreError as error:
                self._sites[digest] = None
                self._on_lack(str(error))
        site = self._sites[digest]
        return site.drives.get(drive) if site is not None else None

    def _plan(self, layout: str) -> ReadPlan | None:
        if layout not in self._plans:
            content = self._blocks.layout(layout)
            self._plans[layout] = plan_from_json(content) if content is not None else None
        return self._plans[layout]

    def recalibrated(self, drive: str, utc_ms: int) -> list[CalibrationCurve]:
        """Records that were put in the place of those in force at a time, by `historian recompute`."""
        statement = "select curve from recalibration where drive = ? and from_utc_ms <= ? and to_utc_ms > ? order by id"
        return [curve_of(json.loads(v[0])) for v in self._blocks.ask(statement, drive, utc_ms, utc_ms)]
