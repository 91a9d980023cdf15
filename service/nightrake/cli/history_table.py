"""A drive's history as a table in the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from nightrake.alarms.told import stamp
from nightrake.cli.history_export import Layout
from nightrake.cli.journal_wanted import zone_at
from nightrake.history.lanes import Chunk
from nightrake.history.picture import Grid, Shown
from nightrake.history.signals import CODE_WORDS, Kind
from nightrake.settings import Settings

DAY_MS = 86_400_000
SHIFT_MS = 2 * 3_600_000
NONE = "-"
CLOCK = "23:14:05.123"


def table_lines(shown: Sequence[Shown], grid: Grid, settings: Settings, title: str) -> Iterator[str]:
    """A row for each column of the grid: lowest, mean, highest; of contacts in how many of the readings."""
    yield from textwrap.wrap(title, 80)
    deep = max((len(_head_of(one)) for one in shown), default=1)
    groups = [_group(one, deep) for one in shown]
    begins = [int(ms) for ms in shown[0].thinned.utc_ms] if shown else []
    times = [*[""] * (deep + 1), *(_time(settings, ms, grid.step_ms) for ms in begins)]
    width = max(map(len, times))
    for cells in zip(times, *groups, strict=True):
        yield "  ".join([cells[0].ljust(width), *cells[1:]]).rstrip()
    yield "Lowest, mean, highest; of what is yes or no, in how many of the readings it was."


def _head_of(one: Shown) -> list[str]:
    """A signal's name over its columns: direction, stage and channel of a contact each in a line, for want of width."""
    if one.signal.is_yes_or_no:
        return one.signal.name.split("/")
    unit = "kN.m" if one.signal.kind is Kind.TORQUE else one.signal.unit
    return [one.signal.name + (f", {unit}" if unit else "")]


def _group(one: Shown, deep: int) -> list[str]:
    """The lines of one signal's columns, all of one width: its name over them, their heads, the values.

    Args:
        one: The signal. deep: Lines of the longest name.
    """
    thin, signal = one.thinned, one.signal
    if signal.is_yes_or_no:
        lines = ["", *(_share(v, n) for v, n in zip(thin.mean, thin.n, strict=True))]
    else:
        scale = 1000.0 if signal.kind is Kind.TORQUE else 1.0
        series = [("low", thin.low), ("mean", thin.mean), ("high", thin.high)]
        series += [("\u00b1", one.uncertainty_nm)] if len(one.uncertainty_nm) else []
        columns = [_padded([head, *(_number(v / scale) for v in values.tolist())]) for head, values in series]
        lines = [" ".join(cells) for cells in zip(*columns, strict=True)]
    head = _head_of(one)
    width = max(map(len, (*head, *lines)))
    named = [part.rjust(width) if signal.is_yes_or_no else part.center(width) for part in head]
    return [*[" " * width] * (deep - len(named)), *named, *(line.rjust(width) for line in lines)]


def _padded(cells: list[str]) -> list[str]:
    width = max(map(len, cells))
    return [cell.rjust(width) for cell in cells]


def _number(value: float) -> str:
    if value != value:
        return NONE
    return f"{value:.3g}" if abs(value) < 10 else f"{value:.1f}" if abs(value) < 1e5 else f"{value:.6g}"


def _share(mean: float, n: float) -> str:
    if not n or mean != mean:
        return NONE
    percent = 100.0 * mean
    return "0 %" if percent == 0 else "<1 %" if percent < 1 else ">99 %" if 99 < percent < 100 else f"{percent:.0f} %"


def _time(settings: Settings, utc_ms: int, step_ms: int) -> str:
    if step_ms % DAY_MS == 0:  # midnight is an hour off where the clocks have been changed since the first row
        utc_ms += SHIFT_MS
    text = stamp(zone_at(settings, utc_ms), utc_ms)
    return text[:10] if step_ms % DAY_MS == 0 else text[:16] if step_ms % 60_000 == 0 else text


def reading_lines(chunks: Iterator[Chunk], layout: Layout, settings: Settings, title: str) -> Iterator[str]:
    """A row for each moment at which anything was read, below a line for each day: rows fit on 80 columns so."""
    yield from textwrap.wrap(title, 80)
    heads = [name.replace("torque_", "torque/").split("/") for name, _, _ in layout.columns]
    deep = max(map(len, heads), default=1)
    widths = [max(7, *map(len, head)) for head in heads]
    for line in range(deep):
        parts = [head[line - deep + len(head)] if line >= deep - len(head) else "" for head in heads]
        yield "  ".join([" " * len(CLOCK), *(part.rjust(w) for part, w in zip(parts, widths, strict=True))]).rstrip()
    day = ""
    for chunk in chunks:
        values = [column.tolist() for _, column in layout.values(chunk)]
        bad = layout.not_good(chunk)
        for row, utc_ms in enumerate(chunk.utc_ms.tolist()):
            cells = [_cell(column[row]).rjust(w) for column, w in zip(values, widths, strict=True)]
            before, (day, at, offset) = day, _moment(settings, utc_ms)
            if day != before:
                yield day
            yield "  ".join([at, *cells, bad[row], offset]).rstrip()


def _moment(settings: Settings, utc_ms: int) -> tuple[str, str, str]:
    """Day, time to the millisecond, and the offset in an hour that comes twice."""
    text = stamp(zone_at(settings, utc_ms), utc_ms)
    if not text[:1].isdigit():
        return text, " " * len(CLOCK), ""
    day, clock, *offset = text.split(" ")
    return day, f"{clock}.{utc_ms % 1000:03}", " ".join(offset)


def _cell(value: float | int) -> str:
    if isinstance(value, int):
        return CODE_WORDS.get(value, "")
    return "" if value != value else f"{value:.7g}"
