"""A drive's history as a picture: numbers above, contacts and run feedback below, set points and events marked."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, NamedTuple

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure

from nightrake.reports.figure import GRID, INK, STYLE

Floats = npt.NDArray[np.float64]
NAMED_EVENTS = 24
"""Events with their names in the picture; the lines of all others stand without."""
IN_ROW = 2
"""Names beside each other."""
NEAR = 0.02
"""Part of the width within which two events share one number."""
DPI = 110
PIXEL_PT = 1.1 * 72 / DPI
"""A little more than a pixel, in points."""
NOT_READ = "thin grey: not read"
BAND, LINE, URGENT, YES = "#8fabd0", "#1f3b5c", "#a3211b", "#5b7f58"


class Lane(NamedTuple):
    """One signal.

    Attributes:
        name, unit: For the axis. is_yes_or_no: Drawn as a bar. utc_ms, low, mean, high: Columns; NaN = not read.
        uncertainty: Expanded, of torque, in the same unit; else empty.
    """

    name: str
    unit: str
    is_yes_or_no: bool
    utc_ms: Floats
    low: Floats
    mean: Floats
    high: Floats
    uncertainty: Floats


class Event(NamedTuple):
    """Something marked: when, in a few words, whether it is about a shutdown."""

    utc_ms: int
    text: str
    urgent: bool


class Picture(NamedTuple):
    """All of it.

    Attributes:
        title: What it shows. zone, offset_s: The site's zone and its offset at the begin, by which the axis is drawn.
        step_ms: Width of a column. set_points: Name and value in the unit of the first lane. events: In order.
    """

    title: str
    zone: str
    offset_s: int
    step_ms: int
    lanes: Sequence[Lane]
    set_points: Sequence[tuple[str, float]]
    events: Sequence[Event]


def png_of(picture: Picture) -> bytes:
    """Draw it."""
    numbers = [lane for lane in picture.lanes if not lane.is_yes_or_no]
    bars = [lane for lane in picture.lanes if lane.is_yes_or_no]
    heights = [3.0 if i == 0 else 1.8 for i, _ in enumerate(numbers)] + ([0.35 + 0.3 * len(bars)] if bars else [])
    below = 0.16 * -(-min(len(picture.events), NAMED_EVENTS) // IN_ROW)
    style: Any = STYLE
    with mpl.rc_context(style):
        figure = Figure(figsize=(11.0, 1.3 + sum(heights) + below), dpi=DPI, layout="constrained")
        ratios = {"height_ratios": heights}
        stack = figure.subplots(len(heights), sharex=True, squeeze=False, gridspec_kw=ratios)[:, 0]
        figure.suptitle(picture.title, fontsize=10.0, ha="left", x=0.01)
        for number, (lane, axes) in enumerate(zip(numbers, stack, strict=False)):
            _draw_numbers(axes, lane, picture, picture.set_points if number == 0 else ())
        if bars:
            _draw_bars(stack[-1], bars, picture)
        for axes in stack:
            _draw_events(axes, picture)
        _number_events(stack[0], picture)
        _draw_time(stack[-1], picture)
        out = io.BytesIO()
        figure.savefig(out, format="png", metadata={"Software": None})
    return out.getvalue()


def _local(utc_ms: Any, picture: Picture) -> Any:
    """Milliseconds on the wall, as matplotlib wants its dates."""
    return (np.asarray(utc_ms, np.float64) + picture.offset_s * 1000.0) / 86_400_000.0


def _draw_numbers(axes: Axes, lane: Lane, picture: Picture, set_points: Sequence[tuple[str, float]]) -> None:
    at = _local(lane.utc_ms + picture.step_ms / 2, picture)
    axes.add_collection(_band(lane, picture))
    if len(lane.uncertainty) and not np.isnan(lane.uncertainty).all():
        for sign, label in ((1.0, "mean \u00b1 expanded uncertainty (95 %)"), (-1.0, None)):
            wide = lane.mean + sign * lane.uncertainty
            axes.plot(at, wide, color=LINE, linewidth=0.5, linestyle=(0, (1, 2)), label=label)
    axes.plot(at, lane.mean, color=LINE, linewidth=1.0, label="mean")
    alone = _alone(~np.isnan(lane.mean))
    axes.plot(at[alone], lane.mean[alone], color=LINE, linestyle="none", marker=".", markersize=3.0)
    for name, value in set_points:
        axes.axhline(value, color=INK, linestyle="--" if name.startswith("alarm") else "-.", linewidth=0.9)
        axes.annotate(
            f"{name} {value:g}", (1.0, value), xycoords=("axes fraction", "data"), xytext=(-3, 2),
            textcoords="offset points", ha="right", fontsize=8.0,
        )  # fmt: skip
    axes.set_ylabel(lane.name + (f", {lane.unit}" if lane.unit else ""), fontsize=8.0)
    axes.margins(x=0.0, y=0.12)
    if lane is next(one for one in picture.lanes if not one.is_yes_or_no):
        axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.04), ncols=3, fontsize=7.5, borderaxespad=0.0)


def _band(lane: Lane, picture: Picture) -> PolyCollection:
    """A bar from lowest to highest for each column that was read, never narrower or lower than a pixel."""
    read = ~np.isnan(lane.mean)
    left, right = (_local(lane.utc_ms[read] + ms, picture) for ms in (0, picture.step_ms))
    low, high = lane.low[read], lane.high[read]
    corners = np.stack([(left, low), (left, high), (right, high), (right, low)]).transpose(2, 0, 1)
    return PolyCollection(
        list(corners), facecolors=BAND, edgecolors=BAND, linewidths=PIXEL_PT, label="lowest to highest", zorder=1.5
    )


def _alone(read: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Columns between two that were not read: no line goes through them."""
    apart = np.concatenate([[False], read, [False]])
    return np.asarray(read & ~apart[:-2] & ~apart[2:])


def _draw_bars(axes: Axes, lanes: Sequence[Lane], picture: Picture) -> None:
    width = picture.step_ms / 86_400_000.0
    for row, lane in enumerate(lanes):
        at = _local(lane.utc_ms, picture)
        for mine, colour, alpha in ((lane.high > 0, YES, 0.45), (lane.low > 0, YES, 1.0)):
            edge: dict[str, Any] = {"edgecolor": colour, "linewidth": PIXEL_PT}
            axes.broken_barh(_stretches(at, mine, width), (row + 0.15, 0.7), facecolor=colour, alpha=alpha, **edge)
        gaps = axes.broken_barh(_stretches(at, np.isnan(lane.mean), width), (row + 0.45, 0.1), facecolor=GRID)
        if np.isnan(lane.mean).any():
            gaps.set_label(NOT_READ)
    axes.set_yticks([row + 0.5 for row in range(len(lanes))], [lane.name for lane in lanes])
    axes.set_ylim(len(lanes), 0)
    axes.grid(visible=False, axis="y")
    named = dict(zip(*reversed(axes.get_legend_handles_labels()), strict=True))
    if named:  # once, whatever the number of lanes
        axes.legend(list(named.values()), list(named), loc="lower right", bbox_to_anchor=(1.0, 1.0), fontsize=7.5,
                    borderaxespad=0.0, frameon=False)  # fmt: skip


def _stretches(at: Floats, mine: npt.NDArray[np.bool_], width: float) -> list[tuple[float, float]]:
    """(begin, length) of each stretch of columns that follow each other."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mine, [False]]).astype(np.int8)))
    return [
        (float(at[begin]), float(at[end - 1] - at[begin]) + width)
        for begin, end in zip(edges[::2], edges[1::2], strict=True)
    ]


def _draw_events(axes: Axes, picture: Picture) -> None:
    for event in picture.events:
        colour = URGENT if event.urgent else INK
        at = float(_local(event.utc_ms, picture))
        axes.axvline(at, color=colour, linewidth=0.8, linestyle=":", alpha=0.8, zorder=1.0)  # behind what was read


def _number_events(axes: Axes, picture: Picture) -> None:
    """Numbers at the lines' upper ends; those of lines that stand together are written as one."""
    begin, end = (float(_local(ms, picture)) for ms in _ends(picture))
    groups: list[tuple[float, list[int], bool]] = []
    for number, event in enumerate(picture.events[:NAMED_EVENTS], 1):
        at = (float(_local(event.utc_ms, picture)) - begin) / (end - begin)
        if groups and at - groups[-1][0] < NEAR:
            groups[-1][1].append(number)
        else:
            groups.append((at, [number], event.urgent))
    for at, numbers, urgent in groups:
        text = f"{numbers[0]}" if len(numbers) == 1 else f"{numbers[0]}-{numbers[-1]}"
        colour = URGENT if urgent else INK
        axes.annotate(text, (at, 1.0), xycoords="axes fraction", xytext=(0, 1), textcoords="offset points",
                      ha="center", va="bottom", fontsize=6.5, color=colour)  # fmt: skip


def _names(picture: Picture) -> str:
    """Numbers and names of the events, in rows."""
    texts = []
    for number, event in enumerate(picture.events[:NAMED_EVENTS], 1):
        at = datetime.fromtimestamp(event.utc_ms / 1000 + picture.offset_s, UTC)
        texts.append(f"{number:>2}  {at:%m-%d %H:%M:%S}  {event.text}"[:79].ljust(80))
    rows = -(-len(texts) // IN_ROW)
    lines = ["".join(texts[row::rows]) for row in range(rows)]
    if len(picture.events) > NAMED_EVENTS:
        lines.append(f"and {len(picture.events) - NAMED_EVENTS} more")
    return "\n".join(line.rstrip() for line in lines)


def _ends(picture: Picture) -> tuple[float, float]:
    utc_ms = picture.lanes[0].utc_ms
    return float(utc_ms[0]), float(utc_ms[-1]) + picture.step_ms


def _draw_time(axes: Axes, picture: Picture) -> None:
    axes.set_xlim(*(float(_local(ms, picture)) for ms in _ends(picture)))
    locator: Any = AutoDateLocator(tz=UTC)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator, tz=UTC))  # type: ignore[no-untyped-call]
    hours = picture.offset_s / 3600
    begin = datetime.fromtimestamp(_ends(picture)[0] / 1000 + picture.offset_s, UTC)
    names = f"\n{_names(picture)}" if picture.events else ""
    label = f"time in {picture.zone} (UTC{hours:+g} h), from {begin:%Y-%m-%d %H:%M}{names}"
    axes.set_xlabel(label, loc="left", fontsize=6.8, family="monospace")
