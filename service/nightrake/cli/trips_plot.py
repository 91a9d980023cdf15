"""`nightrake trips plot`: a record as a page or a picture."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from nightrake.alarms.told import fact_of, stamp
from nightrake.alarms.zones import offset_s
from nightrake.cli.journal_read import row_text
from nightrake.cli.trips_found import Overrides, Place, found
from nightrake.cli.trips_show import RECORD_ONLY, head_of, target_of
from nightrake.domain.rows import Row
from nightrake.domain.site import Direction, DriveSpec, Stage
from nightrake.errors import StoreError
from nightrake.history.trippicture import Drawing, Drawn
from nightrake.history.triprecord import Record
from nightrake.longterm.tripfile import TripFile
from nightrake.reports.page import write_page
from nightrake.reports.trip_plot import Mark, Set, TripPicture, trip_page, write_png

COLUMNS = 1200
"""Of a curve; more than a screen or a page can show."""
LISTED = 200
"""Rows in the page's list at most: those nearest to the trip."""
LONGEST = 150
"""Characters of a line below a picture."""
MARKED = 24
"""Events marked in the figure at most."""
MARKS = {
    "alarm": ("raised", "raised_again", "acknowledged", "reset", "cleared", "latched"),
    "drive": (
        "alarm_operated",
        "alarm_released",
        "shutdown_operated",
        "shutdown_released",
        "stop_confirmed",
        "stop_not_confirmed",
        "still_running",
        "test_began",
        "test_ended",
    ),
    "service": ("started", "stopped", "gap", "clock_stepped"),
}
"""Events that are marked; those of a lockout all are."""
BARS = "Bars: a contact operated, the motor runs; hatched: not known. Red line: the trip. Numbers over the figure:"
MINUTE_MS = 60_000


def run_plot(
    folder: Path, overrides: Overrides, name: str, target: Path | None, near_min: float, *, replace: bool
) -> int:
    """Write a record's page or picture; exit code 0.

    Raises:
        NightrakeError: There is no such record, it cannot be read, or the file cannot be written.
    """
    path, place = found(folder, overrides, name)
    with TripFile(path) as file:
        record, drives, rows = file.record, file.drives(), file.events()
        target = target_of(target, record.name, (".html", ".png"), replace=replace)
        spec = spec_at(record, drives)
        if spec is None:
            raise StoreError(
                f"{path}: no readings are in it, so there is nothing to plot; nightrake trips show has its rows"
            )
        picture, outside = _picture(file, spec, rows, place, near_min)
    if target.suffix.lower() == ".png":
        write_png(target, picture)
    else:
        notes = [*record.remarks, *([outside] if outside else [])]
        write_page(target, _page(record, list(drives.values()), rows, place, picture, notes))
    print(target)
    return 0


def spec_at(record: Record, drives: dict[str, DriveSpec]) -> DriveSpec | None:
    """The drive as its settings had it at the trip; None = nothing is known of it."""
    before = [digest for digest, seq in record.settings if seq <= record.trip.input_seq and digest in drives]
    return drives[before[-1]] if before else next(iter(drives.values()), None)


def _picture(
    file: TripFile, spec: DriveSpec, rows: list[Row], place: Place, near_min: float
) -> tuple[TripPicture, str]:
    record = file.record
    trip_ms, zone = record.trip.at.utc_ms, place.zone(record.trip.at.utc_ms)
    begin_ms, end_ms, count = _bounds(file)
    near_ms = round(near_min * MINUTE_MS)
    whole = Drawing(spec, begin_ms, end_ms, COLUMNS)
    near = Drawing(spec, max(begin_ms, trip_ms - near_ms), max(min(end_ms, trip_ms + near_ms), trip_ms + 1), COLUMNS)
    for part in file.readings():
        for drawing in (whole, near):
            drawing.add(part.utc_ms, part.values, part.torque_is, part.not_good)
    drawn, numbered = whole.drawn(), _numbered(record, rows)
    sign = -1.0 if record.trip.direction == Direction.REVERSE else 1.0
    marks = [Mark(row.utc_ms, number) for number, row in numbered]
    offset = offset_s(zone, trip_ms // 1000)
    picture = TripPicture(
        title=f"{record.trip.drive} {record.trip.direction}: {record.trip.stage} at {stamp(zone, trip_ms)}",
        zone=zone.name,
        offset_ms=offset * 1000,
        trip_ms=trip_ms,
        whole=drawn,
        near=near.drawn(),
        sets=[one for one in _sets(spec) if one.torque_nm * sign >= 0.0 or _reaches(drawn, -sign)],
        marks=marks,
        lists=[BARS, *(_line(number, row, place, trip_ms) for number, row in numbered)],
    )
    text = f"{count} scans are not drawn, because the clock was set while the record was made; they are in its file"
    return picture, text if count else ""


def _line(number: int, row: Row, place: Place, trip_ms: int) -> str:
    """An event in the list below; with its date where that is another than the trip's."""
    when = stamp(place.zone(row.utc_ms), row.utc_ms)
    if when[:10] == stamp(place.zone(trip_ms), trip_ms)[:10]:
        when = when[11:]
    return (
        f"{number}  {when}  {textwrap.shorten(row_text(fact_of(row), row, place.names), LONGEST, placeholder=' ...')}"
    )


def _reaches(drawn: Drawn, sign: float) -> bool:
    """Whether there was any torque of that sign."""
    return bool((np.maximum(drawn.torque.low * sign, drawn.torque.high * sign) > 0.0).any())


def _bounds(file: TripFile) -> tuple[int, int, int]:
    """From when to when is drawn, and how many scans lie outside, by their stamps."""
    record = file.record
    begin = record.trip.at.utc_ms - record.before_ms
    end = record.trip.at.utc_ms + (record.after_ms if record.after_ms is not None else 86_400_000) + 1
    low, high, outside = end, begin, 0
    for part in file.readings():
        inside = part.utc_ms[(part.utc_ms >= begin) & (part.utc_ms < end)]
        outside += len(part.utc_ms) - len(inside)
        if len(inside):
            low, high = min(low, int(inside.min())), max(high, int(inside.max()))
    if high < low:
        return begin, end, outside
    low, high = min(low, record.trip.at.utc_ms - 1_000), max(high, record.trip.at.utc_ms + 1_000)
    return low, high + 1, outside


def _sets(spec: DriveSpec) -> list[Set]:
    found = []
    for side in spec.directions:
        for stage in Stage:
            torque_nm = spec.set_point_nm(side, stage)
            if torque_nm:
                found.append(Set(str(stage), -torque_nm if side is Direction.REVERSE else torque_nm))
    return found


def _numbered(record: Record, rows: Sequence[Row]) -> list[tuple[int, Row]]:
    """Events that are marked, with their numbers in order."""
    wanted = [r for r in rows if r.kind == "lockout" or r.event in MARKS.get(r.kind, ())]
    mine = sorted(wanted, key=lambda row: (_rank(record, row), abs(row.seq - record.trip.row)))[:MARKED]
    return list(enumerate(sorted(mine, key=lambda row: row.seq), 1))


def _rank(record: Record, row: Row) -> int:
    """What must be among the marks comes first."""
    if row.drive != record.trip.drive:
        return 2
    opens = row.kind == "lockout" and row.event in ("opened", "released", "cancelled")
    return 0 if opens or row.seq == record.trip.row else 1


def _page(
    record: Record, drives: list[DriveSpec], rows: list[Row], place: Place, picture: TripPicture, notes: Sequence[str]
) -> str:
    facts = head_of(record, drives, place)
    numbers = {row.seq: str(number) for number, row in _numbered(record, rows)}
    nearest = sorted(rows, key=lambda row: (row.seq not in numbers, abs(row.seq - record.trip.row)))[:LISTED]
    zone = place.zone(record.trip.at.utc_ms)
    listed = [
        (numbers.get(row.seq, ""), stamp(zone, row.utc_ms), row_text(fact_of(row), row, place.names))
        for row in sorted(nearest, key=lambda row: row.seq)
    ]
    left = len(rows) - len(listed)
    return trip_page(
        picture,
        about=f"{record.site_name or record.site}. Times: {zone.name}.",
        facts=_paired(facts[:-2]),
        settings=_settings(facts[-2:], drives),
        caution=RECORD_ONLY,
        remarks=[note.rstrip(".") for note in notes],
        events=listed,
        left_out=f"{left} more journal rows, further from the trip, are in the record's file." if left else "",
        paper=record.name,
    )


def _paired(facts: list[tuple[str, str]]) -> list[tuple[tuple[str, str], tuple[str, str]]]:
    padded = [*facts, *([("", "")] if len(facts) % 2 else [])]
    return list(zip(padded[::2], padded[1::2], strict=True))


def _settings(facts: list[tuple[str, str]], drives: list[DriveSpec]) -> list[tuple[str, str]]:
    spec = drives[-1]
    points = [
        (f"Set point {one.stage}{' reverse' if one.torque_nm < 0 else ''}", f"{abs(one.torque_nm) / 1000:.4g} kN.m")
        for one in _sets(spec)
    ]
    contacts = [
        (
            f"Contact {c.id.direction} {c.id.stage} {c.id.channel}",
            f"{str(c.form).replace('_', ' ')}, 1 means {c.bit_1_means}",
        )
        for c in spec.contacts
    ]
    return [*facts, *points, *contacts]
