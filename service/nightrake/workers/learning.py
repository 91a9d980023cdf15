"""The process that looks for torque creep, once a day: history -> verdicts of every drive, once a week a report.

    python -m nightrake.workers.learning        its job comes as the first line of standard input

    learning/trends.json    the ranking, for the page and whoever else wants it
    learning/steps.json     steps that the drives have shown, for the next judging (`learnreading.sitesteps`)
    reports/creep-DAY.html  the weekly report

All are written whole or not at all, so it may be killed anywhere. It reads only, at the lowest priority.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import sys
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from nightrake.alarms.zones import wall_text
from nightrake.errors import NightrakeError
from nightrake.history.period import Period
from nightrake.learning.trend import Trend
from nightrake.learnreading.judging import NothingYet
from nightrake.learnreading.site import Asked
from nightrake.learnreading.sitesteps import FILE as STEPS
from nightrake.learnreading.sitesteps import kept, kept_json
from nightrake.learntold.files import trend_json
from nightrake.learntold.site import SideTold, SiteTold, options_of
from nightrake.longterm.writing import FILE as HISTORY
from nightrake.settings import Settings, load
from nightrake.workers.line import Line, be_last

FORM = "nightrake trends 1"
FOLDER, REPORTS = "learning", "reports"
JOB_S = 30.0
LOOK_BACK_DAYS = 1100
"""Three years: what came before says nothing about now."""
POINTS, ALL_POINTS, LEAST_POINTS = 800, 400_000, 100
"""Days of a side in the file at most, and of all sides together: of a large site fewer each; thinned evenly."""
FIRST = 5
"""Drives whose sentences are said to the watch for the announcement."""
_REPORT = re.compile(r"creep-[0-9]{4}-[0-9]{2}-[0-9]{2}\.html")


@dataclass(frozen=True)
class Job:
    """What the watch asks for.

    Attributes:
        config_dir: The settings folder. overrides: Settings replaced by the command line.
        now_utc_ms: The moment to judge at. report: Whether the report is wanted. reports_kept: So many stay.
    """

    config_dir: str
    now_utc_ms: int
    overrides: dict[str, str | int | float] = field(default_factory=dict)
    report: bool = False
    reports_kept: int = 53


def main() -> None:
    """Do one job, say how it went, and end when the watch closes the line."""
    be_last()
    line = Line()
    given = line.ask(JOB_S)
    if not given:
        sys.exit(0)
    try:
        _work(Job(**given), line)
        line.say(done=True)
    except NothingYet:
        line.say(sides=0, took_s=0.0, done=True)
    except (NightrakeError, OSError, MemoryError) as error:
        line.say(error=_words(error))
    line.ask(JOB_S)  # the watch closes the line, which ends this process


def _words(error: BaseException) -> str:
    if isinstance(error, MemoryError):
        return "there was not enough memory"
    if isinstance(error, OSError):
        return f"{error.filename or 'a file'}: cannot be written ({error.strerror or error})"
    return str(error).splitlines()[0] if str(error) else type(error).__name__


def _work(job: Job, line: Line) -> None:
    began_s = time.monotonic()
    settings = load(Path(job.config_dir), job.overrides)
    drives = [spec for spec in settings.site.drives.values() if spec.position is not None]
    if not drives or not (settings.store_dir / HISTORY).exists():  # there is nothing to judge, or nothing yet
        line.say(sides=0, took_s=0.0)
        return
    period = Period(job.now_utc_ms - LOOK_BACK_DAYS * 86_400_000, job.now_utc_ms)
    before = kept(settings.store_dir)
    asked = Asked(settings.store_dir, period, job.now_utc_ms, options_of(settings), before.found)
    site = SiteTold(settings, asked, drives, beside=job.report)
    site.beware += [before.lacking] if before.lacking else []
    rows = site.ranking(lambda n, of: line.say(step=f"judging {n} of {of} drives"))
    name = ""
    if job.report:
        name = _report(job, settings, site, rows, line)
    took_s = round(time.monotonic() - began_s, 1)
    folder = settings.store_dir / FOLDER
    _write(folder / "trends.json", _file(job, site, rows, took_s, name or newest_report(settings.store_dir)))
    _write(settings.store_dir / STEPS, kept_json((told.row.trend for told in rows), before, settings.site.drives))
    for told in rows:
        line.say(side=_notice(told.row.trend))
    if name:
        line.say(report=_announced(name, rows))
    line.say(sides=len(rows), took_s=took_s)


def _notice(trend: Trend) -> dict[str, Any]:
    """What the watch judges a notice by: only a drive that creeps has one."""
    days = trend.alarm.days
    soon = trend.warning and days is not None and np.isfinite(days.mid)
    return {
        "drive": trend.drive,
        "direction": trend.direction,
        "days": round(float(days.mid), 1) if soon and days is not None else None,
        "sentence": trend.sentence,
    }


def _announced(name: str, rows: list[SideTold]) -> dict[str, Any]:
    creeping = [told.row.trend for told in rows if told.row.trend.warning]
    return {
        "file": name,
        "sides": len(rows),
        "creeping": len(creeping),
        "first": [f"{told.row.who}: {told.row.trend.sentence}" for told in rows[:FIRST]],
    }


# --- files ------------------------------------------------------------------------------------------------------------


def _file(job: Job, site: SiteTold, rows: list[SideTold], took_s: float, report: str) -> bytes:
    points = max(LEAST_POINTS, min(POINTS, ALL_POINTS // max(1, len(rows))))
    sides = [
        {
            **trend_json(told.row.trend, told.name, told.points_nm, ()),
            "who": told.row.who,
            "several": told.row.several,
            "days": _days(told.row.trend, points),
        }
        for told in rows
    ]
    whole = {
        "form": FORM,
        "now_utc_ms": job.now_utc_ms,
        "took_s": took_s,
        "beware": site.beware,
        "report": report,
        "sides": sides,
    }
    return json.dumps(whole, separators=(",", ":"), allow_nan=False).encode()


def _days(trend: Trend, points: int) -> dict[str, list[float | int | None]]:
    """What a picture needs, thinned."""
    fitted = trend.fitted
    at = np.unique(np.linspace(0, len(fitted.utc_ms) - 1, min(points, len(fitted.utc_ms))).astype(int))
    if not len(fitted.utc_ms):
        at = np.empty(0, np.int64)
    curves = {"median_nm": fitted.adjusted_nm, "line_nm": fitted.line_nm, "low_nm": fitted.low_nm}
    curves["high_nm"] = fitted.high_nm
    found: dict[str, list[float | int | None]] = {"utc_ms": fitted.utc_ms[at].tolist()}
    for name, curve in curves.items():
        found[name] = [round(v, 1) if np.isfinite(v) else None for v in curve[at].tolist()]
    if trend.level_is_below and np.isfinite(trend.level_nm):
        found["below_nm"] = [round(trend.level_nm, 1)] * len(at)
    return found | {"outlier": fitted.is_outlier[at].astype(int).tolist()}


def _report(job: Job, settings: Settings, site: SiteTold, rows: list[SideTold], line: Line) -> str:
    zone = site.zone(job.now_utc_ms)
    day = wall_text(zone, job.now_utc_ms // 1000)[:10]
    begin = datetime.fromtimestamp(job.now_utc_ms / 1000 - LOOK_BACK_DAYS * 86_400, UTC).date()
    text = site.page(
        rows, f"{begin} to {day} ({zone.name})", lambda n, of: line.say(step=f"drawing {n} of {of} drives")
    )
    folder = settings.store_dir / REPORTS
    name = f"creep-{day}.html"
    _write(folder / name, text.encode())
    for old in _reports(settings.store_dir)[: -job.reports_kept]:
        with contextlib.suppress(OSError):
            (folder / old).unlink()
    return name


def _reports(state_dir: Path) -> list[str]:
    """Names of the reports kept, the oldest first."""
    try:
        return sorted(p.name for p in (state_dir / REPORTS).iterdir() if _REPORT.fullmatch(p.name))
    except OSError:
        return []


def newest_report(state_dir: Path) -> str:
    """Its name; "" = there is none."""
    return (_reports(state_dir) or [""])[-1]


def _write(path: Path, data: bytes) -> None:
    """Whole or not at all; what a killed process has begun is written over by the next."""
    path.parent.mkdir(mode=0o750, exist_ok=True)
    news = path.with_name(f".{path.name}.new")
    with news.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    news.replace(path)


if __name__ == "__main__":
    main()
