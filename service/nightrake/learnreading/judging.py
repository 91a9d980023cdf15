"""Drives read and judged one after the other: each is read in slices and forgotten when it is judged."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import NamedTuple, Self

from nightrake.domain.site import DriveSpec
from nightrake.errors import StoreError
from nightrake.history.period import Period
from nightrake.learning.creep import judge
from nightrake.learning.days import Side
from nightrake.learning.trend import DEFAULT, Options, Trend
from nightrake.learnreading.days import DayReading
from nightrake.learnreading.sitesteps import BySite, beside
from nightrake.learnreading.told import Told
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.summaryreading import SummaryReading


class Asked(NamedTuple):
    """What is judged.

    Attributes:
        state_dir: Folder of the store. period: What is looked at, UTC ms. now_utc_ms: The moment of the judgement.
        options: What a false warning may cost. taught: Steps that the site's drives have shown, see `sitesteps`;
            None = each is judged by its own record.
    """

    state_dir: Path
    period: Period
    now_utc_ms: int
    options: Options = DEFAULT
    taught: BySite | None = None


class Failed(NamedTuple):
    """A drive that could not be read: its id and a sentence."""

    drive: str
    why: str


Outcome = list[Trend] | Failed


class NothingYet(StoreError):
    """No hour has been summed up yet."""


class Judging:
    """A site's history, open for it.

    Args:
        asked: What is judged.

    Raises:
        NothingYet: There is no summary in the history. StoreError: There is no history.
    """

    def __init__(self, asked: Asked) -> None:
        self._asked, self._blocks = asked, Blocks(asked.state_dir)
        if not self._blocks.ready:
            self._blocks.close()
            raise NothingYet(f"{self._blocks.path}: has no summaries yet; they come with the first whole hour")

    def pairs(self, spec: DriveSpec, told: Told) -> list[tuple[Side, Trend]]:
        """Every direction of a drive, with what it was judged by.

        Args:
            told: What the journal says of the drive.

        Raises:
            StoreError: It cannot be read.
        """
        asked = self._asked
        reading = DayReading(SummaryReading(self._blocks), spec, told, asked.now_utc_ms)
        others = beside(spec.id, asked.taught or {})
        return [(side, judge(side, asked.now_utc_ms, asked.options, others)) for side in reading.sides(asked.period)]

    def outcome(self, spec: DriveSpec, told: Told) -> Outcome:
        """Likewise, the verdicts only; what cannot be read is a sentence."""
        try:
            return [trend for _, trend in self.pairs(spec, told)]
        except StoreError as error:
            return Failed(spec.id, str(error))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._blocks.close()
