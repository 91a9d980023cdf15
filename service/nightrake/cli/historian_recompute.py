"""`nightrake historian recompute`: torque of a period under another calibration record."""

from __future__ import annotations

import getpass
import textwrap
from collections.abc import Iterator, Mapping
from contextlib import closing
from datetime import UTC, date, datetime
from pathlib import Path
from typing import NamedTuple

from nightrake.cli.journal_wanted import moment_of, now_utc_ms
from nightrake.control.client import ControlClient
from nightrake.domain.site import CalibrationCurve, DriveSpec
from nightrake.errors import NightrakeError, StoreError
from nightrake.history.recompute import Change, Figures
from nightrake.history.rows import HOUR_MS
from nightrake.journal.lock import take_lock
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.recomputing import DayMade, Recomputing, Wish, apply, end_of_summaries, leave_untold
from nightrake.longterm.writing import Writing
from nightrake.settings import Settings, load
from nightrake.settings.words import nearest

SHOWN_DAYS = 10
"""Days shown one by one: those that change most."""
WAIT_S = 3600.0
"""How long a running watch may take to answer: years of a drive are read and written anew."""


class Asked(NamedTuple):
    """As typed; "" = not given."""

    drive: str
    begin: str
    end: str
    as_of: str
    direction: str
    write: bool


def run_recompute(folder: Path, overrides: Mapping[str, str | int | float], asked: Asked) -> int:
    """Show what changes, and with --write keep it; exit code 0."""
    settings = load(folder, overrides)
    with closing(Blocks(settings.store_dir)) as blocks:
        if not blocks.ready:
            raise StoreError(f"{blocks.path}: is being made or upgraded; try again when the watch has run a minute")
        if asked.drive not in settings.site.drives and end_of_summaries(blocks, asked.drive):
            raise NightrakeError(
                f"the drive '{asked.drive}' is in the history, but no longer in the settings; put its table and its "
                "calibration record back into a copy of the settings folder, and give that with --config"
            )
        spec = _drive(settings, asked.drive)
        curves = _curves(folder, overrides, settings, asked)
        for curve in curves:
            wish = _wish(settings, asked, curve, end_of_summaries(blocks, asked.drive))
            print(_about(wish))
            _show(Recomputing(blocks, _say).days(wish, spec))
            if asked.write:
                print(_write(settings, blocks, wish, spec))
    if not asked.write:
        print("Nothing was written; --write keeps it.")
    return 0


def _drive(settings: Settings, drive: str) -> DriveSpec:
    known = list(settings.site.drives)
    if drive not in known:
        hint = nearest(drive, known) or f"there are: {', '.join(known[:12])}"
        raise NightrakeError(f"there is no drive '{drive[:40]}' in the settings; {hint}")
    return settings.site.drives[drive]


def _curves(
    folder: Path, overrides: Mapping[str, str | int | float], settings: Settings, asked: Asked
) -> list[CalibrationCurve]:
    """The records to convert by, one for each direction asked for."""
    if asked.as_of:
        settings = load(folder, overrides, today=_day(asked.as_of))
    curves = _drive(settings, asked.drive).calibrations
    if asked.direction and asked.direction not in ("forward", "reverse"):
        raise NightrakeError(f"--direction '{asked.direction[:20]}': expected forward or reverse")
    found = [curve for side, curve in curves.items() if asked.direction in ("", str(side))]
    if not found:
        when = f"on {asked.as_of}" if asked.as_of else "now"
        which = f"{asked.direction} calibration record" if asked.direction else "calibration record"
        raise NightrakeError(f"{asked.drive} has no {which} in force {when}; put one into the folder calibration")
    return found


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise NightrakeError(f"--as-of '{text[:40]}': expected a day such as 2026-03-14") from None


def _wish(settings: Settings, asked: Asked, curve: CalibrationCurve, end_hour: int) -> Wish:
    """Whole hours that hold the period, as far as there are summaries."""
    from_hour = moment_of(settings, "--from", asked.begin) // HOUR_MS
    to_hour = -(-moment_of(settings, "--to", asked.end) // HOUR_MS) if asked.end else end_hour
    if asked.end and from_hour >= to_hour:
        raise NightrakeError(f"--from {asked.begin} is not before --to {asked.end}; turn them round")
    to_hour = min(to_hour, end_hour)
    if from_hour >= to_hour:
        until = f"they end at {_hour(end_hour)}" if end_hour else "there are none"
        none = f"{asked.drive} has no summaries from {_hour(from_hour)} on: {until}"
        raise NightrakeError(f"{none}; an hour is summarised when it is over")
    return Wish(asked.drive, curve, from_hour, to_hour)


def _hour(hour: int) -> str:
    return f"{datetime.fromtimestamp(hour * 3600, UTC):%Y-%m-%dT%H:%MZ}"


def _about(wish: Wish) -> str:
    curve = wish.curve
    text = (
        f"{wish.drive} {curve.direction}, {_hour(wish.from_hour)} to {_hour(wish.to_hour)}, whole hours, under record "
        f"{curve.ref} (digest {curve.digest[:12]})"
    )
    return textwrap.fill(text, 80)


COUNTED = (
    ("at or above alarm", "over_alarm"),
    ("at or above shutdown", "over_shutdown"),
    ("below the span", "below"),
    ("beyond it", "beyond"),
    ("without torque", "absent"),
)
"""Readings whose number is shown where there are any, and their name in `Figures`."""


class _Shown:
    """What changes, in all and on the days that change most."""

    def __init__(self) -> None:
        self.days = self.changed = self.from_readings = self.from_counts = 0
        self.before, self.after = dict.fromkeys(COUNTED, 0), dict.fromkeys(COUNTED, 0)
        self.most: list[tuple[float, int, Change]] = []

    def add(self, made: DayMade) -> None:
        """One day more."""
        self.days += 1
        self.from_readings += made.from_readings
        self.from_counts += made.from_counts
        for one in COUNTED:
            self.before[one] += getattr(made.change.before, one[1])
            self.after[one] += getattr(made.change.after, one[1])
        if made.change.is_any:
            self.changed += 1
            self.most.append((_weight(made.change), made.day, made.change))
            self.most = sorted(self.most, key=lambda item: -item[0])[:SHOWN_DAYS]

    def lines(self) -> Iterator[str]:
        """For people."""
        if not self.days:
            yield "There are no summaries in this time: nothing to do."
            return
        how = f"hours from readings: {self.from_readings}, from counts: {self.from_counts}"
        yield f"{self.days} days, {self.changed} of them change; {how}"
        if self.from_counts:
            yield "Hours from counts are within a bin of raw steps; their minutes stay as they are."
        for one in COUNTED:
            if self.before[one] or self.after[one]:
                yield f"  readings {one[0]:<22}{self.before[one]:>12} -> {self.after[one]}"
        if self.most:
            yield f"{'day':<12}{'mean N.m':>24}{'highest N.m':>26}"
        for _, day, (before, after) in sorted(self.most, key=lambda item: item[1]):
            yield f"{_hour(day * 24)[:10]:<12}{_pair(before, after, 'mean_nm'):>24}{_pair(before, after, 'max_nm'):>26}"


def _show(days: Iterator[DayMade]) -> None:
    shown = _Shown()
    for made in days:
        shown.add(made)
    for line in shown.lines():
        print(line)


def _weight(change: Change) -> float:
    gap = abs(change.after.max_nm - change.before.max_nm)
    return gap if gap == gap else float("inf")


def _pair(before: Figures, after: Figures, name: str) -> str:
    return " -> ".join("none" if v != v else f"{v:.0f}" for v in (getattr(before, name), getattr(after, name)))


def _write(settings: Settings, blocks: Blocks, wish: Wish, spec: DriveSpec) -> str:
    """Keep it: by ourselves, or where a watch holds the store by its worker, the one writer."""
    try:
        lock = take_lock(settings.store_dir)
    except StoreError:
        with ControlClient(settings.control.socket, timeout_s=WAIT_S) as client:
            answer = client.ask("recompute", wish=wish.text())
        if not answer["ok"]:
            raise NightrakeError(f"{answer['text']}; nothing or a part was written, ask again") from None
        return str(answer["text"])
    with closing(lock), closing(Writing(settings.store_dir, now_utc_ms())) as writing:
        days = Recomputing(blocks, _say).days(wish, spec)
        done = apply(writing.db, wish, days, now_utc_ms(), getpass.getuser())
        text = f"{done} days of {wish.drive} {wish.curve.direction} were written under record {wish.curve.ref}."
        leave_untold(writing.db, wish, getpass.getuser(), text)
    return f"{done} days were written. No watch runs: the next one puts that into the journal."


def _say(sentence: str) -> None:
    print(textwrap.fill(sentence, 80))
