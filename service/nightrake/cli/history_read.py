"""A drive's signals out of the store: by name, in slices, torque by the record that holds for the time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import NamedTuple, Self

import numpy as np

from nightrake.cli.period import Period
from nightrake.domain.site import CalibrationCurve, DriveSpec
from nightrake.errors import NightrakeError
from nightrake.history.lanes import Piece
from nightrake.history.rows import HOUR_MS
from nightrake.history.signals import Kind, Signal, columns_of, signals_of, values_of
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.hourbuilding import HourBuilder
from nightrake.longterm.reading import History, Samples
from nightrake.longterm.summaryreading import SummaryReading
from nightrake.longterm.writing import FILE
from nightrake.settings.words import nearest

ROWS = 20_000
"""Readings of one series at hand at a time."""
CONTACTS, ALL = "contacts", "all"
DEFAULT = (Kind.TORQUE, Kind.CONTACT)


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


class DriveHistory:
    """One drive's history, opened for reading.

    Args:
        state_dir: Folder of the store. drive: Its id.

    Attributes:
        signals: All that it has or had. summaries: Of its torque; None = there are none.
        last_spec: The drive as it was at the last reading given.

    Raises:
        NightrakeError: There is no such drive, or no history.
    """

    def __init__(self, state_dir: Path, drive: str) -> None:
        self.drive = drive
        self._stack = ExitStack()
        try:
            self.history = self._stack.enter_context(History(state_dir))
            known = self.history.drives()
            if drive not in known:
                hint = nearest(drive, known) or f"there are: {', '.join(known[:12]) or 'none'}"
                raise NightrakeError(f"there is no drive '{drive[:40]}' in what is recorded; {hint}")
            self.signals = signals_of(self.history.roles(drive))
            self._curves: Callable[[str, int], list[CalibrationCurve]] = lambda drive, utc_ms: []
            self.summaries: SummaryReading | None = None
            self._open_summaries(state_dir)
        except BaseException:
            self._stack.close()
            raise
        self._specs: dict[tuple[str, int], DriveSpec] = {}
        self.last_spec: DriveSpec | None = None

    def _open_summaries(self, state_dir: Path) -> None:
        if not (state_dir / FILE).exists():
            return
        blocks = Blocks(state_dir)
        self._stack.callback(blocks.close)
        if blocks.ready:
            self._curves = HourBuilder(blocks).recalibrated
            self.summaries = SummaryReading(blocks)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._stack.close()

    def chosen(self, names: Sequence[str]) -> list[Signal]:
        """Signals by their names, in the drive's order; without names torque, contacts and running.

        Raises:
            NightrakeError: There is no such signal.
        """
        if not names:
            return [s for s in self.signals if s.kind in DEFAULT or s.name == "running"]
        wanted: list[Signal] = []
        for name in names:
            found = [s for s in self.signals if _is_meant(s, name)]
            if not found:
                known = [s.name for s in self.signals]
                hint = nearest(name, known) or f"there are: {', '.join(known[:20])}"
                raise NightrakeError(f"--signal '{name[:40]}': {self.drive} has no such signal; {hint}")
            wanted += found
        return [s for s in self.signals if s in wanted]

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
            if len(self._specs) > 64:
                self._specs.clear()
            self._specs[key] = replace(spec, calibrations={**spec.calibrations, **own}) if own else spec
        return self._specs[key]

    def pieces(self, lane: Lane, period: Period) -> Iterator[Piece]:
        """Its columns in a period, and the quality of each reading behind them."""
        for some in self.history.samples(self.drive, lane.role, period.from_ms, period.to_ms - 1, ROWS):
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


def _is_meant(signal: Signal, name: str) -> bool:
    if name == CONTACTS:
        return signal.kind is Kind.CONTACT
    return name in (ALL, signal.name, signal.role, signal.column)


def lanes_of(signals: Sequence[Signal]) -> list[Lane]:
    """Signals by the points that they come of."""
    found: dict[str, list[Signal]] = {}
    for signal in signals:
        found.setdefault(signal.role, []).append(signal)
    return [Lane(role, tuple(mine)) for role, mine in found.items()]
