"""The learning worker as the watch sees it: started once a day, heard, told to nobody's harm when it fails.

    history.db --> worker --> trends.json, once a week a report --> here: notices, a row that announces the report

It looks for creep in what history keeps, which costs a minute or two of one processor at the lowest priority, and ends.
Nothing here touches scans or alarms that call somebody: what it finds is a notice for the daytime.
"""

from __future__ import annotations

import asyncio
import json
import math
import os
import sys
from collections.abc import Callable, Collection, Mapping
from typing import Any, NamedTuple

from nightrake.alarms.book import shown
from nightrake.alarms.life import Life
from nightrake.alarms.zones import DAY_S, Zone, day_of, instant, weekday
from nightrake.clock import Clock
from nightrake.domain.cleantext import clean
from nightrake.domain.rows import Entry
from nightrake.domain.state import SiteState
from nightrake.forwardprocess import LONGEST_LINE, end, hear
from nightrake.journal.store import Store
from nightrake.keeping import ONE_THREAD
from nightrake.loglibrary import structlog
from nightrake.settings import Settings
from nightrake.settings.duty import seconds_of_day
from nightrake.settings.people import DAY_NAMES

log = structlog.get_logger("nightrake.learning")

MODULE = "nightrake.workers.learning"
CURSOR, REPORT_CURSOR = "learning", "learning_report"
"""When the trends, and the report, were last made: UTC s, as text."""
KIND = "creep_forecast"
NOTICE = f"notice:{KIND}"
FIRST_S = 600.0
"""Nothing was ever looked at: so long after the start, when the watch has found its feet."""
RETRY_S = 3600.0
"""After a worker that has failed."""
LOOK_S = 20.0
"""How often is looked whether it is due: the clock may be set meanwhile."""
SILENT_S = 300.0
ENOUGH = 1.2
"""A notice ends when the alarm point is farther away than notice_days by this factor: not from day to day."""
LONGEST_TOLD = 300
MOST_FIRST = 5
"""Drives that the row about a report names."""

Side = tuple[str, str]
"""Drive, direction."""


def standing_in(state: SiteState) -> list[Side]:
    """Sides of which a notice stands."""
    return [
        (alarm.key.drive, alarm.key.direction)
        for alarm in shown(state.alarms.book)
        if alarm.key.kind == KIND and alarm.state.life is not Life.NORMAL
    ]


class Started(NamedTuple):
    """What the watch was started with: the settings folder, and settings replaced by the command line."""

    folder: str
    overrides: Mapping[str, str | int | float]


class Wanted(NamedTuple):
    """What is due: the trends, and the report with them."""

    trends: bool
    report: bool


def due(zone: Zone, at_s: int, report_day: int | None, now_s: int, last_s: int, reported_s: int) -> Wanted:
    """What is due at a moment. Pure.

    Args:
        zone: Of the site. at_s: Time of day, seconds from midnight. report_day: Monday = 0; None = no reports.
        now_s: UTC seconds. last_s, reported_s: When each was last made, UTC seconds; 0 = never.
    """
    today = day_of(zone, now_s)
    newest = max(at for day in (today - 1, today) if (at := instant(zone, day, at_s)) <= now_s)
    trends = last_s < newest or last_s > now_s + DAY_S  # made in a future that was none
    if report_day is None:
        return Wanted(trends, False)
    day = today - (weekday(today) - report_day) % 7
    begins = instant(zone, day, at_s)
    if begins > now_s:
        begins = instant(zone, day - 7, at_s)
    return Wanted(trends, bool(reported_s) and (reported_s < begins or reported_s > now_s + DAY_S))


class Learning:
    """Has the worker look once a day, until cancelled; never while the settings say so.

    Args:
        settings: See `[learning]`. given: Where the worker finds them. store: Keeps when. clock: The machine's.
        standing: Gives the sides whose notice stands. link_of: Gives, for the name of a notice, what is called on each
            change: (up, detail). note: Takes what goes into the journal.
    """

    def __init__(
        self,
        settings: Settings,
        given: Started,
        store: Store,
        clock: Clock,
        standing: Callable[[], Collection[Side]],
        link_of: Callable[[str], Callable[[bool, str], None]],
        note: Callable[[Entry], object],
    ) -> None:
        self._settings, self._given, self._store, self._clock = settings, given, store, clock
        self._standing, self._link_of, self._note = standing, link_of, note
        self._again = asyncio.Event()
        self._begin_ns = clock.mono_ns()
        self._failed_ns = 0
        self._why = ""
        self._step = ""
        self._said: dict[str, Any] = {}
        self._starts = 0
        self._asked: list[asyncio.Future[dict[str, Any]]] = []

    @property
    def _enabled(self) -> bool:
        return self._settings.learning.enabled and self._settings.history.enabled

    def settings_changed(self, settings: Settings) -> None:
        """Go on with other settings; a worker that is at work ends its work first."""
        self._settings = settings
        self._again.set()

    async def look_now(self) -> dict[str, Any]:
        """Have it look at once, report included, whenever it looked last.

        Returns:
            ``ok``, and a sentence in ``text``.
        """
        if not self._enabled:
            text = "learning is switched off, or history is: see learning.enabled and history.enabled"
            return {"ok": False, "text": text}
        answer: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        self._asked.append(answer)
        self._again.set()
        return await answer

    def status(self) -> dict[str, Any]:
        """How it goes, as plain values."""
        return {
            "enabled": self._enabled,
            "step": self._step,
            "detail": self._why,
            "last_utc_ms": self._last(CURSOR) * 1000,
            "report_utc_ms": self._last(REPORT_CURSOR) * 1000,
            "sides": self._said.get("sides", 0),
            "took_s": self._said.get("took_s", 0.0),
            "standing": len(self._standing()),
            "starts": self._starts,
        }

    def _last(self, cursor: str) -> int:
        kept = self._store.get_cursor(cursor)
        return int(kept[2]) if kept is not None and kept[2].isascii() and kept[2].isdigit() else 0

    def _keep(self, cursor: str, utc_ms: int) -> None:
        self._store.set_cursor(cursor, self._store.epoch, 0, str(utc_ms // 1000))

    async def run(self) -> None:
        """See the class."""
        while True:
            self._again.clear()
            wanted, asked, self._asked = self._wanted(), self._asked, []
            if not self._enabled:
                self._end_all("learning is switched off")
            elif any(wanted):
                await self._one_life(report=wanted.report)
            for answer in asked:
                if not answer.done():
                    answer.set_result(self._answer())
            try:
                async with asyncio.timeout(LOOK_S):
                    await self._again.wait()
            except TimeoutError:
                continue

    def _answer(self) -> dict[str, Any]:
        if self._why or not self._enabled:
            return {"ok": False, "text": self._why or "learning was switched off meanwhile"}
        report = self._said.get("report")
        file = clean(str(report.get("file", "")), 200) if isinstance(report, dict) else ""
        text = f"judged {self._said.get('sides', 0)} in {self._said.get('took_s', 0.0)} s"
        return {"ok": True, "text": text + (f"; the report is reports/{file} beside the store" if file else "")}

    def _wanted(self) -> Wanted:
        learning, now_ns, now_s = self._settings.learning, self._clock.mono_ns(), self._clock.utc_ms() // 1000
        report_day = DAY_NAMES.index(learning.report_day) if learning.report_day else None
        if self._asked:
            return Wanted(True, True)
        if self._failed_ns and now_ns - self._failed_ns < RETRY_S * 1e9:
            return Wanted(False, False)
        last_s, reported_s = self._last(CURSOR), self._last(REPORT_CURSOR)
        if not last_s and now_ns - self._begin_ns < FIRST_S * 1e9:
            return Wanted(False, False)
        if self._enabled and not reported_s:
            self._keep(REPORT_CURSOR, now_s * 1000)  # the first one is of the next such day
        return due(self._settings.duty.rota.zone, seconds_of_day(learning.at), report_day, now_s, last_s, reported_s)

    async def _one_life(self, *, report: bool) -> None:
        """One worker, to its end."""
        process, self._step, said = None, "begins", dict[str, Any]()
        begin_utc_ms = self._clock.utc_ms()
        why = "it has ended"
        try:
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-P", "-m", MODULE),
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.DEVNULL,
                limit=LONGEST_LINE,
                env=os.environ | ONE_THREAD,
            )
            self._starts += 1
            job = json.dumps(self._job(begin_utc_ms, report=report)).encode() + b"\n"
            why = await hear(process, job, lambda line: self._take(line, said), SILENT_S)
        except TimeoutError:
            why = f"it said nothing for {SILENT_S:g} s"
        except OSError as error:
            why = f"it could not be started, or has ended ({error.strerror or error})"
        except ValueError:
            why = "it said what nobody understands"
        finally:
            self._step = ""
            if process is not None:
                await end(process)
        self._finish(clean(why, LONGEST_TOLD), said, begin_utc_ms, report=report)

    def _finish(self, why: str, said: dict[str, Any], utc_ms: int, *, report: bool) -> None:
        if why:
            if why != self._why:
                log.warning("learning_failed", why=why, again_in_s=RETRY_S)
            self._why, self._failed_ns = why, self._clock.mono_ns()
            return
        self._why, self._failed_ns, self._said = "", 0, said
        self._keep(CURSOR, utc_ms)
        if report:
            self._keep(REPORT_CURSOR, utc_ms)
            self._note(_announced(said.get("report")))

    def _job(self, now_utc_ms: int, *, report: bool) -> dict[str, Any]:
        return {
            "config_dir": self._given.folder,
            "overrides": dict(self._given.overrides),
            "now_utc_ms": now_utc_ms,
            "report": report,
            "reports_kept": self._settings.learning.reports_kept,
        }

    def _take(self, line: dict[str, Any], said: dict[str, Any]) -> bool:
        """What the worker says; whether that was the last of it. It is another process: nothing is believed blindly."""
        if isinstance(line.get("step"), str):
            self._step = clean(line["step"], 80)
        if isinstance(line.get("side"), dict):
            self._tell(line["side"])
        if isinstance(line.get("report"), dict):
            said["report"] = line["report"]
        said |= {key: line[key] for key in ("sides", "took_s") if isinstance(line.get(key), (int, float))}
        return line.get("done") is True

    # --- notices ---

    def _tell(self, side: dict[str, Any]) -> None:
        """Begin or end the notice of one side."""
        drive, direction, days = str(side.get("drive")), str(side.get("direction")), side.get("days")
        spec = self._settings.site.drives.get(drive)
        if spec is None or direction not in map(str, spec.directions):
            return
        soon = self._settings.learning.notice_days
        days = float(days) if isinstance(days, (int, float)) and not isinstance(days, bool) else math.inf
        stands = (drive, direction) in self._standing()
        if soon and days <= soon:
            self._link_of(f"{NOTICE}:{drive}:{direction}")(False, clean(str(side.get("sentence", "")), LONGEST_TOLD))
        elif stands and (not soon or not days <= ENOUGH * soon):
            self._link_of(f"{NOTICE}:{drive}:{direction}")(True, "")

    def _end_all(self, why: str) -> None:
        for drive, direction in self._standing():
            self._link_of(f"{NOTICE}:{drive}:{direction}")(True, why)


def _announced(report: object) -> Entry:
    """The row that a report was written."""
    said = report if isinstance(report, dict) else {}
    first = said.get("first")
    lines = [clean(str(v), LONGEST_TOLD) for v in first[:MOST_FIRST]] if isinstance(first, list) else []
    data = {"file": clean(str(said.get("file", "")), 200), "first": lines}
    for key in ("sides", "creeping"):
        if type(said.get(key)) is int:
            data[key] = said[key]
    return Entry("learning", "report_written", "", "", data)
