"""What `check` says of the disk that the store is on, or will be."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from nightrake.journal.home import ROOM_TO_BEGIN


def disk_doubts(state_dir: Path) -> Iterator[str]:
    """One sentence where a start would find no room; nothing where nobody can say.

    Args:
        state_dir: Folder of the store; it need not be there yet.
    """
    place = next((p for p in (state_dir, *state_dir.parents) if p.exists()), None)
    try:
        disk = os.statvfs(place) if place is not None else None
    except OSError:
        return
    if disk is None:
        return
    free = disk.f_bavail * disk.f_frsize
    if free < ROOM_TO_BEGIN:
        yield (
            f"store.dir: {state_dir}: the disk has {free // 1024} KiB left; the watch starts and calls people all the "
            "same, but keeps what happens in memory only, until there is room; make room"
        )
