"""What goes into the columns of a chart: readings, and rows of summaries before them. With numpy."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from nightrake.commissioning.convert import BELOW, BEYOND
from nightrake.errors import StoreError
from nightrake.history.period import Period
from nightrake.history.rows import Grain
from nightrake.history.screen import Picture
from nightrake.history.signals import Kind, Signal
from nightrake.longterm.drivereading import DriveReading, Lane
from nightrake.longterm.summarydrawing import (
    TORQUE,
    WORTH,
    Source,
    add_torque,
    draw_times,
    is_timed,
    source_for,
    worth_of,
)
from nightrake.pagereading.columns import (
    Columns,
    Worth,
    blank,
    columns_of,
    joined,
    tile_for,
)


class Asked(NamedTuple):
    """A question, by what there is.

    Attributes:
        reading, signal: Of what. step_ms: Width of a column. whole: From the first column to the last.
        readings: From when to when readings are kept, of any drive; None = there are none.
    """

    reading: DriveReading
    signal: Signal
    step_ms: int
    whole: Period
    readings: Period | None

    @property
    def _has_summaries(self) -> bool:
        return self.signal.kind is Kind.TORQUE or is_timed(self.signal.role)

    @property
    def inside(self) -> Period | None:
        """The columns for which anything can be kept; None = none."""
        reading, step_ms = self.reading, self.step_ms
        spans = [self.readings] if self.readings is not None else []
        if self._has_summaries and reading.summaries is not None:
            held = [reading.summaries.span(reading.drive, grain) for grain in Grain]
            spans += [Period(*one) for one in held if one is not None]
        begin = min((one.from_ms for one in spans), default=0) // step_ms * step_ms
        end = -(-max((one.to_ms for one in spans), default=0) // step_ms) * step_ms
        begin, end = max(self.whole.from_ms, begin), min(self.whole.to_ms, end)
        return Period(begin, end) if begin < end else None

    def source(self, inside: Period) -> Source:
        """What these columns are drawn from."""
        reaches = self.readings is not None and self.readings.from_ms <= inside.from_ms
        if not self._has_summaries or (reaches and self.signal.kind is not Kind.TORQUE):
            return Source(None, inside.from_ms, inside.from_ms)
        columns = max(1, (inside.to_ms - inside.from_ms) // self.step_ms)
        return source_for(self.reading, inside, columns, _within(self.readings, inside))


def drawn(asked: Asked, source: Source, span: Period) -> Columns:
    """Columns over a span; a day of summaries that cannot be read is drawn from readings, or left out."""
    try:
        return draw(asked, source, span)
    except StoreError as fault:
        count, tile = (span.to_ms - span.from_ms) // asked.step_ms, tile_for(asked.step_ms)
        if source.grain is None:
            return blank(count)._replace(notes=(str(fault),))
        if count > tile:
            middle = span.from_ms + (count // tile + 1) // 2 * tile * asked.step_ms
            halves = (Period(span.from_ms, middle), Period(middle, span.to_ms))
            return joined([drawn(asked, source, half) for half in halves])
        found = drawn(asked, Source(None, span.from_ms, span.from_ms), span)
        return found._replace(notes=(str(fault), *found.notes))


def draw(asked: Asked, source: Source, span: Period) -> Columns:
    """Columns over a span, from summaries and from readings behind them."""
    reading, signal = asked.reading, asked.signal
    count = (span.to_ms - span.from_ms) // asked.step_ms
    picture, worth = Picture(*span, count), Worth(span.from_ms, asked.step_ms, count)
    unknown = Picture(*span, count)
    wide = Picture(*span, count) if signal.kind is Kind.TORQUE else None
    known = len(reading.history.damaged)
    read_from_ms = span.from_ms
    if source.grain is not None and reading.summaries is not None:
        read_from_ms = max(span.from_ms, source.read_from_ms)
        to_ms = min(span.to_ms, source.rows_to_ms)
        if span.from_ms < to_ms:
            _draw_rows(asked, source, Period(span.from_ms, to_ms), (picture, unknown), worth)
    if read_from_ms < span.to_ms:
        for piece in reading.pieces(Lane(signal.role, (signal,)), Period(read_from_ms, span.to_ms)):
            value = piece.columns[0].astype(np.float64)
            picture.add_readings(piece.utc_ms, value)
            limit = None
            if wide is not None:
                wide.add_readings(piece.utc_ms, piece.columns[1])
                limit = (piece.columns[2] == BELOW) | (piece.columns[2] == BEYOND)
            worth.add_readings(piece.utc_ms, np.isnan(value), limit)
    found = columns_of(picture, wide, worth, reading.history.damaged[known:])
    bad = unknown.columns().mean
    return found._replace(bad=np.where(np.isnan(bad), found.bad, bad))


def _draw_rows(asked: Asked, source: Source, period: Period, pictures: tuple[Picture, Picture], worth: Worth) -> None:
    """Rows of summaries: torque, or for which part of the time a contact or the motor was on."""
    reading, grain = asked.reading, source.grain
    if asked.signal.kind is not Kind.TORQUE:
        draw_times(reading, asked.signal.role, source, period, pictures)
    elif reading.summaries is not None and grain is not None:
        for rows in reading.summaries.rows(reading.drive, grain, [*TORQUE, *WORTH], *period):
            add_torque(rows, grain, pictures[0])
            worth.add_rows(rows.utc_ms, grain.span_ms, *worth_of(rows))


def _within(one: Period | None, other: Period) -> Period | None:
    if one is None:
        return None
    begin, end = max(one.from_ms, other.from_ms), min(one.to_ms, other.to_ms)
    return Period(begin, end) if begin < end else None
