"""Creep as the learning worker found it last, and its weekly reports: files beside the store, read within bounds."""

from __future__ import annotations

import errno
import json
import os
import re
import stat
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from nightrake.errors import NightrakeError
from nightrake.pagereading.creepshape import Side, moment, number, side_of, words

FORM = "nightrake trends 1"
FOLDER, FILE, REPORTS = "learning", "trends.json", "reports"
MOST_BYTES = 32 * 1024 * 1024
"""Of the trends, read into memory: some 650 sides with 800 days each."""
MOST_REPORT = 16 * 1024 * 1024
MOST_SIDES = 10_000
MOST_NESTS = 1_000_000
"""Lists and objects in it: the worker makes some forty for a side. Empty ones without end would take a gigabyte."""
MOST_BEWARE = 50
MOST_REPORTS = 1_000
REPORT = re.compile(r"creep-[0-9]{4}-[0-9]{2}-[0-9]{2}\.html")
NEW_OR_NONE = "it is written anew with the next look at creep, once a day; what is wrong until then is in the log"


class Found(NamedTuple):
    """What the file says.

    Attributes:
        judged_utc_ms: For when; None: nothing can be shown. took_s: How long it took. sides: In order of rank.
        beware, notes: Sentences of the worker, and of this reading. report: Name of the report made with it, or "".
    """

    judged_utc_ms: int | None = None
    took_s: float | None = None
    sides: Sequence[Side] = ()
    beware: Sequence[str] = ()
    notes: Sequence[str] = ()
    report: str = ""


class Creep:
    """Reads trends and reports, each time they are others than before.

    Args:
        state_dir: Folder of the store. now_utc_ms: The clock.
    """

    def __init__(self, state_dir: Path, now_utc_ms: Callable[[], int]) -> None:
        self._file, self._reports = state_dir / FOLDER / FILE, state_dir / REPORTS
        self._now_utc_ms = now_utc_ms
        self._known: tuple[tuple[int, ...], Found] | None = None

    def site(self, skip: int = 0, limit: int = 0) -> dict[str, Any]:
        """Everything but the days: see `page.ports.Reader.creep`."""
        found = self._found()
        sides = found.sides
        skip = min(skip, max(0, len(sides) - 1) // limit * limit) if limit else 0
        return {
            **self._head(found),
            "total": len(sides),
            "skip": skip,
            "warnings": sum(bool(side.told["warning"]) for side in sides),
            "drives": len({side.drive for side in sides}),
            "sides": [side.told for side in sides[skip : skip + (limit or len(sides))]],
            "reports": self.reports(),
        }

    def drive(self, drive: str) -> dict[str, Any]:
        """One drive with its days: see `page.ports.Reader.creep_of`."""
        found = self._found()
        own = [(place, side) for place, side in enumerate(found.sides, 1) if side.drive == drive]
        head = self._head(found)
        if not own and found.judged_utc_ms is not None:
            head["notes"].append("nothing was judged of this drive: it had no torque to be judged by, or is new")
        sides = [{**side.with_days(), "place": place} for place, side in own]
        return {**head, "drive": drive, "of": len(found.sides), "sides": sides}

    def _head(self, found: Found) -> dict[str, Any]:
        return {
            "judged_utc_ms": found.judged_utc_ms,
            "read_utc_ms": self._now_utc_ms(),
            "took_s": found.took_s,
            "beware": list(found.beware),
            "notes": list(found.notes),
            "report": found.report,
        }

    # --- trends -------------------------------------------------------------------------------------------------------

    def _found(self) -> Found:
        where = f"{FOLDER}/{FILE}"
        try:
            mark, data = _read(self._file, MOST_BYTES, self._known[0] if self._known is not None else ())
        except FileNotFoundError:
            self._known = None
            return Found(notes=("creep has not been looked for yet; that is done once a day, where history is kept",))
        except TooLarge:
            self._known = None
            why = f"{where}: is larger than {MOST_BYTES >> 20} MiB, so it is not read; {NEW_OR_NONE}"
            return Found(notes=(why,))
        except OSError as error:
            self._known = None
            return Found(notes=(f"{where}: cannot be read ({error.strerror or error})",))
        if data is not None:
            self._known = (mark, parsed(data, where))
        assert self._known is not None
        return self._known[1]

    # --- reports ------------------------------------------------------------------------------------------------------

    def reports(self) -> list[dict[str, Any]]:
        """Reports kept, the newest first: ``{"name", "bytes"}``."""
        try:
            with os.scandir(self._reports) as entries:
                kept = [e for e in entries if REPORT.fullmatch(e.name) and e.is_file(follow_symlinks=False)]
                found = [{"name": e.name, "bytes": e.stat(follow_symlinks=False).st_size} for e in kept]
        except OSError:
            return []
        return sorted(found, key=lambda one: str(one["name"]), reverse=True)[:MOST_REPORTS]

    def report(self, name: str) -> dict[str, Any]:
        """One of them: ``{"name", "html"}``.

        Raises:
            LookupError: There is none of that name. NightrakeError: It cannot be read.
        """
        if not any(one["name"] == name for one in self.reports()):
            raise LookupError("there is no such report of creep; it may be older than those that are kept")
        try:
            _, data = _read(self._reports / name, MOST_REPORT)
        except TooLarge as error:
            why = f"is larger than {MOST_REPORT >> 20} MiB, so it is not given"
            raise NightrakeError(f"{REPORTS}/{name}: {why}") from error
        except OSError as error:
            raise NightrakeError(f"{REPORTS}/{name}: cannot be read ({error.strerror or error})") from error
        return {"name": name, "html": (data or b"").decode(errors="replace")}


class TooLarge(Exception):
    """A file has more bytes than are read."""


def _read(path: Path, most: int, known: tuple[int, ...] = ()) -> tuple[tuple[int, ...], bytes | None]:
    """A file's mark and content; None where its mark is the one that is known."""
    # What is no plain file (a link, a pipe) would lead elsewhere, or block.
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    with open(handle, "rb") as file:
        about = os.fstat(file.fileno())
        if not stat.S_ISREG(about.st_mode):
            raise OSError(errno.EINVAL, "it is no plain file")
        mark = (about.st_ino, about.st_mtime_ns, about.st_size)
        if mark == known:
            return mark, None
        if about.st_size > most:
            raise TooLarge
        data = file.read(most + 1)
    if len(data) > most:
        raise TooLarge
    return mark, data


def parsed(data: bytes, where: str) -> Found:
    """What the file says; where it cannot be understood, a sentence that says so.

    Args:
        data: Its content. where: Its name, for that sentence.
    """
    if data.count(b"[") + data.count(b"{") > MOST_NESTS:
        return Found(notes=(f"{where}: is damaged, and not shown; {NEW_OR_NONE}",))
    try:
        told = json.loads(data, parse_constant=lambda _: None)
    except (ValueError, RecursionError):
        return Found(notes=(f"{where}: is damaged, and not shown; {NEW_OR_NONE}",))
    form = told.get("form") if isinstance(told, dict) else None
    if form != FORM:
        other = f" ('{words(form, 40)}')" if isinstance(form, str) else ""
        why = f"{where}: is of another form{other} than this page knows, so it is not shown; {NEW_OR_NONE}"
        return Found(notes=(why,))
    judged, given = moment(told.get("now_utc_ms")), told.get("sides")
    if judged is None or not isinstance(given, list):
        return Found(notes=(f"{where}: lacks the time it was made, or its drives, so it is not shown; {NEW_OR_NONE}",))
    sides = [side for side in map(side_of, given[:MOST_SIDES]) if side is not None]
    lost = len(given) - len(sides)
    notes = (f"{where}: {lost} of {len(given)} entries cannot be read, and are left out",) if lost else ()
    said = told.get("beware")
    beware = [words(t, 500) for t in said[:MOST_BEWARE]] if isinstance(said, list) else []
    report = words(told.get("report"), 64)
    return Found(
        judged, number(told.get("took_s")), sides, [t for t in beware if t], notes,
        report if REPORT.fullmatch(report) else "",
    )  # fmt: skip
