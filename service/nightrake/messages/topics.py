"""Names of the topics, all below ``{root}/{site}/``; see TOPICS.md beside this file."""

from __future__ import annotations

ID_LENGTH = 64
"""No drive of ours has a longer id."""


class Topics:
    """The topics of one site.

    Args:
        root, site: First two parts of every topic; ids without ``/``, ``+``, ``#``.
    """

    def __init__(self, root: str, site: str) -> None:
        base = f"{root}/{site}/"
        self.service = base + "service"
        self.events = base + "events"
        self.drives = base + "drive/+"
        self._drive = base + "drive/"

    def drive(self, drive: str) -> str:
        """Where a drive's state is retained."""
        return self._drive + drive

    def drive_of(self, topic: str) -> str:
        """The drive whose state is retained on a topic, or "" for any other topic."""
        drive = topic.removeprefix(self._drive)
        return drive if drive != topic and 0 < len(drive) <= ID_LENGTH and "/" not in drive else ""
