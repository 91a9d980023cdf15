"""A trip record as a picture: torque with its uncertainty, set points, contacts, motor, events; whole and near."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure

from nightrake.domain.cleantext import clean
from nightrake.history.trippicture import Curve, Drawn, Lane
from nightrake.reports.figure import STYLE, svg_of_stack
from nightrake.reports.page import ReportError, render, write_whole

LINE, BAND, TRIP = "#1f3b5c", "#b9cbe0", "#a4161a"
SET = {"alarm": ("#9a6700", "--"), "shutdown": (TRIP, "-.")}
PAPER: Any = {"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.6}
LANE = 0.62
"""Height of a bar in its lane."""
PNG_DPI = 130
SHARES = {"torque": 3.2, "power": 1.2}
LANE_SHARE = 0.34


@dataclass(frozen=True, slots=True)
class Set:
    """A set point: its stage, N.m with the direction's sign."""

    stage: str
    torque_nm: float


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that happened: when, and its number in the list."""

    utc_ms: int
    number: int


@dataclass(frozen=True, slots=True)
class TripPicture:
    """All that is drawn.

    Attributes:
        title, zone: Words. offset_ms: Of the site's wall from UTC at the trip.
        trip_ms: When it was, UTC. whole, near: See `Drawn`. sets: Set points. marks: What happened.
        lists: What the marks' numbers mean, for pictures without a page.
    """

    title: str
    zone: str
    offset_ms: int
    trip_ms: int
    whole: Drawn
    near: Drawn
    sets: Sequence[Set]
    marks: Sequence[Mark]
    lists: Sequence[str]

    def wall(self, utc_ms: npt.ArrayLike) -> Any:
        """Times on the site's wall, as matplotlib takes them."""
        local = np.asarray(utc_ms, np.float64) + self.offset_ms
        return np.round(local).astype(np.int64).astype("datetime64[ms]").astype(datetime)


Draw = Callable[[Axes], None]


def plain(text: str) -> str:
    """A text without what could turn or hide the words around it."""
    return clean(text, len(text))


def trip_svgs(picture: TripPicture) -> tuple[Markup, Markup]:
    """The whole record and the time near the trip, as inline SVG."""
    whole, near = (
        svg_of_stack(
            _stack(picture, drawn),
            name,
            plain(f"{picture.title}: torque, contacts and motor, {words}"),
            7.0,
            1.1 * sum(share for _, share in _stack(picture, drawn)),
        )
        for drawn, name, words in (
            (picture.whole, "whole", "all of the record"),
            (picture.near, "near", "near the trip"),
        )
    )
    return whole, near


def trip_page(picture: TripPicture, **values: Any) -> str:
    """The page as HTML that refers to nothing outside.

    Args:
        values: What the template ``trip.html`` needs besides the figures.
    """
    whole, near = trip_svgs(picture)
    return render("trip.html", title=picture.title, whole=whole, near=near, **values)


def write_png(file: Path, picture: TripPicture) -> None:
    """The picture as PNG: the whole record on the left, the time near the trip on the right.

    Raises:
        ReportError: It cannot be written.
    """
    style: Any = {**STYLE, "font.size": 9.0}
    with mpl.rc_context(style):
        stack = _stack(picture, picture.whole)
        lines = [plain(line) for line in picture.lists]
        height = 1.1 * sum(share for _, share in stack) + 0.17 * len(lines) + 0.7
        figure = Figure(figsize=(13.0, height), layout="constrained")
        figure.suptitle(plain(picture.title), x=0.01, ha="left", fontsize=12, fontweight="bold")
        ratios = [*(share for _, share in stack), 0.17 * len(lines) / 1.1] if lines else [share for _, share in stack]
        grid = figure.add_gridspec(len(ratios), 2, height_ratios=ratios, width_ratios=(3.0, 2.0))
        for column, drawn in enumerate((picture.whole, picture.near)):
            first: Axes | None = None
            for row, (draw, _) in enumerate(_stack(picture, drawn)):
                axes = figure.add_subplot(grid[row, column], sharex=first)
                first = first or axes
                draw(axes)
                if row + 1 < len(stack):
                    axes.tick_params(labelbottom=False)
        if lines:
            axes = figure.add_subplot(grid[len(stack), :])
            axes.axis("off")
            axes.text(0.0, 1.0, "\n".join(lines), va="top", fontsize=8.5, transform=axes.transAxes)
        out = io.BytesIO()
        figure.savefig(out, format="png", dpi=PNG_DPI, metadata={"Software": None})
    write_whole(file, out.getvalue())


def _stack(picture: TripPicture, drawn: Drawn) -> list[tuple[Draw, float]]:
    found: list[tuple[Draw, float]] = [(_torque(picture, drawn), SHARES["torque"])]
    if drawn.power is not None and len(drawn.power.mean):
        found.append((_power(picture, drawn, drawn.power), SHARES["power"]))
    return [*found, (_lanes(picture, drawn), LANE_SHARE * max(2, len(drawn.lanes)) + 0.5)]


# --- the parts --------------------------------------------------------------------------------------------------------


def _torque(picture: TripPicture, drawn: Drawn) -> Draw:
    curve = drawn.torque

    def draw(axes: Axes) -> None:
        at, outside = picture.wall(curve.utc_ms), curve.limit > 0.5
        if (curve.uncertainty > 0.0).any():
            low, high = (curve.mean + sign * curve.uncertainty for sign in (-1.0, 1.0))
            label = "±U (95 %)"
            axes.fill_between(at, low / 1000, high / 1000, color=BAND, linewidth=0.0, label=label)
        axes.vlines(at, curve.low / 1000, curve.high / 1000, color=LINE, linewidth=0.6, capstyle="projecting")
        axes.plot(at, _where(curve.mean, ~outside) / 1000, color=LINE, linewidth=1.1, label="torque")
        if outside.any():
            label = "at an end of the calibrated span"
            axes.plot(at, _where(curve.mean, outside) / 1000, color=LINE, linestyle=":", linewidth=1.4, label=label)
        _set_points(axes, picture.sets)
        axes.set_ylabel("output torque, kN.m")
        _limits(axes, curve, picture.sets)
        _marks(axes, picture, drawn, named=True)
        axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, borderaxespad=1.4)
        _time(axes, picture, drawn)

    return draw


def _set_points(axes: Axes, sets: Sequence[Set]) -> None:
    for one in sets:
        color, dashes = SET[one.stage]
        axes.axhline(one.torque_nm / 1000, color=color, linestyle=dashes, linewidth=1.1, zorder=1.0)
        words = f"{one.stage} {abs(one.torque_nm) / 1000:.4g} kN.m"
        axes.annotate(
            words,
            (0.005, one.torque_nm / 1000),
            xycoords=("axes fraction", "data"),
            va="bottom",
            color=color,
            bbox=PAPER,
            zorder=1.1,
        )


def _where(values: npt.NDArray[np.float64], mine: npt.NDArray[np.bool_]) -> npt.NDArray[np.float64]:
    """A line's own part, joined to its neighbours."""
    joined = mine.copy()
    joined[1:] |= mine[:-1]
    return np.where(joined, values, np.nan)


def _limits(axes: Axes, curve: Curve, sets: Sequence[Set]) -> None:
    ends = [curve.low - curve.uncertainty, curve.high + curve.uncertainty]
    values = [v / 1000 for column in ends for v in column[~np.isnan(column)].tolist()]
    values += [0.0, *(one.torque_nm / 1000 for one in sets)]
    low, high = min(values), max(values)
    room = 0.1 * (high - low or 1.0)
    axes.set_ylim(low - (room if low < 0.0 else 0.0), high + room)


def _power(picture: TripPicture, drawn: Drawn, curve: Curve) -> Draw:
    def draw(axes: Axes) -> None:
        at = picture.wall(curve.utc_ms)
        axes.vlines(at, curve.low, curve.high, color=LINE, linewidth=0.6, capstyle="projecting")
        axes.plot(at, curve.mean, color=LINE, linewidth=1.0)
        axes.set_ylabel("motor, kW")
        axes.set_ylim(bottom=0.0)
        _marks(axes, picture, drawn, named=False)
        _time(axes, picture, drawn)

    return draw


def _lanes(picture: TripPicture, drawn: Drawn) -> Draw:
    def draw(axes: Axes) -> None:
        for number, lane in enumerate(drawn.lanes):
            axes.broken_barh(_bars(picture, lane.on), (number - LANE / 2, LANE), color=_color(lane), linewidth=0.0)
            bars = _bars(picture, lane.unknown)
            axes.broken_barh(
                bars, (number - LANE / 2, LANE), facecolor="none", edgecolor="#888", hatch="////", linewidth=0.0
            )
        axes.set_yticks(range(len(drawn.lanes)), [plain(lane.name) for lane in drawn.lanes])
        axes.set_ylim(max(1, len(drawn.lanes)) - 0.5, -0.5)
        axes.grid(visible=False, axis="y")
        _marks(axes, picture, drawn, named=False)
        _time(axes, picture, drawn)
        axes.set_xlabel(_day(picture, drawn))

    return draw


def _day(picture: TripPicture, drawn: Drawn) -> str:
    first, last = (str(np.datetime64(when, "D")) for when in picture.wall([drawn.from_ms, drawn.to_ms - 1]))
    return f"{first if first == last else f'{first} to {last}'}, {picture.zone}"


def _bars(picture: TripPicture, spans: Sequence[tuple[float, float]]) -> list[Any]:
    return [(begin, end - begin) for begin, end in (picture.wall(span).tolist() for span in spans)]


def _color(lane: Lane) -> str:
    return next((color for stage, (color, _) in SET.items() if stage in lane.name), "#2d6a4f")


def _marks(axes: Axes, picture: TripPicture, drawn: Drawn, *, named: bool) -> None:
    axes.axvline(picture.wall([picture.trip_ms])[0], color=TRIP, linewidth=1.4)
    inside = [m for m in picture.marks if drawn.from_ms <= m.utc_ms < drawn.to_ms]
    for mark in inside:
        axes.axvline(picture.wall([mark.utc_ms])[0], color="#666", linewidth=0.6, linestyle=(0, (2, 2)))
    if not named:
        return
    for at_ms, text in _grouped(inside, (drawn.to_ms - drawn.from_ms) / 20):
        axes.annotate(
            text,
            (picture.wall([at_ms])[0], 1.0),
            xycoords=("data", "axes fraction"),
            ha="center",
            va="bottom",
            fontsize=7,
        )


def _grouped(marks: Sequence[Mark], near_ms: float) -> list[tuple[int, str]]:
    """Numbers that would stand over one another, put together: ``2-4``."""
    groups: list[list[Mark]] = []
    for mark in sorted(marks, key=lambda m: m.utc_ms):
        if groups and mark.utc_ms - groups[-1][0].utc_ms < near_ms:
            groups[-1].append(mark)
        else:
            groups.append([mark])
    return [(g[0].utc_ms, str(g[0].number) if len(g) == 1 else f"{g[0].number}-{g[-1].number}") for g in groups]


def _time(axes: Axes, picture: TripPicture, drawn: Drawn) -> None:
    begin, end = picture.wall([drawn.from_ms, drawn.to_ms])
    axes.set_xlim(begin, end)
    # The day stands below, with the zone.
    locator = AutoDateLocator(minticks=3, maxticks=8)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator, show_offset=False))  # type: ignore[no-untyped-call]


__all__ = ["Mark", "ReportError", "Set", "TripPicture", "trip_page", "trip_svgs", "write_png"]
