"""A trip record on disk: a folder of parts while it is open, one zip of its own when it is whole.

    trips/NAME/0001-readings-PLCA.csv.gz, 0001-events.jsonl.gz, ...   a part each time that it grows
    trips/NAME/settings.json, record.json                             the second names the parts that count
    trips/NAME.zip                                                    all put together; then the folder goes

Files of their own, and neither tables of history.db nor of the store: they outlive both, need no program of ours to be
read, and the file that is kept is the file that is handed out. What record.json does not name is not there: a kill
between a part and its record.json leaves files that the next try writes over.
"""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import json
import os
import shutil
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from nightrake.crashpoint import reach
from nightrake.errors import StoreError
from nightrake.history.triprecord import README, Record, record_of, record_text

FOLDER = "trips"
RECORD, SETTINGS, EVENTS, READ_ME = "record.json", "settings.json", "events.jsonl", "README.txt"
SUFFIX = ".zip"
LEVEL = 6
BLOCK = 1 << 20


class PartWriter:
    """The files of one part, each made when the first line for it comes.

    Args:
        folder: Of the record. number: Of the part, from 1.
    """

    def __init__(self, folder: Path, number: int) -> None:
        self._folder, self._number = folder, number
        self._open: dict[tuple[str, ...], tuple[str, IO[bytes], gzip.GzipFile]] = {}

    def readings(self, plc: str, header: tuple[str, ...], lines: Iterator[str]) -> None:
        """Scans of one PLC; other columns begin another file."""
        key = (plc, *header)
        if key not in self._open:
            which = sum(known[0] == plc for known in self._open)
            tail = f".{which + 1}" if which else ""
            self._write(key, f"readings-{plc}{tail}.csv", [",".join(header) + "\n"])
        self._write(key, "", lines)

    def events(self, lines: Iterator[str]) -> None:
        """Journal rows."""
        self._write((EVENTS,), EVENTS, lines)

    def _write(self, key: tuple[str, ...], name: str, lines: Iterator[str] | list[str]) -> None:
        for line in lines:
            if key not in self._open:
                file = f"{self._number:04}-{name}.gz"
                raw = (self._folder / file).open("wb")
                self._open[key] = file, raw, gzip.GzipFile(file, "wb", LEVEL, raw, mtime=0)
            self._open[key][2].write(line.encode())

    def finish(self) -> tuple[str, ...]:
        """All of it on disk; gives the names.

        Raises:
            OSError: The disk fails.
        """
        for _, raw, packed in self._open.values():
            packed.close()
            raw.flush()
            os.fsync(raw.fileno())
        names = tuple(file for file, _, _ in self._open.values())
        self.close()
        return names

    def close(self) -> None:
        """Leave off, whatever the state."""
        for _, raw, packed in self._open.values():
            with contextlib.suppress(OSError, ValueError):
                packed.close()
            with contextlib.suppress(OSError):
                raw.close()
        self._open.clear()


class TripFolder:
    """One open record.

    Args:
        path: Its folder. record: As it stands.
    """

    def __init__(self, path: Path, record: Record) -> None:
        self.path, self.record = path, record

    @classmethod
    def begin(cls, trips: Path, record: Record) -> TripFolder:
        """Make a record's folder.

        Raises:
            OSError: The disk fails.
        """
        path = trips / record.name
        path.mkdir(parents=True, exist_ok=True)
        folder = cls(path, record)
        folder.put(record)
        sync_folder(trips)
        return folder

    @classmethod
    def opened(cls, path: Path) -> TripFolder | None:
        """A record found on disk; None where a kill left no head to it.

        Raises:
            RecordFault: Its head is damaged. OSError: The disk fails.
        """
        try:
            text = (path / RECORD).read_text(encoding="utf-8", errors="replace")
        except FileNotFoundError:
            return None
        return cls(path, record_of(text))

    def put(self, record: Record) -> None:
        """Keep the record's head: whole or not at all."""
        write_whole(self.path / RECORD, record_text(record))
        self.record = record

    def known_settings(self) -> dict[str, object]:
        """By digest."""
        try:
            found = json.loads((self.path / SETTINGS).read_text(encoding="utf-8"))
        except (FileNotFoundError, ValueError):
            return {}
        return found if isinstance(found, dict) else {}

    def put_settings(self, settings: Mapping[str, object]) -> None:
        """Keep the settings of some digests beside those that are there."""
        known = self.known_settings()
        if settings.keys() - known.keys():
            write_whole(self.path / SETTINGS, json.dumps({**settings, **known}, indent=1) + "\n")

    def files(self) -> Iterator[tuple[str, list[str]]]:
        """Names in the finished record, each with the parts that it is put together from."""
        found: dict[str, list[str]] = {}
        for part in self.record.parts:
            for file in part.files:
                name = file.partition("-")[2].removesuffix(".gz")
                found.setdefault(self._fitting(found, name, file), []).append(file)
        yield from found.items()

    def _fitting(self, found: Mapping[str, list[str]], name: str, file: str) -> str:
        """The first file of that PLC with the same columns."""
        if not name.startswith("readings-"):
            return name
        stem = name.removesuffix(".csv")
        plc = stem.rpartition(".")[0] if stem.rpartition(".")[2].isdigit() and "." in stem else stem
        header = self._header(file)
        number = 1
        while True:
            name = f"{plc}.csv" if number == 1 else f"{plc}.{number}.csv"
            if name not in found or self._header(found[name][0]) == header:
                return name
            number += 1

    def _header(self, file: str) -> bytes:
        with gzip.open(self.path / file) as opened:
            return opened.readline()

    def _leave_out_damaged(self) -> None:
        """What is of parts that the disk gives back otherwise, or not at all, cannot go on; the record says so."""
        damaged = [file for part in self.record.parts for file in part.files if not self._is_sound(file)]
        if damaged:
            parts = tuple(p._replace(files=tuple(f for f in p.files if f not in damaged)) for p in self.record.parts)
            told = [f"{file} was damaged on disk and is left out" for file in damaged]
            self.record = replace(self.record, parts=parts, remarks=(*self.record.remarks, *told))

    def _is_sound(self, file: str) -> bool:
        try:
            with gzip.open(self.path / file) as opened:
                while opened.read(BLOCK):
                    pass
        except (FileNotFoundError, gzip.BadGzipFile, EOFError, zlib.error):
            return False
        return True

    def pack_into(self, target: IO[bytes]) -> Record:
        """Write the whole record as a zip; gives its head as it is in it.

        Raises:
            OSError: The disk fails, or a part is damaged.
        """
        self._leave_out_damaged()
        record, files = self.record, dict[str, tuple[int, str]]()
        with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, compresslevel=LEVEL) as packed:
            read_me = README.format(name=record.name, drive=record.trip.drive).encode()
            files[READ_ME] = self._member(packed, READ_ME, iter([read_me]))
            settings = json.dumps(self.known_settings(), indent=1).encode() + b"\n"
            files[SETTINGS] = self._member(packed, SETTINGS, iter([settings]))
            for name, parts in self.files():
                files[name] = self._member(packed, name, self.joined(parts))
            whole = replace(record, files=files)
            self._member(packed, RECORD, iter([record_text(whole).encode()]))
        return whole

    def _member(self, packed: zipfile.ZipFile, name: str, blocks: Iterator[bytes]) -> tuple[int, str]:
        info = zipfile.ZipInfo(name, _zip_date(self.record.trip.at.utc_ms))
        info.compress_type, info.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
        size, digest = 0, hashlib.sha256()
        with packed.open(info, "w", force_zip64=True) as member:
            for block in blocks:
                member.write(block)
                digest.update(block)
                size += len(block)
        return size, digest.hexdigest()

    def joined(self, parts: list[str]) -> Iterator[bytes]:
        """The bytes of parts one after the other; columns are named once."""
        for number, file in enumerate(parts):
            with gzip.open(self.path / file) as opened:
                if number and file.endswith(".csv.gz"):
                    opened.readline()
                while block := opened.read(BLOCK):
                    yield block

    def finish(self) -> Record:
        """Put the record together, and let the folder go.

        Raises:
            OSError: The disk fails; the folder stays.
        """
        trips, name = self.path.parent, f"{self.record.name}{SUFFIX}"
        part = trips / f".{name}.part"
        with part.open("wb") as file:
            whole = self.pack_into(file)
            file.flush()
            os.fsync(file.fileno())
        reach("before-trip-name")
        part.replace(trips / name)
        sync_folder(trips)
        reach("after-trip-name")
        self.drop()
        self.record = whole
        return whole

    def drop(self) -> None:
        """Let the folder go, its head first: without one it is nothing."""
        (self.path / RECORD).unlink(missing_ok=True)
        shutil.rmtree(self.path, ignore_errors=True)


def _zip_date(utc_ms: int) -> tuple[int, int, int, int, int, int]:
    """UTC, within what a zip can say."""
    try:
        at = datetime.fromtimestamp(utc_ms / 1000, UTC)
    except (ValueError, OverflowError, OSError):
        return 1980, 1, 1, 0, 0, 0
    return (
        (at.year, at.month, at.day, at.hour, at.minute, at.second) if 1980 <= at.year <= 2107 else (1980, 1, 1, 0, 0, 0)
    )


def write_whole(path: Path, text: str) -> None:
    """A small file, whole or not at all, on disk.

    Raises:
        OSError: The disk fails.
    """
    part = path.with_name(f".{path.name}.part")
    with part.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)
    sync_folder(path.parent)


def sync_folder(path: Path) -> None:
    """Names in a folder, on disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def size_of(path: Path) -> int:
    """Bytes of a file, or of the files in a folder; 0 of what is gone."""
    total = 0
    with contextlib.suppress(OSError):
        for file in path.iterdir() if path.is_dir() else (path,):
            total += file.stat().st_size
    return total


def record_paths(state_dir: Path) -> list[Path]:
    """Files and folders of a site's trip records, in order of name.

    Raises:
        StoreError: The folder cannot be read.
    """
    folder = state_dir / FOLDER
    try:
        there = sorted(folder.iterdir())
    except FileNotFoundError:
        return []
    except OSError as error:
        raise StoreError(f"{folder}: cannot be read ({error.strerror}); check its permissions") from error
    whole = {path.stem for path in there if path.suffix == SUFFIX}
    still_open = [path for path in there if path.name not in whole and (path / RECORD).is_file()]
    return sorted([path for path in there if path.suffix == SUFFIX and not path.name.startswith(".")] + still_open)
