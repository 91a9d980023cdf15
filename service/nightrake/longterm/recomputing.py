"""Torque of a period under another calibration record: looked at first, then written month by month.

A period's record is kept beside its rows, in the same transaction: an hour that comes late, and whoever converts raw
positions of that time, use the same. A recomputation that is killed is whole for the months that are done, and can be
asked for again.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from typing import NamedTuple

import apsw

from nightrake.crashpoint import reach
from nightrake.domain.rows import canonical
from nightrake.domain.site import CalibrationCurve, DriveSpec, Stage
from nightrake.history.basis import Basis, curve_of
from nightrake.history.kept import HourBytes
from nightrake.history.recompute import Change, change_of, rebased, side_of
from nightrake.history.rows import HOUR_MS, Grain
from nightrake.history.summaries import Entry
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.hourbuilding import HourBuilder
from nightrake.longterm.sql import fetch, rollback
from nightrake.longterm.summaries import SummaryWriting
from nightrake.longterm.summaryreading import SummaryReading

MONTH_DAYS = 31
UNTOLD = "untold:"
"""How keys in ``meta`` begin under which word is left for the journal."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked for.

    Attributes:
        drive: Its id. curve: The record to convert by; its direction is the one that changes.
        from_hour, to_hour: Hours since 1970, the last not included.
    """

    drive: str
    curve: CalibrationCurve
    from_hour: int
    to_hour: int

    def text(self) -> str:
        """As one line, for the control socket and for the worker."""
        return canonical(asdict(self)).decode()


def wish_of(text: str) -> Wish:
    """What `Wish.text` wrote.

    Raises:
        ValueError: It is none.
    """
    try:
        data = json.loads(text)
        return Wish(str(data["drive"]), curve_of(data["curve"]), int(data["from_hour"]), int(data["to_hour"]))
    except (TypeError, KeyError) as error:
        raise ValueError(f"no wish to recompute: {error}") from error


class DayMade(NamedTuple):
    """One day under the new record.

    Attributes:
        day: Days since 1970. hours: The hours that the wish is about, by hour of the day. bases: New ones they name.
        from_readings, from_counts: How many hours were built from which.
        change: Of the direction.
    """

    day: int
    hours: dict[int, HourBytes]
    bases: dict[str, Basis]
    from_readings: int
    from_counts: int
    change: Change


class Recomputing:
    """Makes days anew; writes nothing.

    Args:
        blocks: The history's file, open for reading. on_damage: Told of what cannot be read.
    """

    def __init__(self, blocks: Blocks, on_damage: Callable[[str], object] = lambda sentence: None) -> None:
        self._reading = SummaryReading(blocks)
        self._builder = HourBuilder(blocks, on_damage)

    def days(self, wish: Wish, spec: DriveSpec) -> Iterator[DayMade]:
        """Every day of the period of which there are summaries, in order.

        Args:
            wish: What is asked for. spec: The drive as it is now, for its set points.

        Raises:
            StoreError: Something cannot be read.
        """
        for day in self._reading.days(wish.drive, wish.from_hour // 24, (wish.to_hour - 1) // 24 + 1):
            hours = {
                at: hour
                for at, hour in self._reading.hours(wish.drive, day).items()
                if wish.from_hour <= day * 24 + at < wish.to_hour
            }
            if hours:
                yield self._day(wish, spec, day, hours)

    def _day(self, wish: Wish, spec: DriveSpec, day: int, hours: dict[int, HourBytes]) -> DayMade:
        made: dict[int, HourBytes] = {}
        bases = dict(self._reading.bases({e.basis for hour in hours.values() for e in hour.entries}))
        new: dict[str, Basis] = {}
        from_readings = 0
        for at, hour in hours.items():
            again = self._builder.hour_of(wish.drive, day * 24 + at, [wish.curve])
            # Retention may have left a part of an hour's readings: then its counts say more.
            if again.hour["drive.readings"][0] >= hour.hour["drive.readings"][0] and again.entries:
                made[at] = HourBytes(again.minutes, again.hour, again.entries)
                new |= again.bases
                from_readings += 1
            else:
                made[at], found = rebased(hour, wish.curve, bases)
                new |= found
        set_points = (
            spec.set_point_nm(wish.curve.direction, Stage.ALARM),
            spec.set_point_nm(wish.curve.direction, Stage.SHUTDOWN),
        )
        change = change_of(_entries(hours), _entries(made), side_of(wish.curve), bases | new, set_points)
        return DayMade(day, made, new, from_readings, len(hours) - from_readings, change)


def _entries(hours: dict[int, HourBytes]) -> list[Entry]:
    return [entry for hour in hours.values() for entry in hour.entries]


def end_of_summaries(blocks: Blocks, drive: str) -> int:
    """The hour (since 1970) before which all that is sealed of a drive is summarised; 0 = nothing is."""
    span = SummaryReading(blocks).span(drive, Grain.HOUR)
    return span[1] // HOUR_MS if span else 0


def apply(db: apsw.Connection, wish: Wish, days: Iterator[DayMade], now_utc_ms: int, actor: str) -> int:
    """Write days anew, a month in each transaction; called by whoever is the one writer.

    Args:
        db: The writing connection, with no transaction open. days: From `Recomputing.days` of the same wish.
        now_utc_ms, actor: For the record.

    Returns:
        Days written.

    Raises:
        apsw.Error: The disk does not take it; months before it are done.
    """
    done, month = 0, list[DayMade]()
    begin_hour = wish.from_hour
    for made in days:
        if month and made.day - month[0].day >= MONTH_DAYS:
            _write(db, wish, month, (begin_hour, made.day * 24), now_utc_ms, actor)
            begin_hour, done, month = made.day * 24, done + len(month), []
        month.append(made)
    if month:
        _write(db, wish, month, (begin_hour, wish.to_hour), now_utc_ms, actor)
    return done + len(month)


def carry_out(db: apsw.Connection, blocks: Blocks, text: str, now_utc_ms: int, actor: str) -> str:
    """Do what `Wish.text` asks for: the worker's answer to a person who asked a running watch.

    Args:
        db: The writing connection, with no transaction open. blocks: The same file, open for reading.
        text: See `Wish.text`. now_utc_ms, actor: For the record.

    Returns:
        A sentence that says what was done.

    Raises:
        ValueError: The text is no wish. StoreError, apsw.Error: Something cannot be read or written.
    """
    wish = wish_of(text)
    # Set points are for what is shown only, and that was shown already.
    done = apply(db, wish, Recomputing(blocks).days(wish, DriveSpec(wish.drive, wish.drive)), now_utc_ms, actor)
    return f"{done} days of {wish.drive} {wish.curve.direction} were written under record {wish.curve.ref}."


def _write(
    db: apsw.Connection, wish: Wish, month: list[DayMade], hours: tuple[int, int], now_utc_ms: int, actor: str
) -> None:
    writing = SummaryWriting(db)
    db.execute("begin immediate")
    try:
        values = (wish.drive, str(wish.curve.direction), hours[0] * HOUR_MS, hours[1] * HOUR_MS)
        curve = canonical(asdict(wish.curve)).decode()
        fetch(
            db,
            "insert into recalibration(drive, direction, from_utc_ms, to_utc_ms, curve, utc_ms, actor)"
            " values(?, ?, ?, ?, ?, ?, ?)",
            (*values, curve, now_utc_ms, actor),
        )
        for made in month:
            writing.put_hours(wish.drive, made.day, made.hours, made.bases)
        reach("mid-recompute")
        db.execute("commit")
    except BaseException:
        rollback(db)
        raise
    reach("after-recompute")


# --- what was done while no watch ran: the next one journals it -------------------------------------------------------


def leave_untold(db: apsw.Connection, wish: Wish, actor: str, text: str) -> None:
    """Leave word of a recomputation for the journal, which only a watch writes.

    Args:
        db: The writing connection, with no transaction open. actor: Who did it. text: What was done, a sentence.

    Raises:
        apsw.Error: The disk does not take it.
    """
    left = untold(db)
    number = int(left[-1][0].removeprefix(UNTOLD)) + 1 if left else 1
    value = json.dumps({"recompute": wish.text(), "actor": actor, "text": text})
    db.execute("insert or replace into meta values(?, ?)", (f"{UNTOLD}{number:06d}", value))


def untold(db: apsw.Connection) -> list[tuple[str, dict[str, str]]]:
    """What is left for the journal, in order: (its key, ``recompute``, ``actor`` and ``text``)."""
    found = fetch(db, "select key, value from meta where key glob ? order by key", (f"{UNTOLD}*",))
    return [(str(key), {str(k): str(v) for k, v in json.loads(value).items()}) for key, value in found]


def told(db: apsw.Connection, key: str) -> None:
    """It was handed on."""
    db.execute("delete from meta where key = ?", (key,))
