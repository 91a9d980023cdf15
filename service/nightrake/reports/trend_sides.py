"""Beside the level of a drive: weekday and hour, the chance of the alarm, and what the gears have endured."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import NullFormatter, StrMethodFormatter

from nightrake.learning.duty import Basis, Cycles, Duty
from nightrake.reports.figure import INK
from nightrake.reports.trend_picture import ALARM, DOT, LINE, QUIET, SHUTDOWN, TrendPicture, say

HOURS = [str(hour) if hour % 6 == 0 else "" for hour in range(24)]
LEAST = 0.01
"""Share of shutdown that the axes of a season reach at the least, so that nothing looks like something."""
WEEKDAYS = ("Mo", "Tu", "We", "Th", "Fr", "Sa", "Su")


def draw_sides(figure: Any, picture: TrendPicture, columns: int) -> None:
    """Draw them on a figure.

    Args:
        columns: Side by side, 3 or 1.
    """
    axes = figure.subplots(6 // columns, columns).reshape(-1)
    season, shutdown_nm = picture.trend.season, picture.side.shutdown_nm
    _draw_season(axes[0], season.get("weekday", ()), "by weekday, kN.m", WEEKDAYS, shutdown_nm)
    _draw_season(axes[1], season.get("hour", ()), "by hour (UTC), kN.m", HOURS, shutdown_nm)
    _draw_chance(axes[2], picture)
    _draw_hours(axes[3], picture)
    _draw_cycles(axes[4], picture)
    _draw_trips(axes[5], picture)


def _draw_season(axes: Axes, offsets: Sequence[float], title: str, names: Sequence[str], shutdown_nm: float) -> None:
    _title(axes, title)
    axes.grid(visible=False, axis="x")
    if not offsets:
        say(axes, "not enough data")
        return
    axes.bar(range(len(offsets)), [v / 1e3 for v in offsets], color=DOT, width=0.8)
    most = max(1.15 * max(map(abs, offsets)), LEAST * shutdown_nm, 1.0) / 1e3
    axes.set_ylim(-most, most)
    axes.axhline(0.0, color=INK, linewidth=0.6)
    axes.set_xticks(range(len(names)), list(names))
    axes.tick_params(axis="x", length=0.0)


def _draw_chance(axes: Axes, picture: TrendPicture) -> None:
    """Chance of reaching the stages within some days."""
    _title(axes, "chance of reaching, %")
    stages = [("alarm", picture.trend.alarm.within, ALARM), ("shutdown", picture.trend.shutdown.within, SHUTDOWN)]
    days = sorted({d for _, within, _ in stages for d in within})
    if not days:
        say(axes, "cannot be said")
        return
    for row, (name, within, colour) in enumerate(stages):
        at = np.arange(len(days)) + 0.4 * row - 0.2
        hatch = "///" if name == "shutdown" else ""
        values = [100.0 * within.get(d, 0.0) for d in days]
        axes.bar(at, values, 0.38, color=colour, alpha=0.85, hatch=hatch, edgecolor="white", label=name, linewidth=0.0)
        for x, value in zip(at, values, strict=True):
            text = f"{value:.0f}" if 1.0 <= value <= 99.0 else "<1" if value < 1.0 else ">99"
            axes.annotate(text, (float(x), value), ha="center", va="bottom", fontsize=mpl.rcParams["font.size"] - 1.5)
    axes.set_ylim(0.0, 118.0)
    axes.set_yticks([0, 50, 100])
    axes.set_xticks(range(len(days)), [f"{d} days" for d in days])
    axes.grid(visible=False, axis="x")
    axes.legend(loc="upper left", ncols=1, borderaxespad=0.2, handlelength=1.2)


def _draw_hours(axes: Axes, picture: TrendPicture) -> None:
    """Time at torque, in classes of a part of shutdown."""
    _title(axes, "time at torque, h")
    found = picture.duty.at_torque if picture.duty is not None else None
    if found is None or not (found.hours.sum() + found.below_h + found.beyond_h) > 0.0:
        say(axes, "not read")
        return
    edges = found.edge_nm / 1e3
    axes.bar(edges[:-1], found.hours, np.diff(edges), align="edge", color=DOT, edgecolor="white", linewidth=0.5)
    if found.below_h > 0.0 and np.isfinite(found.below_nm):
        axes.bar(
            0.0, found.below_h, found.below_nm / 1e3, align="edge", color="none", edgecolor=QUIET, hatch="////",
            linewidth=0.5, label="below the preload",
        )  # fmt: skip
        axes.legend(loc="upper right", borderaxespad=0.2, handlelength=1.2)
    for nm, colour in ((picture.side.alarm_nm, ALARM), (picture.side.shutdown_nm, SHUTDOWN)):
        if nm:
            axes.axvline(nm / 1e3, color=colour, linewidth=1.0, linestyle="--")
    axes.set_xlabel("torque, kN.m")
    axes.set_xlim(left=0.0)


def _draw_cycles(axes: Axes, picture: TrendPicture) -> None:
    """Rainflow cycles by their range."""
    _title(axes, "rainflow cycles")
    found = _counted(picture.duty)
    if found is None or not found.count.sum() > 0.0:
        say(axes, "not read")
        return
    held = found.count > 0.0
    axes.bar(
        found.range_nm[held] / 1e3, found.count[held], found.class_nm / 1e3, align="edge", color=LINE,
        edgecolor="white", linewidth=0.5,
    )  # fmt: skip
    axes.set_yscale("log")
    axes.yaxis.set_major_formatter(StrMethodFormatter("{x:.0f}"))
    axes.yaxis.set_minor_formatter(NullFormatter())
    axes.set_ylim(bottom=0.4)
    axes.set_xlim(left=0.0)
    axes.set_xlabel(f"range, kN.m; from {_short(found)}")


def _counted(duty: Duty | None) -> Cycles | None:
    """Those counted from minutes, or else of the longest time."""
    if duty is None:
        return None
    minutes = [one for one in duty.cycles if one.basis is Basis.MINUTES]
    return max(minutes or duty.cycles, key=lambda c: c.to_utc_ms - c.from_utc_ms, default=None)


def _short(cycles: Cycles) -> str:
    return {"MINUTES": "minutes", "HOURS": "hours", "SCANS": "every reading"}.get(cycles.basis.name, "rows")


def _draw_trips(axes: Axes, picture: TrendPicture) -> None:
    """Trips by their approach: how far the torque rose, and how fast."""
    _title(axes, "rise before trips, kN.m")
    rises = [(trip, trip.rise) for trip in picture.trips if trip.rise is not None and trip.rise.seconds > 0.0]
    if not rises:
        say(axes, "no trip with a rise" if picture.trips else "no trip")
        return
    for trip, rise in rises:
        colour = SHUTDOWN if trip.stage == "shutdown" else ALARM
        axes.annotate(
            "", (rise.seconds, rise.to_nm / 1e3), (rise.seconds, rise.from_nm / 1e3),
            arrowprops={"arrowstyle": "-|>", "color": colour, "linewidth": 1.2},
        )  # fmt: skip
        left = trip.stage == "alarm"  # a shutdown that follows it stands at nearly the same time
        axes.annotate(
            str(trip.kind), (rise.seconds, rise.to_nm / 1e3), xytext=(-4 if left else 4, 0),
            textcoords="offset points", ha="right" if left else "left", va="center",
        )  # fmt: skip
    axes.set_xscale("log")
    axes.set_xlim(1.0, 3.2e7)
    axes.set_xticks([1.0, 60.0, 3_600.0, 86_400.0, 2.63e6], ["1 s", "1 min", "1 h", "1 d", "1 mon"])
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.minorticks_off()
    axes.set_ylim(0.0, 1.25 * max(max(rise.to_nm, picture.side.shutdown_nm) for _, rise in rises) / 1e3)


def _title(axes: Axes, text: str) -> None:
    axes.set_axisbelow(True)
    axes.set_title(text, fontsize=mpl.rcParams["font.size"], loc="left")
