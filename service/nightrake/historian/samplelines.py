"""Scans as lines for the store that is forwarded to, by one site's settings. Pure; the watch and a worker share it."""

from __future__ import annotations

from nightrake.domain.readplan import ReadPlan
from nightrake.domain.rows import TailRecord
from nightrake.domain.site import SiteSpec
from nightrake.domain.tailcodec import unpack_scan
from nightrake.domain.wiring import DriveWire, touched, wire_drive
from nightrake.historian.lineprotocol import head
from nightrake.historian.sampling import MEMO, Sampler
from nightrake.historian.stamps import Stamps

LAYOUTS = 200
"""Read plans held at a time."""
GOOD, NOT_GOOD = "good=1.0", "good=0.0"
"""All of the scan's blocks for the drive were read, or not."""
SAMPLES = "nightrake_drive"


class SampleLines:
    """Makes lines of scans.

    Args:
        site: The settings' site.
        before: Those of the settings before: what is as it was there is taken over, for laying out two thousand drives
            anew holds up the scans for half a second.
        memo: See `Sampler`.
    """

    def __init__(self, site: SiteSpec, before: SampleLines | None = None, memo: int = MEMO) -> None:
        self._site, self._memo = site, memo
        known = before._wires if before is not None else {}
        self._wires: dict[str, DriveWire] = {
            d: known[d] if d in known and known[d].spec == spec else wire_drive(spec) for d, spec in site.drives.items()
        }
        self._samplers: dict[str, tuple[ReadPlan, Sampler]] = {}
        if before is not None:
            changed = touched(before._site, site)
            self._samplers = {k: v for k, v in before._samplers.items() if v[1].endpoint not in changed}
        self._heads = {d: head(SAMPLES, {"site": site.id, "drive": d}) + " " for d in site.drives}

    def knows(self, layout: str) -> bool:
        """Whether the read plan was given."""
        return layout in self._samplers

    def learn(self, plan: ReadPlan) -> None:
        """Take in a read plan."""
        if len(self._samplers) >= LAYOUTS:
            self._samplers.clear()
        self._samplers[plan.layout] = plan, Sampler(plan, self._wires, self._memo)

    def of(self, record: TailRecord, utc_ms: int, stamps: Stamps) -> list[str]:
        """The lines of one scan, one for each drive that it read or tried to read.

        Args:
            record: A scan by a plan that was given. utc_ms: When it really was. stamps: Used up.

        Raises:
            ValueError: The record is damaged. Anything of `journal.damage.WRONG` else, likewise.
        """
        plan, sampler = self._samplers[record.layout]
        texts, bad = sampler.texts(unpack_scan(record, plan))
        heads = self._heads
        if len(texts) > len(heads) or not texts.keys() <= heads.keys():
            # A drive that a reload has taken away since is forwarded no more.
            texts = {d: text for d, text in texts.items() if d in heads}
        if bad or not stamps.take_all(texts, utc_ms):
            take = stamps.take
            return [f"{heads[d]}{NOT_GOOD if d in bad else GOOD}{text} {take(d, utc_ms)}" for d, text in texts.items()]
        return [f"{heads[d]}{GOOD}{text} {utc_ms}" for d, text in texts.items()]
