"""Level, control charts and forecast of a drive, above one another on one axis of time."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

from nightrake.learning.days import MONTH_DAYS, Floats
from nightrake.reports.figure import INK
from nightrake.reports.trend_picture import (
    ALARM,
    BAND,
    DOT,
    FORECAST,
    LINE,
    PAPER,
    QUIET,
    SHUTDOWN,
    TrendPicture,
    finite,
    legend,
)

SHARES = (3.1, 1.7, 1.2)
"""Of the height: level, EWMA, CUSUM."""


def draw_level(figure: Any, picture: TrendPicture, columns: int) -> None:
    """Draw them on a figure.

    Args:
        columns: Of the legends.
    """
    level, ewma, cusum = figure.subplots(3, 1, sharex=True, gridspec_kw={"height_ratios": SHARES})
    _draw_torque(level, picture)
    _draw_ewma(ewma, picture)
    _draw_cusum(cusum, picture)
    for axes in (level, ewma, cusum):
        _draw_shifts(axes, picture, named=axes is level)
        legend(axes, columns)
    _draw_time(cusum, picture)
    figure.align_ylabels([level, ewma, cusum])


def _draw_torque(axes: Axes, picture: TrendPicture) -> None:
    days, trend, at = picture.side.days, picture.trend, picture.middles
    low, high = days.median_nm - days.spread_nm, days.median_nm + days.spread_nm
    gone = _after_gaps(days.utc_ms, days.span_ms)
    for part in np.split(np.arange(len(at)), gone):
        named = "middle two thirds of a day" if len(part) and part[0] == 0 else None
        axes.fill_between(at[part], low[part] / 1e3, high[part] / 1e3, color=BAND, linewidth=0.0, label=named)
    odd = np.isin(days.utc_ms, trend.outliers)
    axes.plot(at[~odd], days.median_nm[~odd] / 1e3, ".", color=DOT, markersize=2.6, label="day's median")
    if odd.any():
        axes.plot(
            at[odd], days.median_nm[odd] / 1e3, "o", color=QUIET, markerfacecolor="none", markersize=3.6,
            markeredgewidth=0.8, label="load event",
        )  # fmt: skip
    below = np.isnan(days.median_nm) & (days.below > 0.0)
    if below.any():
        axes.plot(
            at[below], days.below_nm[below] / 1e3, "v", color=QUIET, markersize=2.8, markeredgewidth=0.0,
            label="median below this",
        )  # fmt: skip
    fitted = trend.fitted
    if len(fitted.utc_ms):
        _draw_line(axes, picture)
    _draw_ahead(axes, picture)
    _draw_points(axes, picture)
    axes.set_ylabel("torque, kN.m")


def _draw_line(axes: Axes, picture: TrendPicture) -> None:
    """The level as judged, with the band in which most days should lie; broken at each shift."""
    fitted = picture.trend.fitted
    at = picture.wall(fitted.utc_ms) + 0.5
    named = "level, estimated" if picture.trend.level_is_below else "level"
    axes.plot(at, _cut(picture, fitted.line_nm) / 1e3, color=LINE, linewidth=1.6, label=named)
    for edge, label in ((fitted.low_nm, "95 % of days"), (fitted.high_nm, None)):
        axes.plot(at, _cut(picture, edge) / 1e3, color=LINE, linewidth=0.6, linestyle=(0, (4, 2)), label=label)


def _cut(picture: TrendPicture, values: Floats) -> Floats:
    """Values without the first one behind each shift, so that no line goes over it."""
    utc_ms = picture.trend.fitted.utc_ms
    cuts = np.searchsorted(utc_ms, [shift.utc_ms for shift in picture.trend.shifts])
    found = values.astype(np.float64)
    found[cuts[(cuts > 0) & (cuts < len(utc_ms))]] = np.nan
    return found


def _draw_ahead(axes: Axes, picture: TrendPicture) -> None:
    """The trend goes on, within its interval."""
    trend, slope = picture.trend, picture.trend.slope_nm_month
    if slope is None or not np.isfinite(trend.level_nm) or trend.level_is_below:
        return
    now = float(picture.wall(trend.now_utc_ms))
    at = np.array([0.0, picture.ahead_days])
    low, mid, high = (trend.level_nm + value / MONTH_DAYS * at for value in slope)
    if not np.isfinite([low, high]).all():
        return
    axes.fill_between(now + at, np.maximum(low, 0.0) / 1e3, high / 1e3, color=FORECAST, alpha=0.22, linewidth=0.0)
    axes.plot(now + at, mid / 1e3, color=FORECAST, linewidth=1.4, linestyle=(0, (5, 2)), label="if it goes on so")
    axes.axvline(now, color=INK, linewidth=0.7)


def _draw_points(axes: Axes, picture: TrendPicture) -> None:
    side = picture.side
    top = max([side.shutdown_nm, side.alarm_nm, *finite(side.days.median_nm)])
    for name, nm, colour, dashes in (
        ("alarm", side.alarm_nm, ALARM, (0, (6, 2))),
        ("shutdown", side.shutdown_nm, SHUTDOWN, (0, (6, 2, 1, 2))),
    ):
        if nm:
            axes.axhline(nm / 1e3, color=colour, linestyle=dashes, linewidth=1.1, zorder=1.5)
            axes.annotate(
                f"{name} {nm / 1e3:.4g}", (0.004, nm / 1e3), xycoords=("axes fraction", "data"), xytext=(0, 1.5),
                textcoords="offset points", color=colour, va="bottom", bbox=PAPER, zorder=1.6,
            )  # fmt: skip
    axes.set_ylim(0.0, 1.1 * top / 1e3 if top else 1.0)


def _after_gaps(utc_ms: npt.NDArray[np.int64], span_ms: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Where something follows that does not touch what was before."""
    return np.flatnonzero(np.diff(utc_ms) > 1.5 * span_ms[:-1]) + 1 if len(utc_ms) else np.empty(0, np.int64)


def _draw_ewma(axes: Axes, picture: TrendPicture) -> None:
    fitted = picture.trend.fitted
    at = picture.wall(fitted.utc_ms) + 0.5
    if len(at):
        axes.plot(at, fitted.adjusted_nm / 1e3, ".", color=DOT, markersize=1.6, alpha=0.7)
        low, high = (_cut(picture, e) / 1e3 for e in (fitted.ewma_low_nm, fitted.ewma_high_nm))
        axes.fill_between(at, low, high, color=BAND, linewidth=0.0, label="control limits")
        axes.plot(at, _cut(picture, fitted.ewma_nm) / 1e3, color=LINE, linewidth=1.1, label="EWMA")
        axes.set_ylim(*_near(fitted.ewma_nm, fitted.adjusted_nm))
    axes.set_ylabel("season\nremoved, kN.m")


def _near(line: Floats, dots: Floats) -> tuple[float, float]:
    """Room about the lines; the farthest dots may lie outside."""
    values = np.concatenate([line[np.isfinite(line)], dots[np.isfinite(dots)]])
    if not len(values):
        return 0.0, 1.0
    low, high = np.quantile(values, [0.005, 0.995]) / 1e3
    room = max(0.06 * (high - low), 0.01 * abs(high), 1e-3)
    return float(low - room), float(high + 2 * room)


def _draw_cusum(axes: Axes, picture: TrendPicture) -> None:
    fitted = picture.trend.fitted
    at = picture.wall(fitted.utc_ms) + 0.5
    if len(at):
        axes.plot(at, _cut(picture, fitted.cusum_high), color=FORECAST, linewidth=1.0, label="upwards")
        axes.plot(
            at, _cut(picture, fitted.cusum_low), color=LINE, linewidth=1.0, linestyle=(0, (4, 1)), label="downwards"
        )
        axes.axhline(fitted.cusum_limit, color=INK, linewidth=0.8, linestyle=":", label="decision limit")
        highest = max([*finite(fitted.cusum_high), *finite(np.abs(fitted.cusum_low)), 0.0])
        axes.set_ylim(0.0, min(1.15 * max(highest, fitted.cusum_limit), 8.0 * fitted.cusum_limit))
    axes.set_ylabel("CUSUM, std. dev.")


def _draw_shifts(axes: Axes, picture: TrendPicture, *, named: bool) -> None:
    for number, shift in enumerate(picture.trend.shifts, 1):
        at = float(picture.wall(shift.utc_ms))
        axes.axvline(at, color=INK, linewidth=0.7, linestyle=(0, (2, 2)), zorder=1.2)
        if named:
            axes.annotate(
                f"{number}", (at, 0.0), xycoords=("data", "axes fraction"), xytext=(0, 1.5),
                textcoords="offset points", ha="center", va="bottom", bbox=PAPER,
            )  # fmt: skip


def _draw_time(axes: Axes, picture: TrendPicture) -> None:
    axes.set_xlim(*picture.ends)
    locator: Any = AutoDateLocator(minticks=3, maxticks=7)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator, show_offset=False))  # type: ignore[no-untyped-call]
    axes.set_xlabel(f"days, {picture.zone}")
