"""Whether history is what was written: the file's own form, each block by its hash, summaries by their blocks, trips.

Read-only, in slices, beside a running watch as well as on a backup. Everything that does not hold is a sentence.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import apsw
import numpy as np

from nightrake.domain.cleantext import clean
from nightrake.errors import StoreError
from nightrake.history.columns import ColumnFault
from nightrake.history.rows import DAY_MS, HOUR_MS, Table
from nightrake.history.triprecord import RecordFault
from nightrake.keptsettings import from_built
from nightrake.longterm import damage
from nightrake.longterm.backupfile import HISTORY
from nightrake.longterm.blocks import BlockRow, Blocks
from nightrake.longterm.hourbuilding import HourBuilder
from nightrake.longterm.sql import fetch
from nightrake.longterm.summaryreading import SummaryReading
from nightrake.longterm.tail import Tail
from nightrake.longterm.tripfile import UNREADABLE, TripFile
from nightrake.longterm.tripfolder import FOLDER, SUFFIX
from nightrake.longterm.writing import COLUMNS, LIFE, digest_of

SAMPLE = 24
"""Hours of drives that are built anew from their blocks and held against their summaries."""
SLACK = 1e-6
"""Relative; figures that are built twice from the same readings are the same."""
LARGE = "column_data"
"""The table that is nearly all of history.db; each row of it is read by `blocks`."""
BUSY_MS = 5000
Say = Callable[[str, int, int], None]
"""Told what is being looked at, how much of it is done, and how much there is."""


class Counts:
    """What was looked at."""

    def __init__(self) -> None:
        self.blocks = self.records = self.hours = self.trips = 0
        self.strange = list[str]()
        """Earlier lives in the history that the journal never had."""


class Checking:
    """Looks through what a folder keeps.

    Args:
        state_dir: Folder of a store, or a backup. say: See there.

    Attributes:
        counts: What was looked at so far.
    """

    def __init__(self, state_dir: Path, say: Say = lambda what, done, whole: None) -> None:
        self._dir, self._say = state_dir, say
        self.counts = Counts()

    def form(self, name: str, *, watched: bool) -> Iterator[str]:
        """Faults that SQLite itself finds in a database.

        Args:
            name: Of the file. watched: A watch runs; then its largest table is left to `blocks`, for one long look
                would keep its log from being folded in.
        """
        path = self._dir / name
        try:
            with contextlib.closing(apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)) as db:
                db.set_busy_timeout(BUSY_MS)
                tables = [str(v[0]) for v in fetch(db, "select name from sqlite_schema where type = 'table'")]
                looks = [f"({table})" for table in tables if table != LARGE] if watched else [""]
                for number, look in enumerate(looks):
                    db.set_progress_handler(partial(self._pass, name, number, len(looks)), 1_000_000)
                    for (found,) in fetch(db, f"pragma quick_check{look}"):
                        if found != "ok":
                            yield f"{path}: {found}"
                    self._say(name, number + 1, len(looks))
        except apsw.Error as error:
            yield f"{path}: cannot be read through ({error})"

    def _pass(self, what: str, done: int, whole: int) -> bool:
        """Within one long look: it goes on."""
        self._say(what, done, whole)
        return False

    # --- the whole ----------------------------------------------------------------------------------------------------

    def held(self, site: str = "", *, history_on: bool = True) -> Iterator[str]:
        """Whether there is all of the history, and whether it is this store's own.

        Args:
            site: Site id, "" = not known. history_on: It is kept; if not, whoever took it away may have meant to.

        Raises:
            StoreError: Store or history cannot be read.
        """
        yield from damage.sentences(self._dir)
        path = self._dir / HISTORY
        with contextlib.closing(Tail(self._dir)) as tail:
            told, began_under = tail.sealed()  # before the file is asked: the worker seals first, then tells
            if not path.exists():
                if told and history_on:
                    yield f"{path}: is not there, though inputs up to {told} were sealed; take it out of a backup"
                return
            with contextlib.closing(Blocks(self._dir)) as file:
                if file.ready:
                    yield from self._own(file, tail, (told, began_under), site)

    def _own(self, file: Blocks, tail: Tail, sealed_before: tuple[int, str], site: str) -> Iterator[str]:
        meta = {str(key): value for key, value in file.ask("select key, value from meta")}
        whose, epoch = str(meta.get("site", site)), str(meta.get("epoch", ""))
        sealed, (told, began_under) = file.sealed()[1], sealed_before
        if site and whose != site and not tail.knows(epoch):
            yield f"{file.path}: is the history of the site '{clean(whose, 40)}', not of '{site}'"
        elif told and began_under and epoch not in ("", began_under) and not tail.knows(epoch):
            yield f"{file.path}: is the history of another store (epoch {clean(epoch, 40)})"
        elif sealed < told:
            yield (
                f"{file.path}: ends at input {sealed}, though inputs up to {told} were sealed: it was exchanged, or "
                "put back from an older copy"
            )
        if "damage" in meta:
            yield str(json.loads(meta["damage"])["sentence"])
        lives = file.ask("select epoch, utc_ms, life from life order by life")
        for strange, utc_ms, life in ((str(e), int(ms), int(n)) for e, ms, n in lives if str(e) != epoch):
            if tail.knows(strange):
                continue
            what = f"epoch {clean(strange, 40)}, from {damage.when_text(utc_ms)} on"
            others = [one for one in _sites_of(file, life) if site and one != site]
            if others:
                yield (
                    f"{file.path}: holds a time of the site '{clean(others[0], 40)}' ({what}), mixed in before that "
                    "was refused, or kept from before the site was renamed; a backup from before it is without it"
                )
            else:
                self.counts.strange.append(what)

    # --- blocks -------------------------------------------------------------------------------------------------------

    def blocks(self) -> Iterator[str]:
        """Faults of sealed blocks: each against its own hash, and what is sealed against its end.

        Raises:
            StoreError: It cannot be read at all, or is a newer program's.
        """
        with contextlib.closing(Blocks(self._dir)) as file:
            if not file.ready:
                yield f"{file.path}: is being made or upgraded; let the watch run a minute"
                return
            life, sealed = file.sealed()
            place, end, last = -1, life * LIFE + sealed, -1
            begin = file.cut_after(-1)
            while (cut := file.cut_after(place)) is not None and cut[1] <= end:
                hole = last >= 0 and cut[0] != last + 1 and cut[0] // LIFE == last // LIFE
                if hole and not file.left_out(last + 1, cut[0] - 1):
                    yield f"{file.path}: what was sealed between inputs {last % LIFE} and {cut[0] % LIFE} is missing"
                yield from self._cut(file, cut[1])
                place = last = cut[1]
                self._say("blocks", place - (begin[0] if begin else 0), max(1, end - (begin[0] if begin else 0)))
            if last >= 0 and last != end and file.sealed() == (life, sealed) and not file.left_out(last + 1, end):
                yield f"{file.path}: it says that inputs up to {sealed} are sealed, but blocks end at {last % LIFE}"

    def _cut(self, file: Blocks, last_place: int) -> Iterator[str]:
        try:
            rows = file.in_cut(last_place)
            bad = [row for row in rows if not _is_whole(file, row)]
            found = file.ask("select records from cut where last_place = ?", last_place)
        except StoreError as error:
            yield str(error)
            return
        if not found:
            return  # given up meanwhile, for it is past its time
        for row in bad:
            if file.is_there(row):
                yield f"{file.path}: block {row.id} of {row.endpoint or 'the service'} is not what was written"
        if sum(row.records for row in rows) != found[0][0] and not file.left_out(last_place, last_place):
            yield f"{file.path}: what was sealed up to input {last_place % LIFE} lacks a block"
        self.counts.blocks += len(rows)
        self.counts.records += sum(row.records for row in rows)

    # --- summaries ----------------------------------------------------------------------------------------------------

    def summaries(self) -> Iterator[str]:
        """Faults of summaries: a sample of hours, spread over drives and time, is built anew from the blocks."""
        with contextlib.closing(Blocks(self._dir)) as file:
            span = file.span_ms() if file.ready else None
            if span is None:
                return
            reading, sample = SummaryReading(file), list[tuple[str, int]]()
            drives = reading.drives()
            each = max(1, SAMPLE // max(1, len(drives)))
            for drive in drives[:: max(1, len(drives) // SAMPLE)]:
                sample += [(drive, hour) for hour in _spread(_hours(file, drive, span), each)]
            for number, (drive, hour) in enumerate(sample):
                yield from self._hour(file, reading, drive, hour)
                self._say("summaries", number + 1, len(sample))

    def _hour(self, file: Blocks, reading: SummaryReading, drive: str, hour: int) -> Iterator[str]:
        where = f"{file.path}: the summary of {drive}, hour {_when(hour)},"
        damaged: list[str] = []
        try:
            made = HourBuilder(file, damaged.append).hour_of(drive, hour)
            kept = reading.hours(drive, hour // 24).get(hour % 24)
        except (StoreError, ColumnFault, ValueError, KeyError) as error:
            yield f"{where} cannot be read ({error})"
            return
        if damaged or kept is None or made.hour["drive.covered_ns"][0] < kept.hour["drive.covered_ns"][0]:
            return  # blocks are told elsewhere; where some of the hour's are gone, the summary is what is left of them
        self.counts.hours += 1
        other = _other(kept.hour, made.hour)
        if other and not _is_due(file, hour):
            yield f"{where} is not what its blocks say ({other}); historian recompute makes it anew"

    # --- trip records -------------------------------------------------------------------------------------------------

    def trips(self) -> Iterator[str]:
        """Faults of trip records, whole and open."""
        folder = self._dir / FOLDER
        paths = sorted(p for p in folder.iterdir() if not p.name.startswith(".")) if folder.is_dir() else []
        mine = [p for p in paths if p.is_dir() or p.suffix == SUFFIX]
        for number, path in enumerate(mine):
            try:
                with TripFile(path) as file:
                    yield from (f"{path}: {fault}" for fault in file.faults())
                    if path.is_dir():
                        for name in file.names():
                            for _ in file.lines(name):
                                pass
                self.counts.trips += 1
            except (StoreError, RecordFault, *UNREADABLE) as error:
                if path.exists() and not (path.is_dir() and not (path / "record.json").exists()):
                    text = str(error)
                    yield text if text.startswith(str(path)) else f"{path}: cannot be read ({text})"
            self._say("trip records", number + 1, len(mine))


def _sites_of(file: Blocks, life: int) -> list[str]:
    """Ids of the sites whose settings were in force in a life, as far as they are kept."""
    ends = (life * LIFE, (life + 1) * LIFE)
    digests = file.ask("select distinct digest from period where place >= ? and place < ?", *ends)
    for order in ("asc", "desc"):  # settings that did not change within it are named by its blocks only
        first = f"select digest from block where cut >= ? and cut < ? order by cut {order} limit 1"
        digests += [(file.name(int(number)),) for (number,) in file.ask(first, *ends)]
    found: list[str] = []
    for (digest,) in digests:
        with contextlib.suppress(StoreError):
            found += [from_built(text)[0].id] if (text := file.built(str(digest))) else []
    return list(dict.fromkeys(found))


def _is_whole(file: Blocks, row: BlockRow) -> bool:
    begin = row.id * COLUMNS
    found = file.ask("select id - ?1, data from column_data where id >= ?1 and id < ?2", begin, begin + COLUMNS)
    kept = file.ask("select sha256 from block where id = ?", row.id)
    if type(row.head) is not bytes or not all(type(data) is bytes for _, data in found):
        return False
    return bool(kept) and digest_of(row.head, dict(found)) == kept[0][0]


def _hours(file: Blocks, drive: str, span: tuple[int, int]) -> list[int]:
    """Hours of a drive (since 1970) of which summary and blocks are there; the newest is still being built."""
    reading = SummaryReading(file)
    days = reading.days(drive, span[0] // DAY_MS, span[1] // DAY_MS + 1)
    chosen = _spread(days, SAMPLE)
    hours = [day * 24 + at for day in chosen for at in sorted(reading.hours(drive, day))]
    return [hour for hour in hours if span[0] <= hour * HOUR_MS and (hour + 1) * HOUR_MS <= span[1]]


def _spread(found: list[int], count: int) -> list[int]:
    """At most so many, evenly over all."""
    if len(found) <= count:
        return found
    return [found[number * len(found) // count] for number in range(count)]


def _other(kept: Table, made: Table) -> str:
    """The first figure that differs; "" = none does."""
    for name in kept.keys() & made.keys():
        a, b = np.asarray(kept[name], float), np.asarray(made[name], float)
        if a.shape != b.shape or not np.allclose(a, b, rtol=SLACK, atol=SLACK, equal_nan=True):
            return f"{name}: {a.reshape(-1)[:1]} kept, {b.reshape(-1)[:1]} built"
    return ""


def _is_due(file: Blocks, hour: int) -> bool:
    """Whether an hour waits to be built anew, for late readings were sealed."""
    return bool(file.ask("select 1 from summary_due where hour = ? limit 1", hour))


def _when(hour: int) -> str:
    return f"{np.datetime64(hour * 3600, 's')}Z"
