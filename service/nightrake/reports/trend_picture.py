"""What is drawn of one direction of a drive, and colours and small things that its pictures share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes

from nightrake.learning.approach import Approach
from nightrake.learning.days import DAY_MS, Floats, Side
from nightrake.learning.duty import Duty
from nightrake.learning.trend import Trend

LINE, BAND, DOT, QUIET = "#1f3b5c", "#c9d8e8", "#6f93b7", "#777777"
ALARM, SHUTDOWN, FORECAST = "#9a6700", "#a4161a", "#b5532a"
PAPER: Any = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.8}
AHEAD_DAYS = 120.0
"""How far the trend is drawn ahead at most."""
AHEAD_SHARE = 0.2
"""And at most this part of what was read: a short record carries no long forecast."""
ROOMY = 5.0
"""Inches from which on there is room for things side by side."""


@dataclass(frozen=True, slots=True)
class TrendPicture:
    """What is drawn of one direction of a drive.

    Attributes:
        title: Words. zone: Of the site. offset_ms: Of the site's wall from UTC at the end.
        side, trend: What was judged, and the verdict. duty: What the gears endured; None = not read.
        trips: In the period, sorted by their approach.
    """

    title: str
    zone: str
    offset_ms: int
    side: Side
    trend: Trend
    duty: Duty | None = None
    trips: Sequence[Approach] = ()

    def wall(self, utc_ms: npt.ArrayLike) -> Any:
        """Times on the site's wall as matplotlib's days."""
        return (np.asarray(utc_ms, np.float64) + self.offset_ms) / DAY_MS

    @property
    def middles(self) -> Any:
        """Where the periods lie."""
        days = self.side.days
        return self.wall(days.utc_ms + days.span_ms / 2)

    @property
    def ends(self) -> tuple[float, float]:
        """From the first day to where the trend is drawn ahead."""
        utc_ms = self.side.days.utc_ms
        first = float(self.wall(utc_ms[0])) if len(utc_ms) else float(self.wall(self.trend.now_utc_ms)) - 30.0
        return first, float(self.wall(self.trend.now_utc_ms)) + self.ahead_days

    @property
    def ahead_days(self) -> float:
        """Days ahead of now that are drawn."""
        utc_ms = self.side.days.utc_ms
        held = (self.trend.now_utc_ms - int(utc_ms[0])) / DAY_MS if len(utc_ms) else 30.0
        return float(min(AHEAD_DAYS, max(7.0, AHEAD_SHARE * held)))


def finite(values: Floats) -> list[float]:
    """Those that are numbers."""
    found: list[float] = values[np.isfinite(values)].tolist()
    return found


def legend(axes: Axes, columns: int) -> None:
    """Above the axes, where anything has a name."""
    if axes.get_legend_handles_labels()[0]:
        axes.legend(
            loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=columns, borderaxespad=0.1, handlelength=1.4,
            columnspacing=1.0,
        )  # fmt: skip


def say(axes: Axes, text: str) -> None:
    """Words in place of a picture."""
    axes.text(0.5, 0.5, text, ha="center", va="center", transform=axes.transAxes, color=QUIET)
    axes.set_xticks([])
    axes.set_yticks([])
