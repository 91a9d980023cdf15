"""Ids of drives that would be taken for something else: in a topic, an alarm's name, a file name, a command."""

from __future__ import annotations

from nightrake.settings.folder import Document

FIXED = ("site", "drive", "service", "events")
"""Parts of alarm names and topics that stand for themselves, in `alarms.keys` and `messages.topics`."""


def check_drive_names(document: Document) -> None:
    """Note each drive whose id cannot be told from a fixed name, from another drive's id, or from an option."""
    seen: dict[str, str] = {}
    for name in document.names("drive"):
        other = seen.setdefault(name.lower(), name)
        text = ""
        if name.lower() in FIXED:
            text = f"is no id for a drive: '{name.lower()}' has a meaning of its own in topics and alarm names"
        elif name.startswith("-"):
            text = "begins with '-', so commands would take it for an option"
        elif other != name:
            text = f"differs from drive.{other} in capital letters only, so their records and pages could be one file"
        if text:
            document.wrong(("drive", name), f"{text}; choose another")
