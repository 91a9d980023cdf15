"""History that was lost or damaged: what says so lies in the store's folder, and is told for as long as it lies there.

    history.db.damaged-TIME   moved aside, for it could not be read on; its log beside it
    history.db.lost-TIME      a sentence: which readings are gone, where the file itself is gone

Damage within a history.db that goes on stands in its table ``meta``.
"""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime
from pathlib import Path

from nightrake.domain.cleantext import clean
from nightrake.longterm.backupfile import HISTORY, sync_folder
from nightrake.longterm.sql import fetch
from nightrake.longterm.writing import Writing

TAILS = ("", "-wal", "-shm")
DAMAGED, LOST = f"{HISTORY}.damaged-", f"{HISTORY}.lost-"
LATEST_MS = 253_402_300_799_000
"""The last second of the year 9999: a clock may have been beyond it."""
LONGEST = 300
"""Characters of a sentence that are told."""


def move_aside(state_dir: Path, now_utc_ms: int) -> None:
    """Give a history that cannot be read on another name.

    Raises:
        OSError: The disk does not take it.
    """
    for tail in TAILS:
        path = state_dir / f"{HISTORY}{tail}"
        if path.exists():
            os.rename(path, state_dir / f"{DAMAGED}{now_utc_ms}{tail}")


def note_loss(state_dir: Path, now_utc_ms: int, sentence: str) -> None:
    """Write down what is gone.

    Raises:
        OSError: The disk does not take it.
    """
    path = state_dir / f"{LOST}{now_utc_ms}"
    with path.open("w", encoding="utf-8") as file:
        file.write(sentence + "\n")
        file.flush()
        os.fsync(file.fileno())
    sync_folder(state_dir)


def remains(state_dir: Path) -> list[Path]:
    """What tells of a loss, the oldest first; logs beside a file left out."""
    found = [p for p in state_dir.glob(f"{HISTORY}.*-*") if p.name.startswith((DAMAGED, LOST))]
    return sorted((p for p in found if _time_of(p).isdecimal() and p.is_file()), key=lambda p: int(_time_of(p)))


def files_of(path: Path) -> list[Path]:
    """A file that `remains` names, and what lies beside it."""
    return [one for tail in TAILS if (one := path.with_name(f"{path.name}{tail}")).exists()]


def told(state_dir: Path) -> str:
    """All that is lost, in a sentence; "" = nothing is."""
    found = sentences(state_dir)
    again = f"history was lost {len(found)} times; the last: " if len(found) > 1 else ""
    return f"{again}{found[-1]}" if found else ""


def names(state_dir: Path) -> list[str]:
    """What each of the losses is told apart by, the oldest first: its time, whatever becomes of the file."""
    return [_time_of(path) for path in remains(state_dir)]


def sentences(state_dir: Path) -> list[str]:
    """What is lost, a sentence for each time that something was, the oldest first."""
    return [_words(path) for path in remains(state_dir)]


def _words(path: Path) -> str:
    remove = "; move this file out of the folder when that is known"
    try:
        if path.name.startswith(LOST):
            with path.open(encoding="utf-8", errors="replace") as file:
                return f"{path}: {clean(file.read(LONGEST).strip(), LONGEST)}{remove}"
        size = f"{path.stat().st_size / 1024**2:.1f} MiB"
    except OSError as error:
        return f"{path}: says that history was lost, and cannot be read ({error.strerror}){remove}"
    return (
        f"{path}: history was damaged and moved aside at {when_text(int(_time_of(path)))} ({size}): what was sealed "
        f"until then is not shown, and goes first when room is needed; take it out of a backup{remove}"
    )


def when_text(utc_ms: int) -> str:
    """A moment, in UTC."""
    return f"{datetime.fromtimestamp(min(utc_ms, LATEST_MS) / 1000, UTC):%Y-%m-%d %H:%MZ}"


def aside_bytes(state_dir: Path) -> int:
    """What lies moved aside takes of the disk."""
    found = [one for path in remains(state_dir) if path.name.startswith(DAMAGED) for one in files_of(path)]
    return sum(one.stat().st_size for one in found)


def drop_oldest(state_dir: Path) -> bool:
    """Room is needed: the oldest file that was moved aside goes, and that it did stays said; whether there was one.

    Raises:
        OSError: The disk fails.
    """
    path = next((p for p in remains(state_dir) if p.name.startswith(DAMAGED)), None)
    if path is None:
        return False
    moved_ms = int(_time_of(path))
    for one in files_of(path):
        os.truncate(one, 0)  # the room first: there may be none for the note
    gone = "and what was moved aside then was given up for want of room"
    note_loss(state_dir, moved_ms, f"history was damaged at {when_text(moved_ms)}, {gone}")
    for one in reversed(files_of(path)):
        one.unlink(missing_ok=True)
    return True


def _time_of(path: Path) -> str:
    return path.name.rpartition("-")[2]


# --- within a file that goes on ---------------------------------------------------------------------------------------


def note(writing: Writing, sentence: str) -> None:
    """Remember damage within the file for as long as anything is kept that was sealed by now; the first is enough.

    Raises:
        apsw.Error: The file does not take even that.
    """
    if not noted(writing):
        value = json.dumps({"sentence": clean(sentence, LONGEST), "place": writing.place(writing.sealed)})
        writing.db.execute("insert or replace into meta values('damage', ?)", (value,))


def noted(writing: Writing) -> str:
    """What was damaged when it was met; "" = nothing."""
    found = fetch(writing.db, "select value from meta where key = 'damage'")
    return str(json.loads(found[0][0])["sentence"]) if found else ""


def forget(writing: Writing) -> bool:
    """Damage is no longer said when nothing is left of what was sealed by then, nor pages that cannot be freed.

    Returns:
        Whether that is so now.

    Raises:
        apsw.Error: The disk does not take it.
    """
    found = fetch(writing.db, "select value from meta where key = 'damage'")
    oldest = fetch(writing.db, "select min(last_place) from cut")[0][0]
    over = bool(found) and oldest is not None and oldest > int(json.loads(found[0][0])["place"])
    if not over or stuck_bytes(writing):
        return False
    writing.db.execute("delete from meta where key = 'damage'")
    return True


def stuck_bytes(writing: Writing) -> int:
    """Bytes of blocks that were given up, but whose damaged pages cannot be freed."""
    found = fetch(writing.db, "select value from meta where key = 'stuck_bytes'")
    return int(found[0][0]) if found else 0


def add_stuck(writing: Writing, count: int) -> None:
    """So many bytes more; within a transaction."""
    writing.db.execute("insert or replace into meta values('stuck_bytes', ?)", (stuck_bytes(writing) + count,))
