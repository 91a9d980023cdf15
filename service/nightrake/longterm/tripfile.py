"""Reading a trip record, whole or still open; one may come from elsewhere, so nothing in it is believed blindly."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import IO, Any, NamedTuple

import numpy as np
import numpy.typing as npt
from pydantic import TypeAdapter, ValidationError

from nightrake.domain.rows import Row
from nightrake.domain.site import DriveSpec
from nightrake.errors import StoreError
from nightrake.history.period import Period
from nightrake.history.triprecord import NOT_GOOD, STAMPS, TORQUE, Record, RecordFault, record_of, row_of, utc_text
from nightrake.longterm.tripfolder import EVENTS, RECORD, SETTINGS, TripFolder

MOST_HEAD = 16 * 1024 * 1024
"""Bytes of record.json and settings.json at most."""
MOST_BYTES = 8 * 1024 * 1024 * 1024
"""Of all files in it, written out: a day at ten scans a second takes a tenth."""
MOST_LINE = 1024 * 1024
LAST_MS = 253_402_300_799_999
"""End of the year 9999."""
AT_ONCE = 50_000
"""Lines of readings in one slice."""
BLOCK = 1 << 20
UNREADABLE = (
    OSError,
    ValueError,
    KeyError,
    EOFError,
    zipfile.BadZipFile,
    zlib.error,
    NotImplementedError,
    RuntimeError,
)
"""What a damaged or hostile file may raise while it is read."""
_DRIVES: TypeAdapter[dict[str, DriveSpec]] = TypeAdapter(dict[str, DriveSpec])


class Readings(NamedTuple):
    """Scans of one PLC, a slice of them.

    Attributes:
        plc: Which. utc_ms, mono_ns, seq: Of each scan. values: Points, and what comes of the position, by name; NaN =
            none. torque_is: "" without a position. not_good: What was not read well, and why.
    """

    plc: str
    utc_ms: npt.NDArray[np.int64]
    mono_ns: npt.NDArray[np.int64]
    seq: npt.NDArray[np.int64]
    values: dict[str, npt.NDArray[np.float64]]
    torque_is: list[str]
    not_good: list[str]


def record_in(path: Path) -> Record:
    """The head of a finished record.

    Raises:
        StoreError: It cannot be read.
    """
    with TripFile(path) as file:
        return file.record


class TripFile:
    """One record, open for reading; a context manager.

    Args:
        path: A zip, or the folder of an open record.

    Raises:
        StoreError: It is no trip record, or cannot be read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._zip: zipfile.ZipFile | None = None
        self._folder: TripFolder | None = None
        try:
            if path.is_dir():
                self._folder = TripFolder.opened(path)
                if self._folder is None:
                    raise RecordFault(f"there is no {RECORD} in it")
                self.record = self._folder.record
            else:
                self._zip = zipfile.ZipFile(path)
                if sum(info.file_size for info in self._zip.infolist()) > MOST_BYTES:
                    raise RecordFault(f"it holds more than {MOST_BYTES >> 30} GiB")
                self.record = record_of(self._text(RECORD))
        except UNREADABLE as error:
            self.close()
            reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
            raise StoreError(f"{path}: is no trip record that can be read ({reason})") from error

    def __enter__(self) -> TripFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        if self._zip is not None:
            self._zip.close()

    def _text(self, name: str) -> str:
        with self._bytes(name) as file:
            data = file.read(MOST_HEAD + 1)
        if len(data) > MOST_HEAD:
            raise RecordFault(f"{name} is larger than {MOST_HEAD >> 20} MiB")
        return data.decode()

    @contextmanager
    def _bytes(self, name: str) -> Iterator[IO[bytes]]:
        if self._folder is not None:
            with (self._folder.path / name).open("rb") as file:
                yield file
        elif self._zip is not None:
            with self._zip.open(name) as member:
                yield member

    @contextmanager
    def _reading(self, name: str) -> Iterator[None]:
        """Maps what a damaged file raises.

        Raises:
            StoreError: It is damaged.
        """
        try:
            yield
        except (*UNREADABLE, csv.Error, ValidationError, IndexError) as error:
            raise StoreError(
                f"{self.path}: {name} in it cannot be read ({str(error)[:200] or type(error).__name__}); take a copy "
                "that is whole"
            ) from error

    # --- what is in it ------------------------------------------------------------------------------------------------

    def names(self) -> list[str]:
        """Files with rows or readings."""
        if self._folder is not None:
            return [name for name, _ in self._folder.files()]
        assert self._zip is not None
        return self._zip.namelist()

    def lines(self, name: str) -> Iterator[str]:
        """Lines of one of them."""
        if self._folder is not None:
            parts = dict(self._folder.files())[name]
            yield from _lines(self._folder.joined(parts))
        else:
            with self._bytes(name) as file:
                yield from _lines(iter(lambda: file.read(BLOCK), b""))

    def events(self) -> list[Row]:
        """Journal rows in it.

        Raises:
            StoreError: They are damaged.
        """
        with self._reading(EVENTS):
            return [row_of(line) for line in self.lines(EVENTS)] if EVENTS in self.names() else []

    def drives(self) -> dict[str, DriveSpec]:
        """The drive under each settings digest, in the order in which they were in force.

        Raises:
            StoreError: It is damaged, or written by a program that knows other settings.
        """
        with self._reading(SETTINGS):
            try:
                found = _DRIVES.validate_python(json.loads(self._text(SETTINGS)))
            except FileNotFoundError:
                return {}
        order = [digest for digest, _ in self.record.settings]
        return dict(sorted(found.items(), key=lambda one: order.index(one[0]) if one[0] in order else -1))

    def readings(self, period: Period | None = None) -> Iterator[Readings]:
        """Every scan in it, PLC by PLC, in slices.

        Args:
            period: Only those that were read in this time.

        Raises:
            StoreError: They are damaged.
        """
        for name in self.names():
            if name.startswith("readings-") and name.endswith(".csv"):
                with self._reading(name):
                    yield from _readings(name, self.lines(name), period)

    def faults(self) -> list[str]:
        """A sentence for each file that is not as it was written; none of an open record."""
        found, zipped = [], self._zip
        if zipped is None:
            return []
        there = set(self.names())
        for name, (size, digest) in (self.record.files or {}).items():
            if name not in there:
                found.append(f"{name} is missing")
                continue
            try:
                if zipped.getinfo(name).file_size != size or _digest(zipped, name) != digest:
                    found.append(f"{name} was changed")
            except UNREADABLE as error:
                found.append(f"{name} cannot be read ({error})")
        return found


def _digest(zipped: zipfile.ZipFile, name: str) -> str:
    whole = hashlib.sha256()
    with zipped.open(name) as file:
        while block := file.read(BLOCK):
            whole.update(block)
    return whole.hexdigest()


def _lines(blocks: Iterator[bytes]) -> Iterator[str]:
    """Lines of a text that comes in blocks; one without end is refused."""
    rest = b""
    for block in blocks:
        *lines, rest = (rest + block).split(b"\n")
        if len(rest) > MOST_LINE:
            raise RecordFault(f"a line is longer than {MOST_LINE >> 20} MiB")
        yield from (line.decode() for line in lines)
    if rest:
        yield rest.decode()


def _within(lines: Iterator[str], period: Period) -> Iterator[str]:
    """Lines of a time. Stamps of four-digit years are in the order of their texts, so no other line is taken apart."""
    begin, end = (utc_text(min(max(0, ms), LAST_MS)) for ms in period)
    return (line for line in lines if begin <= line[: len(begin)] < end)


def _readings(name: str, lines: Iterator[str], period: Period | None) -> Iterator[Readings]:
    plc = name.removeprefix("readings-").removesuffix(".csv")
    plc = plc.rpartition(".")[0] if plc.rpartition(".")[0] and plc.rpartition(".")[2].isdigit() else plc
    header = next(lines, "").split(",")
    if tuple(header[:3]) != STAMPS or header[-1] != NOT_GOOD:
        raise RecordFault("its columns are not those of readings")
    lines = lines if period is None else _within(lines, period)
    while part := list(islice(lines, AT_ONCE)):
        cells = list(csv.reader(io.StringIO("\n".join(part))))
        if any(len(row) != len(header) for row in cells):
            raise RecordFault("a line has not as many cells as there are columns")
        columns: dict[str, Any] = dict(zip(header, zip(*cells, strict=True), strict=True))
        words = list(columns.get(TORQUE[3], ()))
        numbers = [c for c in header[3:-1] if c != TORQUE[3]]
        stamps = np.array([text.removesuffix("Z") for text in columns["utc"]], "datetime64[ms]").astype(np.int64)
        mono_ns, seq = (np.array([int(text) for text in columns[c]], np.int64) for c in STAMPS[1:])
        values = {c: np.array([float(text) if text else np.nan for text in columns[c]]) for c in numbers}
        yield Readings(plc, stamps, mono_ns, seq, values, words, list(columns[NOT_GOOD]))
