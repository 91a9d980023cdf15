"""The store's files, held open between two questions, and opened anew when they are others than before."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from nightrake.longterm.drivereading import DriveReading, Opened
from nightrake.longterm.warm import WarmHistory
from nightrake.longterm.writing import FILE

STORE = "store.db"
AGAIN_S = 20.0
"""History that could not be read is tried again after this."""


class KeptHistory:
    """A site's history.

    Args:
        state_dir: Folder of the store. now_s: Monotonic seconds.
    """

    def __init__(self, state_dir: Path, now_s: Callable[[], float]) -> None:
        self.state_dir, self._now_s = state_dir, now_s
        self._opened: tuple[Opened, WarmHistory] | None = None
        self._files: tuple[int, int] = (0, 0)
        self._since_s = 0.0
        self.turn = 0
        """Rises each time that the files are opened; what was read before may be another's."""

    def files(self) -> tuple[Opened, WarmHistory]:
        """The files, open.

        Raises:
            StoreError: They cannot be read now.
        """
        files = (_inode(self.state_dir / STORE), _inode(self.state_dir / FILE))
        if self._opened is not None:
            opened, history = self._opened
            lacks = bool(history.unread) or (opened.summaries is None and files[1] != 0)
            if files != self._files or (lacks and self._now_s() - self._since_s > AGAIN_S):
                self.close()
        if self._opened is None:
            opened = Opened(self.state_dir, WarmHistory)
            assert isinstance(opened.history, WarmHistory)
            self._opened, self._files, self._since_s = (opened, opened.history), files, self._now_s()
            self.turn += 1
        return self._opened

    def drive(self, drive: str) -> DriveReading:
        """One drive's history.

        Raises:
            LookupError: There is no such drive. StoreError: See `files`.
        """
        opened, history = self.files()
        if drive not in history.drives():
            raise LookupError(f"there is no drive '{drive[:40]}' in what is recorded")
        return DriveReading(opened, drive)

    def notes(self) -> list[str]:
        """What of the history cannot be read, in sentences."""
        _, history = self.files()
        only = "what is sealed is not shown, only what is still in store.db"
        return [*([f"{history.unread}; {only}"] if history.unread else []), *history.unreadable()]

    def close(self) -> None:
        """Close the files; the next question opens them anew."""
        if self._opened is not None:
            self._opened[0].close()
            self._opened = None


def _inode(path: Path) -> int:
    try:
        return path.stat().st_ino
    except OSError:
        return 0
