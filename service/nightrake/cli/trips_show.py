"""`nightrake trips list`, `show` and `export`."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator
from pathlib import Path

from nightrake.alarms.told import fact_of, span_text, stamp
from nightrake.cli.journal_read import row_text
from nightrake.cli.journal_wanted import day_of_row
from nightrake.cli.trips_found import Overrides, Place, found, paths_in, records_in
from nightrake.domain.cleantext import clean
from nightrake.domain.rows import Row
from nightrake.domain.site import DriveSpec
from nightrake.errors import NightrakeError, StoreError
from nightrake.history.triprecord import Peak, Record, record_text
from nightrake.longterm.tripfile import TripFile
from nightrake.longterm.tripfolder import FOLDER, SUFFIX, TripFolder, size_of
from nightrake.longterm.triproom import given_up
from nightrake.reports.page import write_whole
from nightrake.settings import load
from nightrake.settings.words import nearest

WIDTH = 80
RECORD_ONLY = (
    "A record of what was read; it shows nothing to be safe. Before anybody acts near the machine: lock out, verify "
    "zero energy, release wind-up slowly, follow the manufacturer's instructions and local codes, and leave the work "
    "to qualified people."
)


def run_list(folder: Path, overrides: Overrides, drive: str, *, as_json: bool) -> int:
    """Print the records; exit code 0.

    Raises:
        NightrakeError: The settings, the folder or the drive is wrong.
    """
    settings = load(folder, overrides)
    records, faults = records_in(settings)
    known = dict.fromkeys([*settings.site.drives, *(record.trip.drive for _, _, record in records)])
    if drive and drive not in known:
        hint = nearest(drive, list(known)) or f"there are: {', '.join(list(known)[:12])}"
        raise NightrakeError(f"there is no drive '{drive[:40]}', neither in the settings nor in a record; {hint}")
    mine = [one for one in records if drive in ("", one[2].trip.drive)]
    if as_json:
        print(
            json.dumps([{**json.loads(record_text(record)), "file": str(path)} for _, path, record in mine], indent=1)
        )
        return 0
    place = Place(settings, {})
    for line in _listed(mine, place):
        print(line)
    gone = [one for one in given_up(settings.store_dir / FOLDER) if drive in ("", one.alarm.partition("/")[0])]
    if gone:
        zone = place.zone(gone[-1].utc_ms)
        text = f"{len(gone)} records were given up for want of room, the last of {stamp(zone, gone[-1].utc_ms)}"
        print(textwrap.fill(f"{text}; raise history.trips_mb to keep more.", WIDTH))
    for fault in faults:
        print(textwrap.fill(f"Left out: {fault}", WIDTH))
    return 0


def _listed(records: list[tuple[str, Path, Record]], place: Place) -> Iterator[str]:
    if not records:
        yield "No trip record."
        return
    width = max(len("NAME"), *(len(name) for name, _, _ in records))
    name = place.zone(records[-1][2].trip.at.utc_ms).name
    yield f"{'NAME':<{width}}  {'WHEN':<19}  {'PEAK kN.m':>9}  {'LASTS':<11}  STATE"
    for short, path, record in records:
        trip = record.trip
        when = stamp(place.zone(trip.at.utc_ms), trip.at.utc_ms)
        lasts = span_text(_after_ms(record) / 1000)
        state = f"{size_of(path) / 1e6:.1f} MB" if record.is_whole else "open"
        yield f"{short:<{width}}  {when:<19}  {peak_text(record.peak):>9}  {lasts:<11}  {state}"
    yield f"Times: {name}. LASTS: from the trip to the record's end, or so far."


def _after_ms(record: Record) -> int:
    from nightrake.history.trips import between_ms

    if record.after_ms is not None:
        return record.after_ms
    return max(0, between_ms(record.trip.at, record.parts[-1].at)) if record.parts else 0


def peak_text(peak: Peak | None) -> str:
    """The largest torque in kN.m; "-" = none."""
    if peak is None:
        return "-"
    return f"{ {'below': '<', 'beyond': '>'}.get(peak.torque_is, '') }{peak.torque_nm / 1000:.1f}"


# --- one record -------------------------------------------------------------------------------------------------------


def run_show(folder: Path, overrides: Overrides, name: str) -> int:
    """Print one record; exit code 1 where its file is not as it was written.

    Raises:
        NightrakeError: There is no such record, or it cannot be read.
    """
    path, place = found(folder, overrides, name)
    with TripFile(path) as file:
        faults = file.faults()
        for line in shown(file, place):
            print(line)
    for fault in faults:
        print(textwrap.fill(f"NOT AS IT WAS WRITTEN: {fault}.", WIDTH))
    print(textwrap.fill(RECORD_ONLY, WIDTH))
    return 1 if faults else 0


def shown(file: TripFile, place: Place) -> Iterator[str]:
    """One record at 80 columns."""
    record, drives = file.record, file.drives()
    yield f"{record.name}"
    for label, text in head_of(record, list(drives.values()), place):
        yield from textwrap.wrap(f"{label:<12}{text}", WIDTH, subsequent_indent=" " * 12)
    for remark in record.remarks:
        yield from textwrap.wrap(f"{'Note':<12}{clean(remark, 300)}", WIDTH, subsequent_indent=" " * 12)
    yield ""
    yield from event_lines(file.events(), place)


def head_of(record: Record, drives: list[DriveSpec], place: Place) -> list[tuple[str, str]]:
    """What a record is about: (label, text)."""
    trip, zone = record.trip, place.zone(record.trip.at.utc_ms)
    begin, end = trip.at.utc_ms - record.before_ms, trip.at.utc_ms + _after_ms(record)
    name = drives[-1].name if drives else place.names.get(trip.drive, "")
    numbers = ", ".join(map(str, trip.occurrences[:12])) + (" and more" if len(trip.occurrences) > 12 else "")
    peak = record.peak
    facts = [
        ("Drive", clean(f"{trip.drive} {name}, {trip.direction}; {record.site_name or record.site}")),
        ("Trip", f"{trip.stage} contact, occurrence {numbers}, at {stamp(zone, trip.at.utc_ms)} ({zone.name})"),
        ("Record", f"from {stamp(zone, begin)} to {stamp(zone, end)}; {_ending(record)}"),
    ]
    if not trip.trusted:
        facts.append(("Clock", "could not be trusted then; spans are by the machine's monotonic clock"))
    if peak is not None:
        words = f"{peak_text(peak)} kN.m at {stamp(zone, peak.utc_ms)}"
        facts.append(
            ("Peak torque", words + ("" if peak.torque_is == "exact" else f", {peak.torque_is} the calibrated span"))
        )
    facts.append(("In it", f"{record.readings} scans, {record.events} journal rows"))
    facts += _settings_facts(record, drives)
    return facts


def _ending(record: Record) -> str:
    if record.after_ms is not None:
        return record.because
    return "open, it grows until the lockout is released" if record.trip.lockout else "open, it grows"


def _settings_facts(record: Record, drives: list[DriveSpec]) -> list[tuple[str, str]]:
    digests = " then ".join(digest[:16] for digest, _ in record.settings)
    facts = [("Settings", digests or "not known")]
    curves = {c.digest: c for spec in drives for c in spec.calibrations.values()}.values()
    words = "; ".join(clean(f"{c.ref} ({c.direction}), digest {c.digest[:16]}") for c in curves)
    return [*facts, ("Calibration", words or "none")]


def event_lines(rows: list[Row], place: Place) -> Iterator[str]:
    """Rows under their dates."""
    day = ""
    for row in rows:
        zone = place.zone(row.utc_ms)
        date = day_of_row(zone, row.utc_ms)
        words = f"{date:%A} {date.isoformat()}" if date else "A clock without a date"
        if words != day:
            day = words
            yield f"{day} ({zone.name})"
        at = stamp(zone, row.utc_ms)[11:19] if date else "--:--:--"
        begin = f"  {at}{' ' if row.clock_trusted else '~'} {row.seq:>6}  "
        text = begin + row_text(fact_of(row), row, place.names)
        yield from textwrap.wrap(text, WIDTH, subsequent_indent=" " * len(begin), break_on_hyphens=False)


# --- export -----------------------------------------------------------------------------------------------------------


def run_export(folder: Path, overrides: Overrides, name: str, target: Path | None, *, replace: bool) -> int:
    """Write a record as one zip; exit code 0.

    Raises:
        NightrakeError: There is no such record, it is damaged, or the file cannot be written.
    """
    path, _ = found(folder, overrides, name)
    with TripFile(path) as file:
        faults, short = file.faults(), file.record.name
    if faults:
        raise StoreError(f"{path}: is not as it was written: {faults[0]}; nothing was exported")
    target = target_of(target, short, (SUFFIX,), replace=replace)
    write_whole(target, _bytes_of(path))
    print(f"{target}: {target.stat().st_size / 1e6:.1f} MB")
    return 0


def target_of(target: Path | None, name: str, suffixes: tuple[str, ...], *, replace: bool) -> Path:
    """Where to write, checked before anything is done.

    Raises:
        NightrakeError: The name does not fit, or a file is there already.
    """
    target = Path(f"{name}{suffixes[0]}") if target is None else target
    target = target / f"{name}{suffixes[0]}" if target.is_dir() else target
    if target.suffix.lower() not in suffixes:
        raise NightrakeError(f"{target}: name a file that ends in {' or '.join(suffixes)}")
    if target.exists() and not replace:
        raise NightrakeError(f"{target}: is there already; name another file, or give --replace")
    return target


def _bytes_of(path: Path) -> bytes:
    """The record as a zip; one that is still open as far as it goes."""
    import io

    try:
        if path.is_file():
            return path.read_bytes()
        opened = TripFolder.opened(path)
        out = io.BytesIO()
        if opened is not None:
            opened.pack_into(out)
            return out.getvalue()
    except OSError as error:
        raise StoreError(f"{path}: cannot be read ({error.strerror or error})") from error
    raise StoreError(f"{path}: has just been put together or given up; ask again")


__all__ = ["event_lines", "head_of", "paths_in", "run_export", "run_list", "run_show", "target_of"]
