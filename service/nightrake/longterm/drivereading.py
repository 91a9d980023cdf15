"""One drive's signals out of history: by name, in slices, torque by the record that holds for the time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import NamedTuple, Self

import numpy as np

from nightrake.domain.site import CalibrationCurve, DriveSpec
from nightrake.history.lanes import Piece
from nightrake.history.period import Period
from nightrake.history.rows import HOUR_MS
from nightrake.history.signals import Signal, columns_of, signals_of, values_of
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.hourbuilding import HourBuilder
from nightrake.longterm.leftout import LeftOut, left_out
from nightrake.longterm.reading import History, Samples
from nightrake.longterm.summaryreading import SummaryReading
from nightrake.longterm.writing import FILE

ROWS = 20_000
"""Readings of one series at hand at a time."""
AT_HAND = 64


class Lane(NamedTuple):
    """One point's readings and what is shown of them.

    Attributes:
        role: The point. signals: Shown of it, one or two (position and torque).
    """

    role: str
    signals: tuple[Signal, ...]

    @property
    def columns(self) -> list[str]:
        """Names of the columns of its pieces; the last, the quality, has none."""
        return [name for signal in self.signals for name in columns_of(signal)]


def lanes_of(signals: Sequence[Signal]) -> list[Lane]:
    """Signals by the points that they come of."""
    found: dict[str, list[Signal]] = {}
    for signal in signals:
        found.setdefault(signal.role, []).append(signal)
    return [Lane(role, tuple(mine)) for role, mine in found.items()]


class Opened:
    """A site's history, opened for people who look: where the sealed part cannot be read, the hot tail will do.

    Args:
        state_dir: Folder of the store. history: Opens the readings.

    Attributes:
        history: The readings. summaries: Of torque; None = there are none.
        curves: Records put in the place of those that were in force, by drive and UTC ms.

    Raises:
        StoreError: Neither store nor history can be read.
    """

    def __init__(self, state_dir: Path, history: type[History] = History) -> None:
        self._stack = ExitStack()
        try:
            self.history = self._stack.enter_context(history(state_dir, is_lenient=True))
            self.curves: Callable[[str, int], list[CalibrationCurve]] = lambda drive, utc_ms: []
            self.summaries: SummaryReading | None = None
            self._file: Blocks | None = None
            self._open_summaries(state_dir)
        except BaseException:
            self._stack.close()
            raise

    def _open_summaries(self, state_dir: Path) -> None:
        if not (state_dir / FILE).exists() or self.history.unread:
            return
        blocks = Blocks(state_dir)
        self._stack.callback(blocks.close)
        if blocks.ready:
            self._file = blocks
            self.curves = HourBuilder(blocks).recalibrated
            self.summaries = SummaryReading(blocks)

    def left_out(self, period: Period) -> list[LeftOut]:
        """Of which stretches of a time readings were damaged and left out; see there."""
        return left_out(self._file, *period) if self._file is not None else []

    def close(self) -> None:
        """Close all files."""
        self._stack.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()


class DriveReading:
    """One drive's history.

    Args:
        opened: The site's. drive: Its id. seen: Told up to which moment (UTC ms) readings have been read, now and then.

    Attributes:
        signals: All that it has or had. history, summaries: See `Opened`. last_spec: The drive as it was at the last
            reading given.
    """

    def __init__(self, opened: Opened, drive: str, seen: Callable[[int], object] = lambda utc_ms: None) -> None:
        self.drive, self.seen = drive, seen
        self.history, self.summaries, self._curves = opened.history, opened.summaries, opened.curves
        self.signals = signals_of(self.history.roles(drive))
        self._specs: dict[tuple[str, int], DriveSpec] = {}
        self.last_spec: DriveSpec | None = None

    def span(self) -> Period | None:
        """From when until when anything is recorded; a clock that was set back may have recorded what lies before."""
        span = self.history.span()
        begins = [begin_ms for _, _, begin_ms, _ in self.history.segments()]
        return Period(min(span[0], *begins, span[0]), max(span[1], *begins, 0) + 1) if span is not None else None

    def spec_at(self, digest: str, utc_ms: int) -> DriveSpec | None:
        """The drive as the settings had it, with the records put in the place of those since."""
        key = (digest, utc_ms // HOUR_MS)
        if key not in self._specs:
            then = self.history.settings_of(digest)
            spec = then.site.drives.get(self.drive) if then is not None else None
            if spec is None:
                return None
            own = {curve.direction: curve for curve in self._curves(self.drive, utc_ms)}
            if len(self._specs) > AT_HAND:
                self._specs.clear()
            self._specs[key] = replace(spec, calibrations={**spec.calibrations, **own}) if own else spec
        return self._specs[key]

    def pieces(self, lane: Lane, period: Period) -> Iterator[Piece]:
        """Its columns in a period, and the quality of each reading behind them.

        Raises:
            StoreError: They cannot be read.
        """
        for some in self.history.samples(self.drive, lane.role, period.from_ms, period.to_ms - 1, ROWS):
            self.seen(int(some.utc_ms[-1]))
            piece = self._piece(lane, some)
            if piece is not None:
                yield piece

    def _piece(self, lane: Lane, some: Samples) -> Piece | None:
        spec = self.spec_at(some.digest, int(some.utc_ms[0]))
        if spec is None:
            return None
        self.last_spec = spec
        columns = [column for signal in lane.signals for column in values_of(signal, some.value, spec)]
        return Piece(some.utc_ms, (*columns, some.quality.astype(np.int16)))
