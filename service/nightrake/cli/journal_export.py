"""`nightrake journal export`: rows as CSV or lines of JSON, the whole file or none."""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from nightrake.alarms.told import fact_of, people_of, stamp
from nightrake.cli.journal_read import json_line, row_object
from nightrake.cli.journal_wanted import Chosen, Filters, searching, zone_at
from nightrake.cli.wholefile import check_target, whole_file
from nightrake.domain.cleantext import clean
from nightrake.domain.rows import Row
from nightrake.errors import NightrakeError
from nightrake.settings import Settings, load

COLUMNS = "id,seq,utc,local,clock_trusted,kind,event,drive,direction,alarm,people,data,hash".split(",")
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%")
"""A cell that begins so may be run as a formula by a spreadsheet (common practice, after OWASP's list)."""


def run_export(
    folder: Path,
    overrides: Mapping[str, str | int | float],
    filters: Filters,
    as_csv: str,
    as_json: str,
    *,
    replace: bool,
) -> int:
    """Write rows; exit code 0.

    Raises:
        NightrakeError: Folder, store or a filter is wrong, or the file cannot be written (then there is none).
    """
    if bool(as_csv) == bool(as_json):
        raise NightrakeError("give one of --csv FILE and --json FILE; - is standard output")
    target = as_csv or as_json
    settings = load(folder, overrides)
    if target != "-":
        check_target(Path(target), replace=replace)
    with searching(settings) as search:
        chosen = Chosen(settings, search, filters)
        rows = chosen.of(search.rows(chosen.wanted))
        lines = csv_lines(rows, settings) if as_csv else (f"{json_line(row)}\n" for row in rows)
        if target == "-":
            for line in lines:
                sys.stdout.write(line)
            chosen.check_person()
            return 0
        count = _write(Path(target), lines, chosen, replace=replace) - bool(as_csv)
    print(f"Written: {target}, {count} row{'s' if count != 1 else ''}.")
    return 0


def csv_lines(rows: Iterable[Row], settings: Settings) -> Iterator[str]:
    """A head and a record for each row; each text ends with a line break."""
    yield _record(COLUMNS)
    for row in rows:
        fact, whole = fact_of(row), row_object(row)
        yield _record(
            [
                row.id,
                str(row.seq),
                _utc(row.utc_ms),
                stamp(zone_at(settings, row.utc_ms), row.utc_ms),
                "yes" if row.clock_trusted else "no",
                row.kind,
                row.event,
                row.drive,
                row.direction,
                fact.text("alarm"),
                " ".join(sorted(people_of(fact))),
                json.dumps(whole["data"], separators=(",", ":")),
                row.hash.hex(),
            ]
        )


def _utc(utc_ms: int) -> str:
    from nightrake.alarms.zones import UTC_ZONE

    return f"{stamp(UTC_ZONE, utc_ms)}.{utc_ms % 1000:03}Z".replace(" ", "T", 1)


def _record(cells: Iterable[str]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\r\n").writerow([_safe(c) for c in cells])
    return text.getvalue()


def _safe(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula, without control characters."""
    begins = cell.lstrip()[:1]
    text = clean(cell, len(cell))
    return f"'{text}" if cell[:1] in _FORMULA or begins in ("=", "+", "-", "@") else text


def _write(path: Path, lines: Iterable[str], chosen: Chosen, *, replace: bool) -> int:
    """Write a file whole or not at all; returns how many lines."""
    count = 0
    with whole_file(path, replace=replace) as file:
        for line in lines:
            file.write(line.encode())
            count += 1
        chosen.check_person()
    return count
