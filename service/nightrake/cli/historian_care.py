"""`nightrake historian backup`, `restore`, `compact`: the store's files as a whole, with or without a running watch."""

from __future__ import annotations

import os
import shutil
import textwrap
from collections.abc import Iterator, Mapping
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from nightrake import __version__
from nightrake.cli.journal_wanted import now_utc_ms
from nightrake.cli.progress import Progress
from nightrake.control.client import ControlClient
from nightrake.errors import ControlError, NightrakeError, StoreError
from nightrake.journal import schema as store_schema
from nightrake.journal.lock import lock_holder, take_lock
from nightrake.longterm import damage
from nightrake.longterm import schema as history_schema
from nightrake.longterm.backupfile import HISTORY, STORE, Backup, Say, read_backup
from nightrake.longterm.care import About, back_up
from nightrake.longterm.checking import Checking
from nightrake.longterm.compacting import write_anew
from nightrake.longterm.rescuing import Rescued
from nightrake.longterm.restoring import Restored, finish, holds_something, is_cut_off, restore
from nightrake.settings import Settings, load

WIDTH = 80
NICE = 10
"""Below the watch, whatever the work is."""
SHOWN = 10
"""Faults of a copy that are shown one by one."""
WAIT_S = 3600.0
"""How long a running watch may take to give room back."""
KNOWN = {STORE: store_schema.MIGRATIONS, HISTORY: history_schema.MIGRATIONS}
CAUTION = (
    "Alarms, latches and lockouts are now those of that time. A lockout that was opened since is not among them, and "
    "one that was released since stands again: hold this against the people's own records and the tags at the machines "
    "before anything is started. The service isolates nothing; follow your lock-out procedure."
)


def run_backup(folder: Path, overrides: Mapping[str, str | int | float], target: Path) -> int:
    """Copy everything into a new folder; exit code 0, and 1 where the store's history is lost or damaged."""
    settings = load(folder, overrides)
    os.nice(NICE)
    watched = bool(lock_holder(settings.store_dir))
    about = About(settings.site.id, __version__, now_utc_ms(), watched, settings.history.enabled)
    with Progress("backing up", 0, 1) as progress:
        made = back_up(settings.store_dir, target, about, _in_mib(progress))
    how = "The watch went on meanwhile." if watched else "No watch runs."
    _say(f"{target}: {_size(made)}; journal to row {made.last_row}, history sealed to input {made.sealed}. {how}")
    _say(
        f"Settings and calibration records are not in it: they are in {folder}. Check it with: nightrake historian "
        f"verify {target}"
    )
    return _judge(settings, made)


def _judge(settings: Settings, made: Backup) -> int:
    """Look through the copy: one of a damaged history must not take the place of a sound one."""
    with Progress("looking at the copy", 0, 1) as progress:
        checking = Checking(made.path, lambda _, done, whole: progress.share(done, whole, ""))
        faults = [*damage.sentences(settings.store_dir), *_faults(checking, made, settings.site.id)]
    for fault in faults[:SHOWN]:
        _say(fault)
    if not faults:
        return 0
    more = f" ({len(faults) - SHOWN} more are not shown)" if len(faults) > SHOWN else ""
    _say(
        f"HISTORY IS LOST OR DAMAGED IN THE STORE{more}, and so it is in this copy, which is kept. Keep the backups "
        "before it: they may hold what is missing here."
    )
    return 1


def _faults(checking: Checking, made: Backup, site: str) -> Iterator[str]:
    try:
        yield from checking.held(site, history_on=made.history_on)
        for name in sorted({STORE, HISTORY} & made.files.keys()):
            yield from checking.form(name, watched=True)  # each block is looked at just below
        if HISTORY in made.files:
            yield from checking.blocks()
    except StoreError as error:
        yield str(error)


def run_restore(folder: Path, overrides: Mapping[str, str | int | float], path: Path, *, replace: bool) -> int:
    """Put a backup in the place of the store; exit code 0.

    Raises:
        NightrakeError: A watch runs, there is a store already, or the backup is not whole; nothing was changed.
    """
    settings = load(folder, overrides)
    backup = read_backup(path)
    if backup.site != settings.site.id:
        raise NightrakeError(
            f"{path}: is a backup of the site '{backup.site[:40]}', not of '{settings.site.id}'; nothing was changed"
        )
    with closing(take_lock(settings.store_dir)):
        done = finish(settings.store_dir) if is_cut_off(settings.store_dir) else None
        if done is not None:
            _tell(done)
        if done is None or done.backup.files != backup.files:
            if holds_something(settings.store_dir) and not replace:
                raise NightrakeError(
                    f"{settings.store_dir}: holds a store already; --replace moves it aside, into a folder beside it"
                )
            with Progress("restoring", 0, 1) as progress:
                known = len(store_schema.MIGRATIONS)
                _tell(restore(backup, settings.store_dir, now_utc_ms(), known, _in_mib(progress)))
    _say(CAUTION)
    return 0


def _tell(done: Restored) -> None:
    when = datetime.fromtimestamp(done.backup.taken_utc_ms / 1000, UTC)
    first = "A restore that was cut off has been finished: the" if done.finished else "The"
    _say(
        f"{first} backup of {when:%Y-%m-%d %H:%M:%S} UTC is in place, {_size(done.backup)}; the next watch gives it an "
        "epoch of its own, so that no id recurs."
    )
    if done.aside is not None:
        _say(f"What was there before is in {done.aside}; delete it when nobody needs it any more.")


def run_compact(folder: Path, overrides: Mapping[str, str | int | float], *, leave_out_damaged: bool = False) -> int:
    """Give room back to the disk; exit code 0."""
    settings = load(folder, overrides)
    os.nice(NICE)
    try:
        lock = take_lock(settings.store_dir)
    except StoreError:
        if not lock_holder(settings.store_dir):
            raise
        if leave_out_damaged:
            raise NightrakeError(
                "a watch runs: stop it first; what is damaged can be left out only without it"
            ) from None
        _by_the_watch(settings)
        return 0
    with closing(lock):
        if is_cut_off(settings.store_dir):
            raise StoreError(f"{settings.store_dir}: a restore was cut off; give 'nightrake historian restore' again")
        if not holds_something(settings.store_dir):
            raise StoreError(f"{settings.store_dir}: there is no store; check store.dir in the settings")
        for name in (STORE, HISTORY):
            if (settings.store_dir / name).exists():
                _say(f"{name} is being written anew; this may take minutes")
                rescue_at_ms = now_utc_ms() if leave_out_damaged and name == HISTORY else 0
                done = write_anew(settings.store_dir, name, len(KNOWN[name]), rescue_at_ms)
                _say(done.text)
                if done.left is not None:
                    _say(_left_out(done.left))
    return 0


def _left_out(left: Rescued) -> str:
    if not left.stretches:
        return "Everything in it that is kept could be read: nothing was left out."
    span = (damage.when_text(utc_ms) for utc_ms in (left.low_utc_ms, left.high_utc_ms))
    where = f", from {' to '.join(span)}," if left.blocks else ""
    return (
        f"Left out, for it could not be read: {left.records} readings in {left.blocks} blocks{where} as far as they "
        f"could be counted; {left.stretches} sealed stretches lack something, and cannot be replayed. Keep the backups "
        "from before: they may hold it."
    )


def _by_the_watch(settings: Settings) -> None:
    """The history worker, the one writer, does it; what only a stopped watch allows is said."""
    _say("A watch runs: its history worker gives back what is free; this may take minutes.")
    with ControlClient(settings.control.socket, timeout_s=WAIT_S) as client:
        answer = client.ask("compact")
    if not answer["ok"]:
        raise ControlError(f"{answer['text']}; what was given back stays so, ask again")
    _say(str(answer["text"]))
    _say("The watch keeps store.db compact itself. Both files are written anew, smaller still, while no watch runs.")


def _in_mib(progress: Progress) -> Say:
    def say(done: int, whole: int) -> None:
        progress.share(done, whole, f"of {whole >> 20} MiB")

    return say


def _size(backup: Backup) -> str:
    return f"{len(backup.files)} files, {backup.bytes / 1024**2:.1f} MiB"


def _say(sentence: str) -> None:
    width = min(WIDTH, shutil.get_terminal_size((WIDTH, 24)).columns)
    print("\n".join(textwrap.wrap(sentence, width, break_long_words=False, break_on_hyphens=False)))
