"""`nightrake journal verify`: every row of the journal, and the heads that were published over MQTT."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from nightrake.cli.journal_wanted import searching, store_path
from nightrake.domain.cleantext import clean
from nightrake.errors import NightrakeError, StoreError
from nightrake.journal.archive import Kept, Where
from nightrake.journal.audit import Audit, Audited, Head
from nightrake.journal.search import Search
from nightrake.settings import load

WIDTH = 80
LONGEST = 1 << 20
"""Characters of one line of a file of messages; no message of ours comes near."""
SHOWN = 10


def run_verify(folder: Path, overrides: Mapping[str, str | int | float], heads_file: Path | None) -> int:
    """Print what was checked; exit code 0 if all of it holds.

    Raises:
        NightrakeError: A row is wrong (the first one is named), or folder, store or file cannot be read.
    """
    settings = load(folder, overrides)
    heads = read_heads(heads_file, settings.site.id) if heads_file is not None else {}
    with searching(settings) as search:
        faults = search.archive_faults()
        if faults:
            raise StoreError(f"{faults[0]}{_also(len(faults) - 1, 'file')}")
        found, archives, strangers = audited(search, Audit(heads)), search.archives(), search.strangers()
        used = 0 if found.rows or archives else search.set_aside()
    if found.wrong:
        raise StoreError(f"{store_path(settings)}: {found.wrong[0].text}{_also(found.wrong_count - 1, 'place')}")
    if used > 0:
        raise StoreError(
            f"{store_path(settings)}: the journal holds no row, although numbers up to {used} were set aside for rows, "
            "and the first row is written with them: its rows were taken out; look for a copy of the store"
        )
    for text in [*_report(found, heads_file), *_files(archives), *strangers]:
        print("\n".join(textwrap.wrap(text, WIDTH, break_on_hyphens=False)))
    return 0


def audited(search: Search, audit: Audit) -> Audited:
    """All rows, in the store and in files; what was given up is passed over by its record."""
    gone = [kept.segment for kept in search.archives() if kept.where is Where.NOWHERE]
    for row in search.raw():
        while gone and gone[0].first_seq < row.seq:
            audit.pass_over(gone.pop(0))
        audit.take(row)
    for segment in gone:
        audit.pass_over(segment)
    return audit.done()


def _also(more: int, what: str) -> str:
    return f"; {more} more {what}{'s are' if more > 1 else ' is'} wrong after it" if more else ""


def _files(archives: list[Kept]) -> Iterator[str]:
    files = [kept for kept in archives if kept.where is not Where.NOWHERE]
    alone = sum(kept.segment.rows for kept in files if kept.where is Where.FILE)
    if files:
        count = "1 archive is" if len(files) == 1 else f"{len(files)} archives are"
        yield f"{count} as written; {alone} rows are there only."


def _report(found: Audited, heads_file: Path | None) -> Iterator[str]:
    if not found.rows:
        yield "The journal holds no row."
        return
    lives = "1 life" if len(found.epochs) == 1 else f"{len(found.epochs)} lives"
    starts = "1 start" if found.starts == 1 else f"{found.starts} starts"
    yield f"{found.rows} rows, from {found.first_seq} to {found.last_seq}; {lives}, {starts} of the watch."
    for run in found.missing[:SHOWN]:
        numbers = f"Number {run.first} was" if run.first == run.last else f"Numbers {run.first} to {run.last} were"
        why = "given up while the disk was away" if run.lost else "skipped at a start"
        yield f"{numbers} {why}, as row {run.row} says." if run.row else f"{numbers} in an archive, given up for room."
    if found.missing_count > SHOWN:
        yield f"{found.missing_count - SHOWN} more such runs are told."
    yield "The chain holds: no row was changed, moved, or taken out between two others."
    if heads_file is not None:
        fit = "1 published head fits" if found.heads == 1 else f"{found.heads} published heads fit"
        yield f"{fit}: nothing up to the newest of them was cut off."
    else:
        yield "Whether rows were cut off at the end shows only beside published heads: give --heads FILE."


def read_heads(path: Path, site: str) -> dict[int, dict[bytes, Head]]:
    """Heads from messages as a subscriber kept them, one a line.

    A line is the message itself, what ``mosquitto_sub -F %j`` or ``%J`` makes of it, or topic and message (``-v``).
    Other messages than canaries are passed over, and so is a last line that was cut off.

    Raises:
        NightrakeError: It cannot be read, a line is no message of this site, or there is no head in it.
    """
    heads: dict[int, dict[bytes, Head]] = {}
    try:
        with path.open(encoding="utf-8", errors="replace") as file:
            for number, line in enumerate(iter(lambda: file.readline(LONGEST), ""), 1):
                head = _head(line, f"{path}: line {number}", site)
                if head is not None:
                    heads.setdefault(head.seq, {}).setdefault(head.hash, head)
    except OSError as error:
        raise NightrakeError(f"{path}: cannot be read ({error.strerror}); check --heads") from error
    if not heads:
        raise NightrakeError(
            f"{path}: holds no published head; keep the messages of the topic 'events', for instance with "
            "mosquitto_sub -t 'nightrake/SITE/events' -F %j"
        )
    return heads


def _head(line: str, where: str, site: str) -> Head | None:
    if not line.strip():
        return None
    message = _message(line)
    if message is None:
        if not line.endswith("\n"):
            return None
        raise NightrakeError(f"{where} is no message of nightrake; expected lines as mosquitto_sub -F %j prints them")
    if message.get("site", site) != site:
        raise NightrakeError(f"{where} is of the site '{clean(str(message['site']), 40)}', not of '{site}'")
    if message.get("kind") != "canary":
        return None
    try:
        data = message["data"]
        seq, digest = int(data["head_seq"]), bytes.fromhex(data["head_hash"])
    except (KeyError, TypeError, ValueError):
        raise NightrakeError(f"{where} is a canary without head_seq and head_hash") from None
    if not seq:  # no row was on disk yet
        return None
    return Head(seq, digest, clean(str(message.get("epoch")), 40), clean(str(message.get("occurred")), 40))


def _message(line: str) -> dict[str, Any] | None:
    """The message in a line, out of its wrapping; None where there is none."""
    text = line.strip()
    if not text.startswith("{"):
        text = text.partition(" ")[2]
    for _ in range(2):
        try:
            found = json.loads(text)
        except (ValueError, RecursionError):
            return None
        if not isinstance(found, dict):
            return None
        if "kind" in found:
            return found
        inner = found.get("payload")
        text = inner if isinstance(inner, str) else json.dumps(inner)
    return None
