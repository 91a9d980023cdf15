"""`nightrake historian verify`: store, history, summaries, archive and trip records, of the site or of a backup."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Iterator, Mapping
from contextlib import closing
from pathlib import Path

from nightrake.cli.journal_verify import audited
from nightrake.cli.progress import Progress
from nightrake.errors import StoreError
from nightrake.journal.audit import Audit
from nightrake.journal.lock import lock_holder
from nightrake.journal.search import Search
from nightrake.longterm.backupfile import HISTORY, STORE, faults_of, read_backup
from nightrake.longterm.checking import Checking
from nightrake.longterm.restoring import is_cut_off
from nightrake.settings import load

WIDTH = 80
NICE = 10
SHOWN = 50
"""Faults that are shown one by one."""


def run_verify_all(folder: Path, overrides: Mapping[str, str | int | float], backup: Path | None) -> int:
    """Print what was looked at and every fault; exit code 1 when there is one."""
    os.nice(NICE)
    settings = load(folder, overrides) if backup is None else None
    place, site = (settings.store_dir, settings.site.id) if settings is not None else (backup or Path(), "")
    history_on = settings is None or settings.history.enabled
    looking = _Looking(place, site, is_backup=settings is None, history_on=history_on)
    faults, shown = 0, set[str]()
    for fault in looking.faults():
        if fault in shown:
            continue  # what cannot be read at all is met more than once
        faults += 1
        if faults <= SHOWN:
            shown.add(fault)
            _say(fault)
    if faults > SHOWN:
        _say(f"and {faults - SHOWN} other faults")
    _say(looking.told())
    _say("All of it holds." if not faults else f"{faults} fault{'s' if faults > 1 else ''}; see above.")
    return 1 if faults else 0


class _Looking:
    """One look through a folder."""

    def __init__(self, place: Path, site: str, *, is_backup: bool, history_on: bool) -> None:
        self._place, self._site, self._is_backup, self._history_on = place, site, is_backup, history_on
        self._watched = not is_backup and bool(lock_holder(place))
        self._checking = Checking(place, self._show)
        self._progress: Progress | None = None
        self._what = ""
        self._rows = self._files = 0

    def faults(self) -> Iterator[str]:
        """See the module."""
        if self._is_backup:
            backup = read_backup(self._place)
            self._files, self._site = len(backup.files), backup.site
            self._history_on = backup.history_on
            yield from faults_of(backup, lambda done, whole: self._show("files", done, whole))
        elif is_cut_off(self._place):
            yield f"{self._place}: a restore was cut off; give 'nightrake historian restore' again"
            return
        if not (self._place / STORE).is_file():
            raise StoreError(f"{self._place / STORE}: there is no store; check store.dir in the settings")
        yield from self._guarded(self._journal())
        yield from self._guarded(self._checking.held(self._site, history_on=self._history_on))
        if (self._place / HISTORY).exists():
            yield from self._checking.form(HISTORY, watched=self._watched)
            yield from self._guarded(self._checking.blocks())
            yield from self._guarded(self._checking.summaries())
        yield from self._checking.trips()
        self._done()

    def _journal(self) -> Iterator[str]:
        yield from self._checking.form(STORE, watched=self._watched)
        with closing(Search(self._place / STORE)) as search:
            faults = search.archive_faults()
            yield from faults
            if not faults:
                found = audited(search, Audit({}))
                self._rows = found.rows
                yield from (f"{self._place / STORE}: {wrong.text}" for wrong in found.wrong)

    def _guarded(self, faults: Iterator[str]) -> Iterator[str]:
        """What cannot be read at all is a fault too, and the rest is looked at."""
        try:
            yield from faults
        except StoreError as error:
            yield str(error)

    def told(self) -> str:
        """What was looked at."""
        counts = self._checking.counts
        files = f"{self._files} files by their hashes; " if self._is_backup else ""
        sealed = f"{counts.blocks} blocks with {counts.records} records, each by its hash"
        sample = f"{counts.hours} hours of summaries built anew from them"
        rows, trips = f"{self._rows} journal rows in one chain", f"{counts.trips} trip records"
        strange = f" Sealed before, under a store that this journal never had: {'; '.join(counts.strange)}."
        return f"Looked at: {files}{rows}; {sealed}; {sample}; {trips}.{strange if counts.strange else ''}"

    def _show(self, what: str, done: int, whole: int) -> None:
        if what != self._what:
            self._done()
            self._what, self._progress = what, Progress(f"verifying {what}", 0, 1)
        if self._progress is not None:
            self._progress.share(done, whole, "")

    def _done(self) -> None:
        if self._progress is not None:
            self._progress.__exit__(None, None, None)
            self._progress = None


def _say(sentence: str) -> None:
    print("\n".join(textwrap.wrap(sentence, WIDTH, break_long_words=False, break_on_hyphens=False)))
