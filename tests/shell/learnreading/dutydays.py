"""An hour of PC1 as its watch recorded it: a stop and a start, alarms that come and go, a jam; seconds to make."""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import apsw
import numpy as np
import numpy.typing as npt

from nightrake.domain.site import DriveSpec
from nightrake.history.period import Period
from nightrake.history.tripscans import torque_of
from nightrake.journal.reader import Reader
from nightrake.learnreading.contacts import ContactRows
from nightrake.longterm.writing import FILE
from nightrake.settings import Settings
from recordeddays import RecordedDay
from shell.longterm.test_summarising import seal_and_build
from shell.longterm.triphistories import turn

DRIVE = "PC1"
PERIOD_S = 2.0
POWER_W = 250.0
REST_MM = 8.0
OPERATES_MM = {"alarm/A": 15.4, "shutdown/A": 20.0, "shutdown/B": 20.02}
"""Where the contacts really operate: the alarm 0.4 mm later than its record says."""
DIFFERENTIAL_MM = 0.4
ALARMS = 5


@dataclass
class Hour:
    """What was made.

    Attributes:
        folder: Of the store. settings: Of the site. mm: Every position, as set. running: Whether the motor ran then.
        begin_ms, end_ms: Of it.
    """

    folder: Path
    settings: Settings
    begin_ms: int
    end_ms: int = 0
    mm: list[float] = field(default_factory=list)
    running: list[bool] = field(default_factory=list)

    @property
    def period(self) -> Period:
        """All of it."""
        return Period(self.begin_ms, self.end_ms)

    def rows(self) -> ContactRows:
        """What its journal says of contacts."""
        found, reader = ContactRows(DRIVE), Reader(self.folder / "store.db")
        try:
            after = 0
            while some := reader.rows_after(after, 5_000):
                for row in some:
                    found.take(row)
                after = some[-1].seq
        finally:
            reader.close()
        return found

    def spec(self) -> DriveSpec:
        """The drive."""
        return self.settings.site.drives[DRIVE]

    def true_nm(self) -> npt.NDArray[np.float64]:
        """What the record says of each position."""
        return torque_of(np.array(self.mm), self.spec()).torque_nm

    def trips(self) -> list[Path]:
        """Trip records, whole or open."""
        return sorted(p for p in (self.folder / "trips").iterdir() if p.is_dir() or p.suffix == ".zip")

    def without_readings(self, folder: Path) -> Hour:
        """A copy as it is when raw_days have passed: no reading, but journal, summaries and trip records."""
        shutil.copytree(self.folder, folder)
        for name, statements in ((FILE, ("delete from block", "delete from cut")), ("store.db", ("delete from tail",))):
            db = apsw.Connection(str(folder / name))
            for statement in statements:
                db.execute(statement)
            db.close()
        return Hour(folder, self.settings, self.begin_ms, self.end_ms, self.mm, self.running)


class _Acting:
    def __init__(self, day: RecordedDay, hour: Hour) -> None:
        self._day, self._hour, self._mm, self._runs = day, hour, REST_MM, True
        day.works.set(DRIVE, "power", POWER_W)

    def goes(self, seconds: float, to_mm: float | None = None) -> Iterable[None]:
        """Time passes; the arm goes to a place in a straight line."""
        begin, count = self._mm, max(1, round(seconds / PERIOD_S))
        for number in range(1, count + 1):
            if to_mm is not None:
                self._mm = begin + (to_mm - begin) * number / count
            self._put()
            yield from self._day.seconds(PERIOD_S)

    def runs(self, runs: bool) -> None:
        """The motor starts or stops."""
        self._runs = runs
        self._day.works.set(DRIVE, "running", float(runs))

    def _put(self) -> None:
        spec = self._day.works.site.drives[DRIVE]
        position = spec.position
        assert position is not None
        value = position.lo + (self._mm - position.lo_mm) / (position.hi_mm - position.lo_mm) * (
            position.hi - position.lo
        )
        self._day.works.set(DRIVE, "position", round((value - position.point.offset) / position.point.scale))
        for which, place_mm in OPERATES_MM.items():
            point = next(c for c in spec.contacts if str(c.id) == f"{DRIVE}/forward/{which}")
            held = self._day.works.values[point.point] == point.operated_bit
            self._day.works.operate(DRIVE, f"forward/{which}", self._mm >= place_mm - DIFFERENTIAL_MM * held)
        self._hour.mm.append(self._mm)
        self._hour.running.append(self._runs)


def _acts(day: RecordedDay, hour: Hour) -> Iterable[None]:
    at = _Acting(day, hour)
    yield from at.goes(720)
    at.runs(False)
    yield from at.goes(240)
    at.runs(True)
    yield from at.goes(240)
    for _ in range(ALARMS):
        yield from at.goes(200, 16.2)
        yield from at.goes(100, REST_MM)
    yield from at.goes(700)
    yield from at.goes(4, 21.0)
    at.runs(False)
    yield from at.goes(60)
    yield from at.goes(40, 2.0)


def make(folder: Path) -> Hour:
    """Record it, seal it, summarise it, and keep its trips."""
    folder.mkdir()
    day = RecordedDay(folder, period_s=PERIOD_S)
    hour = Hour(folder, day.settings, day.utc_ms)
    day.run(lambda d: _acts(d, hour))
    hour.end_ms = day.utc_ms
    seal_and_build(folder, build_each=False)
    turn(folder)
    return hour
