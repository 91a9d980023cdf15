"""A file of rows as spreadsheets write it: its separator, its decimal commas, and the line of whatever is wrong."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from pathlib import Path

from nightrake.errors import CalibrationError

MOST_BYTES = 1_000_000
_COMMA = re.compile(r"\d,\d")
_GROUPS = re.compile(r"[-+]?[1-9]\d{0,2}(,\d{3})+(?!\d)")
"""A number that is as well one with commas between its thousands."""

Row = tuple[int, dict[str, str]]
"""Number of the line, and its cells by column."""


def lines_of(path: Path) -> list[str]:
    """The lines of a text file.

    Raises:
        CalibrationError: It cannot be read, is too long, or is not text.
    """
    try:
        if path.stat().st_size > MOST_BYTES or not path.is_file():
            raise CalibrationError(f"{path}: is no file of points (a megabyte at most)")
        return path.read_text(encoding="utf-8-sig").splitlines()
    except OSError as error:
        raise CalibrationError(f"{path}: cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise CalibrationError(f"{path}: is not UTF-8 text; save it as CSV in UTF-8") from error


def rows_of(path: Path, lines: Sequence[str], columns: Sequence[str], numbers: Sequence[str]) -> list[Row]:
    """The rows below the first one, which names the columns; lines that begin with ``#`` are none.

    Args:
        path: For the messages. columns: That there may be; the first of them has to be there.
        numbers: Columns whose texts begin with a number.

    Raises:
        CalibrationError: Names file and line.
    """
    told = [(n, line) for n, line in enumerate(lines, 1) if line.strip() and not line.startswith("#")]
    if not told:
        raise CalibrationError(f"{path}: holds no rows; the first one names the columns: {','.join(columns)}")
    first, header = told[0]
    separator = ";" if ";" in header and "," not in header else ","
    names = [c.lower() for c in _cells(path, first, header, separator)]
    if any(c not in columns for c in names) or columns[0] not in names:
        got = separator.join(names)[:80]
        raise CalibrationError(
            f"{path}:{first}: the first row has to name the columns {','.join(columns)}; got '{got}'"
        )
    if len(set(names)) < len(names):
        raise CalibrationError(f"{path}:{first}: names a column twice; give each once")
    rows = [(n, _row(path, n, _cells(path, n, line, separator), names)) for n, line in told[1:]]
    return _with_points(path, rows, numbers) if separator == ";" else rows


def _cells(path: Path, number: int, line: str, separator: str) -> list[str]:
    try:
        return [c.strip() for c in next(csv.reader([line], delimiter=separator, strict=True))]
    except csv.Error as error:
        raise CalibrationError(f"{path}:{number}: is no row of cells ({error}); correct the line") from error


def _row(path: Path, number: int, cells: list[str], names: list[str]) -> dict[str, str]:
    if len(cells) > len(names):
        raise CalibrationError(
            f"{path}:{number}: has {len(cells)} cells, but the first row names {len(names)} columns; write decimal "
            "points, or separate the columns by semicolons"
        )
    return dict(zip(names, cells, strict=False))


def _with_points(path: Path, rows: Sequence[Row], numbers: Sequence[str]) -> list[Row]:
    """Decimal commas as points, column by column, where they cannot be anything else."""
    decimal = {name for name in numbers if _has_decimal_commas(path, name, rows)}
    return [(n, {k: v.replace(",", ".") if k in decimal else v for k, v in row.items()}) for n, row in rows]


def _has_decimal_commas(path: Path, name: str, rows: Sequence[Row]) -> bool:
    with_comma = [(n, row[name]) for n, row in rows if _COMMA.search(row.get(name, ""))]
    if not with_comma:
        return False
    number, text = with_comma[0]
    points = [n for n, row in rows if re.search(r"\d\.\d", row.get(name, ""))]
    if points:
        raise CalibrationError(
            f"{path}:{number}: {name} has a comma in '{text[:32]}', and line {points[0]} a decimal point; write all of "
            "them with decimal points"
        )
    if all(_GROUPS.match(t) for _, t in with_comma):
        raise CalibrationError(
            f"{path}:{number}: {name} is '{text[:32]}', whose comma may stand between thousands or be a decimal comma; "
            "write decimal points"
        )
    for number, text in with_comma:
        if text.count(",") > 1:
            raise CalibrationError(f"{path}:{number}: {name} is '{text[:32]}', with two commas; write decimal points")
    return True
