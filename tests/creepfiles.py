"""What the learning worker leaves for the page, with invented numbers of the Fennmark works."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

DAY_MS = 86_400_000
NOW_MS = 1_795_671_000_000
"""2026-11-26 05:30 UTC."""
FORM = "nightrake trends 1"
Plain = dict[str, Any]


def span(low: float | None, mid: float | None, high: float | None) -> Plain:
    """An estimate with its interval; None = open, or not known."""
    return {"low": low, "mid": mid, "high": high}


def forecast(low: float | None = None, high: float | None = None, soon: float = 0.0, why_not: str = "") -> Plain:
    """When a stage is reached; without numbers it cannot be said."""
    if low is None:
        return {"days": None, "within": {}, "why_not": why_not or "The level does not rise."}
    mid = None if high is None else (low + high) / 2
    within = {"7": soon / 20, "30": soon, "90": min(1.0, soon * 6 + 0.01)}
    return {"days": span(low, mid, high), "within": within, "why_not": ""}


def days(count: int, level_nm: float, nm_a_month: float = 0.0, last_ms: int = NOW_MS) -> Plain:
    """A level that ends at `level_nm`, each day's median about it, one day in fifty a load event."""
    first = last_ms // DAY_MS - count
    line = [level_nm + nm_a_month * (day - count + 1) / 30.4375 for day in range(count)]
    sway = [0.016 * level_nm * (math.sin(1.7 * day) + math.sin(0.31 * day * day)) for day in range(count)]
    event = [int(day % 50 == 37) for day in range(count)]
    return {
        "utc_ms": [(first + day) * DAY_MS for day in range(count)],
        "median_nm": [round(nm + by + 0.12 * level_nm * hit, 1) for nm, by, hit in zip(line, sway, event, strict=True)],
        "line_nm": [round(nm, 1) for nm in line],
        "low_nm": [round(nm - 0.045 * level_nm, 1) for nm in line],
        "high_nm": [round(nm + 0.045 * level_nm, 1) for nm in line],
        "below_nm": [None] * count,
        "outlier": event,
    }


def side(drive: str = "PC1", **more: Any) -> Plain:
    """A side that creeps by 3 % of its shutdown of 40 kN.m a month."""
    told = {
        "drive": drive,
        "direction": "forward",
        "now_utc_ms": NOW_MS,
        "several": False,
        "name": f"Rake {drive}",
        "state": "creeping",
        "sentence": "Creeps upwards by 3.0 % of shutdown a month (2.5 to 3.5) since about 3 May 2026; the alarm point "
        "is reached in 40 to 90 days.",
        "warning": True,
        "level_nm": 23_000.0,
        "level_is_below": False,
        "slope_nm_month": span(1_000.0, 1_200.0, 1_400.0),
        "slope_percent_month": span(2.5, 3.0, 3.5),
        "upper_slope_percent_month": None,
        "since_utc_ms": NOW_MS - 200 * DAY_MS,
        "p_value": 0.0004,
        "method": "rate over all likely dates of steps and of the onset (Bayesian model averaging, AR(1) noise)",
        "alarm": forecast(40.0, 90.0, 0.04),
        "shutdown": forecast(150.0, None),
        "alarm_nm": 32_000.0,
        "shutdown_nm": 40_000.0,
        "shifts": [],
        "remarks": ["Nothing was read on 2 days of 400."],
        "outliers_utc_ms": [],
        "season": {},
        "followed": "median",
        "chance": 0.99,
        "facts": [],
        "days": days(400, 23_000.0, 1_200.0),
    }
    return told | more


def steady(drive: str = "SC1", **more: Any) -> Plain:
    """A side that does not creep, far from its alarm."""
    told = {
        "state": "steady",
        "warning": False,
        "sentence": "Steady since 27 November 2025: it changes by -0.1 to +0.2 % of shutdown a month.",
        "level_nm": 8_400.0,
        "slope_nm_month": span(-30.0, 15.0, 60.0),
        "slope_percent_month": span(-0.1, 0.05, 0.2),
        "alarm": forecast(1_400.0, None),
        "shutdown": forecast(2_400.0, None),
        "alarm_nm": 24_000.0,
        "shutdown_nm": 30_000.0,
        "p_value": 0.41,
        "remarks": [],
        "days": days(400, 8_400.0),
    }
    return side(drive, **(told | more))


def cannot_say(drive: str = "GT1", **more: Any) -> Plain:
    """A side of which only a limit is known."""
    why = "Most of the time the torque is below what can be measured."
    count = 120
    limited = days(count, 9_000.0)
    empty = {name: [None] * count for name in ("median_nm", "line_nm", "low_nm", "high_nm")}
    told = {
        "state": "cannot say",
        "warning": False,
        "sentence": "Below 9000 N.m, the preload, most of the time: no level and no slope, and nothing that rises.",
        "level_nm": 9_000.0,
        "level_is_below": True,
        "slope_nm_month": None,
        "slope_percent_month": None,
        "p_value": None,
        "alarm": forecast(why_not=why),
        "shutdown": forecast(why_not=why),
        "alarm_nm": 90_000.0,
        "shutdown_nm": 112_500.0,
        "method": "",
        "days": {**limited, **empty, "below_nm": [9_000.0] * count},
    }
    return side(drive, **(told | more))


def stepped(drive: str = "PC2", **more: Any) -> Plain:
    """A side whose level has stepped twice: a plough was replaced, and once for a reason nobody told."""
    first, second = NOW_MS - 300 * DAY_MS, NOW_MS - 90 * DAY_MS
    shifts = [
        {"utc_ms": first, "low_utc_ms": first, "high_utc_ms": first, "size_nm": span(-2_600.0, -2_100.0, -1_600.0),
         "why": "new calibration record PC2-forward-2026-01"},
        {"utc_ms": second, "low_utc_ms": second - 3 * DAY_MS, "high_utc_ms": second + DAY_MS,
         "size_nm": span(900.0, 1_300.0, 1_700.0), "why": "found"},
    ]  # fmt: skip
    told = {"shifts": shifts, "alarm_nm": 32_000.0, "shutdown_nm": 40_000.0, "level_nm": 16_000.0,
            "days": days(400, 16_000.0)}  # fmt: skip
    return steady(drive, **(told | more))


def trends(*sides: Plain, **more: Any) -> Plain:
    """The whole file; without sides one of each kind, in order of rank."""
    given = list(sides) or [side(), stepped(), steady(), cannot_say()]
    told = {"form": FORM, "now_utc_ms": NOW_MS, "took_s": 41.3, "beware": [], "report": "", "sides": given}
    return told | more


def leave(state_dir: Path, told: Plain | bytes, reports: tuple[str, ...] = ()) -> Path:
    """Put the file, and reports of these days, where the worker leaves them; returns the file."""
    folder = state_dir / "learning"
    folder.mkdir(exist_ok=True)
    file = folder / "trends.json"
    news = folder / ".trends.json.new"
    news.write_bytes(told if isinstance(told, bytes) else json.dumps(told).encode())
    news.replace(file)
    for day in reports:
        (state_dir / "reports").mkdir(exist_ok=True)
        page = f"<!doctype html><title>Creep, {day}</title><style>p{{color:#333}}</style><p>Report of {day}</p>"
        (state_dir / "reports" / f"creep-{day}.html").write_text(page, encoding="utf-8")
    return file
