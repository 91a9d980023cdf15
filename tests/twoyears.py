"""Two simulated years of Fennmark in a store of its own: python tests/twoyears.py FOLDER [LAST-DAY]

Days go into history.db as summaries, as the history worker keeps them; around each event the watch's own engine records
scans and journal, which are sealed and made into trip records by the worker's own code.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Callable, Iterable, Sequence
from contextlib import redirect_stdout
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np

from clocks import ManualClock
from nightrake.domain.inputs import Command
from nightrake.domain.site import Direction
from nightrake.history.basis import Basis, basis_of
from nightrake.history.kept import HourBytes
from nightrake.history.rows import DAY_MS, HOUR_MS
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.summaries import SummaryWriting
from nightrake.longterm.summaryreading import SummaryReading
from nightrake.longterm.writing import Writing
from nightrake.settings import Settings, load
from recordeddays import BEGIN_NS, CONFIG, RecordedDay
from shell.longterm.test_summarising import seal_and_build
from shell.longterm.triphistories import turn
from twoyearloads import (
    CHECKED,
    CLEANED,
    DAYS,
    FAULT,
    JAMMED,
    LOADED_UP,
    RECORD,
    SPRINGS,
    STORIES,
    levels,
    runs,
    torques,
)
from twoyearrows import Arm, hours_of

MINUTE_DAYS = 90
"""Minutes are made for so many days only; a history keeps them for two years, which here would cost a minute."""
NEWER = 1.06
"""What SCR1's second record says, over what its first one does."""
STEPS: tuple[tuple[str, dict[str, str]], ...] = (
    ("zero_energy_reported", {}),
    ("cause", {}),
    ("cleared", {}),
    ("contacts_proved", {}),
    ("area_clear", {}),
    ("lock_removed", {}),
)
COARSE_S, FINE_S = 4.0, 0.5
"""Between two scans, far from the trip and near it."""


class Events:
    """What happened, recorded by the engine.

    Args:
        folder: Of the store. settings: Of the site. first_day: Days since 1970.
    """

    def __init__(self, folder: Path, settings: Settings, first_day: int) -> None:
        self._later = settings
        self._day = RecordedDay(folder, before_record(settings), period_s=COARSE_S)
        self._folder, self._first = folder, first_day
        self.arms = {drive: Arm(spec) for drive, spec in settings.site.drives.items()}
        self.levels = {drive: levels(drive, first_day) for drive in STORIES}
        self._day.clock = ManualClock(BEGIN_NS, first_day * DAY_MS)
        self._chance = np.random.default_rng(11)
        self._now_nm: dict[str, float] = {}
        self._stuck: set[str] = set()

    def at(self, day: int, hour: int, act: Callable[[Events], Iterable[None]]) -> None:
        """A run of the service from an hour of a day on, sealed and kept afterwards."""
        clock = self._day.clock
        clock.advance((((self._first + day) * 24 + hour) * HOUR_MS - clock.utc_ms()) / 1000)
        self._now_nm = {drive: float(np.nan_to_num(level[day], nan=1_000.0)) for drive, level in self.levels.items()}
        self._day.run(lambda _: act(self))
        seal_and_build(self._folder, build_each=False)
        turn(self._folder)

    # --- what happens -------------------------------------------------------------------------------------------------

    def goes(self, seconds: float, period_s: float = COARSE_S, **to_nm: float) -> Iterable[None]:
        """Time passes; the named drives' torque goes in a straight line to a value."""
        self._day.period_s = period_s
        count = max(1, round(seconds / period_s))
        begin = dict(self._now_nm)
        for number in range(1, count + 1):
            self._now_nm |= {d: begin[d] + (nm - begin[d]) * number / count for d, nm in to_nm.items()}
            for drive, nm in self._now_nm.items():
                noise = float(self._chance.normal(0.0, 0.002 * STORIES[drive].shutdown_nm))
                self._put(drive, max(0.0, nm + noise))
            yield from self._day.seconds(period_s)

    def _put(self, drive: str, torque_nm: float) -> None:
        spec = self.arms[drive].spec
        self._day.works.set(drive, "position", self.arms[drive].raw(torque_nm))
        for contact in spec.contacts:
            if contact.id.direction is not Direction.FORWARD or str(contact.id) in self._stuck:
                continue
            set_nm = spec.set_point_nm(Direction.FORWARD, contact.id.stage)
            held = self._day.works.values[contact.point] == contact.operated_bit
            if torque_nm >= set_nm or (held and torque_nm < 0.97 * set_nm):
                tail = f"{contact.id.direction}/{contact.id.stage}/{contact.id.channel}"
                self._day.works.operate(drive, tail, torque_nm >= set_nm)

    def stops(self, drive: str) -> None:
        """The hard wiring stops the motor."""
        self._day.works.set(drive, "running", 0)

    def reloads(self) -> None:
        """The settings with SCR1's new record are taken."""
        self._day.reload(self._later)

    def starts(self, drive: str) -> None:
        """Somebody starts it again."""
        self._day.works.set(drive, "running", 1)

    def contact(self, drive: str, which: str, operated: bool) -> None:
        """A contact goes without torque."""
        (self._stuck.add if operated else self._stuck.discard)(f"{drive}/{which}")
        self._day.works.operate(drive, which, operated)

    def asks(self, person: str, role: str, verb: str, drive: str, arg: str = "", **args: object) -> tuple[bool, str]:
        """A person commands."""
        now = self._day.clock.mono_ns(), self._day.clock.utc_ms()
        return self._day.submit(Command(*now, verb, drive, "", person, role, "signature", arg, "r1", args))

    def released(self, drive: str, cause: str, remark: str) -> Iterable[None]:
        """People go through a lockout to its release."""
        for verb, said in (("isolation_reported", {"lock_number": "7"}), *STEPS):
            given = {"cause": cause, "remark": remark} if verb == "cause" else said
            ok, text = self.asks("fitter1", "maintenance", verb, drive, **given)
            assert ok, text
        yield from self.goes(70.0)
        self.asks("super1", "supervisor", "release", drive)
        ok, text = self.asks("day1", "supervisor", "release", drive)
        assert ok, text
        yield from self.goes(20.0)


# --- the events -------------------------------------------------------------------------------------------------------


def check_contacts(e: Events) -> Iterable[None]:
    """A function check of PC1 with torque put on by hand, the motor standing for most of it."""
    yield from e.goes(60)
    e.asks("fitter1", "maintenance", "test", "PC1", "1200")
    yield from e.goes(120, PC1=33_000.0)
    yield from e.goes(240, PC1=17_500.0)
    e.asks("fitter1", "maintenance", "test_end", "PC1")
    yield from e.goes(60)


def creep_to_the_alarm(e: Events) -> Iterable[None]:
    """GT1 has crept up for months; this morning its alarm contact operates. It is taken out by hand and cleaned."""
    yield from e.goes(85 * 60, GT1=88_600.0)
    yield from e.goes(20 * 60, COARSE_S, GT1=90_700.0)
    yield from e.goes(10 * 60, COARSE_S, GT1=89_000.0)
    e.stops("GT1")
    yield from e.goes(120, GT1=4_000.0)
    yield from e.released("GT1", "heavy sludge", "thickened bed dug out, feed well cleared")
    e.starts("GT1")
    yield from e.goes(120, GT1=60_000.0)


def new_record(e: Events) -> Iterable[None]:
    """SCR1's calibration was made anew; the watch takes the record."""
    yield from e.goes(60)
    e.reloads()
    yield from e.goes(60)


def springs_replaced(e: Events) -> Iterable[None]:
    """SC2 is taken out for new springs."""
    yield from e.goes(60)
    e.stops("SC2")
    yield from e.goes(60, SC2=0.0)
    yield from e.released("SC2", "springs replaced", "both springs of the overload device were replaced")
    e.starts("SC2")
    yield from e.goes(60, SC2=8_900.0)


def load_up(e: Events) -> Iterable[None]:
    """Grit after rain: PC2 climbs for fifty minutes, alarm and then shutdown."""
    yield from e.goes(65 * 60)
    yield from e.goes(50 * 60, COARSE_S, PC2=39_400.0)
    yield from e.goes(2 * 60, FINE_S, PC2=40_300.0)
    e.stops("PC2")
    yield from e.goes(120, PC2=12_000.0)
    yield from e.released("PC2", "heavy sludge", "grit after rain")
    e.starts("PC2")
    yield from e.goes(60, PC2=19_000.0)


def jam(e: Events) -> Iterable[None]:
    """A plank under an arm of SC2: shutdown within seconds."""
    yield from e.goes(62 * 60)
    yield from e.goes(30, FINE_S)
    yield from e.goes(7, FINE_S, SC2=23_200.0)
    e.stops("SC2")
    yield from e.goes(20, FINE_S, SC2=21_000.0)
    yield from e.goes(120, SC2=2_000.0)
    yield from e.released("SC2", "foreign object", "a plank under the left arm")
    e.starts("SC2")
    yield from e.goes(60, SC2=8_900.0)


def contact_fault(e: Events) -> Iterable[None]:
    """Water in PC1's junction box: a shutdown contact opens, and there is no torque to speak of."""
    yield from e.goes(65 * 60)
    e.contact("PC1", "forward/shutdown/B", True)
    yield from e.goes(4, FINE_S)
    e.stops("PC1")
    yield from e.goes(120, PC1=6_000.0)
    e.contact("PC1", "forward/shutdown/B", False)
    yield from e.goes(30)
    yield from e.released("PC1", "contact or wiring fault", "water in the junction box")
    e.starts("PC1")
    yield from e.goes(60, PC1=17_500.0)
    yield from e.goes(11 * 60)  # until its record is whole


EVENTS: Sequence[tuple[int, int, Callable[[Events], Iterable[None]]]] = (
    (CHECKED, 9, check_contacts),
    (CLEANED, 6, creep_to_the_alarm),
    (SPRINGS, 8, springs_replaced),
    (RECORD, 4, new_record),
    (LOADED_UP, 10, load_up),
    (JAMMED, 12, jam),
    (FAULT, 13, contact_fault),
)


# --- the days ---------------------------------------------------------------------------------------------------------


def before_record(settings: Settings) -> Settings:
    """The settings with SCR1's older record, under a digest of their own."""
    spec = settings.site.drives["SCR1"]
    curve = spec.calibrations[Direction.FORWARD]
    older = replace(
        curve,
        ref="SCR1-forward-2024-02-05",
        digest="5c" * 32,
        torque_nm=tuple(nm / NEWER for nm in curve.torque_nm),
        coefficients=tuple(c / NEWER for c in curve.coefficients),
    )
    digest = "0" * 63 + "1"
    drives = {**settings.site.drives, "SCR1": replace(spec, calibrations={Direction.FORWARD: older})}
    return replace(settings, site=replace(settings.site, drives=drives, digest=digest), digest=digest, content="{}")


def bases_of(settings: Settings) -> dict[str, tuple[tuple[str, Basis], tuple[str, Basis]]]:
    """Each drive's basis, with its digest, in the beginning and after SCR1's new record."""
    found = {}
    for drive, spec in settings.site.drives.items():
        first, later = basis_of(before_record(settings).site.drives[drive]), basis_of(spec)
        assert first is not None
        assert later is not None
        found[drive] = ((first.digest, first), (later.digest, later))
    return found


def write_days(
    folder: Path, events: Events, first_day: int, drives: Iterable[str], hours: Iterable[int], minute_days: int
) -> None:
    """Every day's summary; hours that were built from scans stay."""
    blocks = Blocks(folder)
    built, wanted = SummaryReading(blocks), sorted(hours)
    writing = Writing(folder, first_day * DAY_MS)
    summaries = SummaryWriting(writing.db)
    bases = bases_of(load(CONFIG))
    try:
        for drive in drives:
            chance = np.random.default_rng([3, *drive.encode()])
            known = set(built.days(drive, first_day, first_day + DAYS))
            writing.db.execute("begin immediate")
            for number, level_nm in enumerate(events.levels[drive].tolist()):
                day = first_day + number
                torque_nm = torques(drive, level_nm if level_nm == level_nm else 0.0, chance)
                if level_nm != level_nm:
                    continue
                named = bases[drive][number >= RECORD]
                minutes = number >= DAYS - minute_days
                made = hours_of(events.arms[drive], named, torque_nm, runs(drive, day), wanted, minutes=minutes)
                held = built.hours(drive, day) if day in known else {}
                summaries.put_day(drive, day, made | held, dict([named]) | _bases(built, held))
            writing.db.execute("commit")
    finally:
        writing.close()
        blocks.close()


def _bases(built: SummaryReading, held: dict[int, HourBytes]) -> dict[str, Basis]:
    return built.bases({entry.basis for hour in held.values() for entry in hour.entries})


def make(
    folder: Path,
    last_day: int,
    *,
    drives: Iterable[str] = tuple(STORIES),
    hours: Iterable[int] = range(24),
    minute_days: int = MINUTE_DAYS,
    happened: Sequence[tuple[int, int, Callable[[Events], Iterable[None]]]] = EVENTS,
) -> None:
    """Two years up to the end of a day.

    Args:
        folder: Of the store; made. last_day: Days since 1970. drives: Those that get summaries. hours: Of each day, for
            a store that is quickly made. minute_days: See `MINUTE_DAYS`. happened: So many of `EVENTS`, at least one.
    """
    folder.mkdir(parents=True, exist_ok=True)
    first_day = last_day - DAYS + 1
    events = Events(folder, load(CONFIG), first_day)
    for day, hour, act in happened:
        events.at(day, hour, act)
    write_days(folder, events, first_day, drives, hours, minute_days)


def main(words: Sequence[str]) -> int:
    """The script."""
    if not words:
        print(__doc__)
        return 2
    last = date.fromisoformat(words[1]) if len(words) > 1 else datetime.now(UTC).date() - timedelta(days=1)
    with redirect_stdout(io.StringIO()):  # the engine's log lines
        make(Path(words[0]), (last - date(1970, 1, 1)).days)
    print(f"Two years up to {last} are in {words[0]}: nightrake trend --set store.dir={words[0]}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
