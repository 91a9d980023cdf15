"""A drive's history drawn in the terminal: a line for what is a number, a bar for what is yes or no, events below."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from nightrake.alarms.told import stamp
from nightrake.alarms.zones import offset_s
from nightrake.cli.history_marks import Event, Marks
from nightrake.cli.journal_wanted import zone_at
from nightrake.history.picture import Grid, Shown, grid_for
from nightrake.history.signals import Kind
from nightrake.settings import Settings

EVENTS = 12
"""Events listed; of more so many from the begin."""
LEAST_HEIGHT, TICKS = 8, 6


def plot_text(
    shown: Sequence[Shown], grid: Grid, marks: Marks, settings: Settings, title: str, size: tuple[int, int]
) -> str:
    """The drawing, without colours: it can be kept and mailed.

    Args:
        size: Of the terminal, columns and lines.
    """
    width = max(40, size[0])
    numbers = [one for one in shown if not one.signal.is_yes_or_no]
    bars = [one for one in shown if one.signal.is_yes_or_no]
    left = max(LEAST_HEIGHT, (size[1] - len(bars) - min(len(marks.events), EVENTS) - 3) // max(1, len(numbers)))
    lines = textwrap.wrap(title, width)
    for one in numbers:
        lines += _curve(one, grid, marks, settings, (width, min(left, 20)))
    lines += [line for one in bars for line in _bar(one, grid, width)]
    if not numbers:
        lines.append(_times(grid, settings, width))
    lines += _events(marks.events, settings, width)
    return "\n".join(lines)


def _curve(one: Shown, grid: Grid, marks: Marks, settings: Settings, size: tuple[int, int]) -> list[str]:
    import plotext

    is_torque = one.signal.kind is Kind.TORQUE
    scale, unit = (1000.0, "kN.m") if is_torque else (1.0, one.signal.unit)
    thin = one.thinned
    read = ~np.isnan(thin.mean)
    head = one.signal.name + (f", {unit}" if unit else "")
    if not read.any():
        return [f"{head}: nothing was read"]
    plotext.clear_figure()
    plotext.theme("clear")
    plotext.plot_size(*size)
    at = np.arange(grid.columns)
    _line(plotext, at, thin.low / scale, read)
    _line(plotext, at, thin.high / scale, read)
    lines = [f"{head}: lowest and highest"]
    low, high = float(np.nanmin(thin.low)) / scale, float(np.nanmax(thin.high)) / scale
    for name, nm in marks.set_points if is_torque else ():
        plotext.hline(nm / scale)
        low, high = min(low, nm / scale), max(high, nm / scale)
        lines[0] += f"; {name} set point {nm / scale:g}"
    for place in sorted({_place(event.utc_ms, grid) for event in marks.events}):
        plotext.vline(place)
    pad = 0.05 * (high - low) or 1.0
    plotext.ylim(low - pad, high + pad)
    plotext.xlim(0, grid.columns - 1)
    ticks = _ticks(grid, settings)
    plotext.xticks([_place(ms, grid) for ms in ticks], [_label(ms, grid, settings) for ms in ticks])
    return [*textwrap.wrap(lines[0], size[0]), *plotext.uncolorize(plotext.build()).rstrip().splitlines()]


def _line(plotext: Any, at: Any, values: Any, read: Any) -> None:
    """A line for each stretch that was read; a gap stays open."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], read, [False]]).astype(np.int8)))
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        plotext.plot(at[begin:end].tolist(), values[begin:end].tolist(), marker="braille")


def _place(utc_ms: int, grid: Grid) -> int:
    return min(grid.columns - 1, max(0, (utc_ms - grid.from_ms) // grid.step_ms))


def _ticks(grid: Grid, settings: Settings) -> list[int]:
    """Moments at which the wall shows even times."""
    offset_ms = offset_s(zone_at(settings, grid.from_ms), grid.from_ms // 1000) * 1000
    coarse = grid_for(grid.from_ms, grid.to_ms, TICKS, offset_ms=offset_ms)
    begins = (coarse.from_ms + number * coarse.step_ms for number in range(coarse.columns))
    return [ms for ms in begins if grid.from_ms <= ms < grid.to_ms]


def _label(utc_ms: int, grid: Grid, settings: Settings) -> str:
    text = stamp(zone_at(settings, utc_ms), utc_ms)
    span_ms = grid.to_ms - grid.from_ms
    return text[11:19] if span_ms < 600_000 else text[11:16] if span_ms < 36 * 3_600_000 else text[5:10]


def _bar(one: Shown, grid: Grid, width: int) -> Iterator[str]:
    """A cell for each part of the width: full = yes throughout, half = at times, dot = no, blank = not read."""
    cells = max(1, width - 2)
    name = one.signal.name
    bar = ""
    for cell in range(cells):
        begin, end = (
            cell * grid.columns // cells,
            max(cell * grid.columns // cells + 1, (cell + 1) * grid.columns // cells),
        )
        low, high = one.thinned.low[begin:end], one.thinned.high[begin:end]
        read = ~np.isnan(low)
        if not read.any():
            bar += " "
        else:
            bar += "\u2588" if low[read].min() > 0 else "\u2592" if high[read].max() > 0 else "\u00b7"
    yield f"{name}:"
    yield f"  {bar}".rstrip()


def _times(grid: Grid, settings: Settings, width: int) -> str:
    begin, end = (_label(ms, grid, settings) for ms in (grid.from_ms, grid.to_ms))
    return f"  {begin}{end.rjust(width - 2 - len(begin))}"


def _events(events: Sequence[Event], settings: Settings, width: int) -> Iterator[str]:
    for event in events[:EVENTS]:
        text = f"  {stamp(zone_at(settings, event.utc_ms), event.utc_ms)}  {event.text}"
        yield from textwrap.wrap(text, width, subsequent_indent=" " * 23)
    if len(events) > EVENTS:
        yield f"  and {len(events) - EVENTS} more; nightrake journal read shows them"
