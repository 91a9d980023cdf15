"""The settings folder, read and checked in a process of its own, so that the scans do not wait for it.

Two thousand drives take some seconds of work and some hundred MB; in a thread of the watch both would be felt, and a
stop would wait for its end. What comes back is taken apart piece by piece, so that the event loop can go on in between.

    watch -- folder, overrides (JSON) --> this module -- digest of the program, pieces (length, pickle) --> watch

A piece means the same on both sides only where both run the same program. One that was exchanged on disk under the
running watch, as an upgrade does, would read fields into one another's place: so the first thing sent is a digest of
the program, and from any other program nothing is taken.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import hashlib
import json
import os
import pickle
import struct
import sys
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from itertools import chain, islice
from pathlib import Path
from typing import Any

import pydantic

from nightrake.errors import ConfigError, ControlError, NightrakeError
from nightrake.settings import Settings, load

LOAD_S = 60.0
"""A folder that takes longer is given up: its disk hangs, or it is no settings folder."""
PIECE = 50
"""Drives or calibration records in one piece: some milliseconds of the event loop's time."""
MOST_BYTES = 64 * 1024 * 1024
"""A longer piece is none of ours: two thousand drives come in pieces of some hundred kB."""
END_S = 2.0
"""A process whose disk hangs cannot be ended before the disk answers; it is left behind."""
NICE = 10
_LENGTH = struct.Struct("<I")
_PACKAGE = Path(__file__).parent
_NO_PART = {
    "cli",
    "commissioning",
    "history",
    "learning",
    "learnreading",
    "learntold",
    "longterm",
    "page",
    "plant",
    "reports",
    "workers",
}
"""Of the watch, and of what settings are made of."""
_BEGIN = "import sys; sys.path.insert(0, sys.argv[1]); import nightrake; del sys.path[0]; "
"""The package is the watch's own, whatever else is installed; nothing is looked for where the watch was started, hence
``-P`` and the folder ``/``."""
_COMMAND = (sys.executable, "-P", "-c", f"{_BEGIN}from nightrake.loadapart import main; main()", str(_PACKAGE.parent))
_CHANGED = (
    "the program on disk is another than the one that runs, as after an upgrade; nothing was taken: restart the watch, "
    "which takes program and settings together"
)


@functools.cache
def program() -> str:
    """Digest (hex) of the program as it is on disk: its source, and what else says how settings are laid out.

    The watch asks at its start, and goes on with that answer: what it runs is what was there then.
    """
    return _on_disk()


def _on_disk() -> str:
    digest = hashlib.sha256(f"{sys.version} {pydantic.VERSION}".encode())
    for path in sorted(_PACKAGE.rglob("*.py")):
        name = path.relative_to(_PACKAGE)
        if name.parts[0] in _NO_PART:
            continue
        with contextlib.suppress(OSError):  # an upgrade takes files away under our hands
            digest.update(f"\0{name}\0".encode() + path.read_bytes())
    return digest.hexdigest()


async def load_apart(folder: Path, overrides: Mapping[str, Any], within_s: float = LOAD_S) -> Settings:
    """`settings.load` in another process.

    Args:
        folder: Absolute. overrides: See `settings.load`. within_s: Then the process is ended.

    Raises:
        ConfigError: With every mistake in the folder. ControlError: It could not be read at all, and why.
    """
    try:
        process = await asyncio.create_subprocess_exec(
            *_COMMAND,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
            cwd="/",
        )
    except OSError as error:
        raise ControlError(f"{folder}: no process to read it could be started ({error.strerror}); try again") from error
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        async with asyncio.timeout(within_s):
            process.stdin.write(json.dumps({"folder": str(folder), "overrides": dict(overrides)}).encode())
            process.stdin.close()
            return await take(process.stdout, folder)
    except TimeoutError:
        raise ControlError(f"{folder}: could not be read within {within_s:g} s; look at its disk and size") from None
    finally:
        await end(process)


async def end(process: asyncio.subprocess.Process, within_s: float = END_S) -> bool:
    """End a process; False when it did not end in time, as one does not whose disk hangs: it is left behind."""
    with contextlib.suppress(ProcessLookupError):
        process.kill()
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(within_s):
            await process.wait()
            return True
    return False


async def take(stream: asyncio.StreamReader, folder: Path) -> Settings:
    """Put the settings together from what the other process sends.

    Args:
        stream: From it. folder: For the error's text.

    Raises:
        ConfigError: It found mistakes in the folder. ControlError: It sent anything else than settings of ours.
    """
    try:
        came = await stream.readexactly(len(program()))
        if came != program().encode():
            raise ControlError(f"{folder}: {_CHANGED}")
        return await _put_together(stream)
    except (NightrakeError, TimeoutError, MemoryError):
        raise
    except (OSError, EOFError) as error:
        why = _CHANGED if _on_disk() != program() else "the process that read it ended before it was done; try again"
        raise ControlError(f"{folder}: {why}") from error
    except Exception as error:  # what a damaged piece can bring about has no bounds
        what = f"what came is no settings, {type(error).__name__}"
        raise ControlError(f"{folder}: the process that read it went wrong ({what}); try again") from error


async def _put_together(stream: asyncio.StreamReader) -> Settings:
    drives: dict[str, Any] = {}
    records: list[Any] = []
    while True:
        (length,) = _LENGTH.unpack(await stream.readexactly(_LENGTH.size))
        if length > MOST_BYTES:
            raise ValueError(f"a piece of {length} bytes")
        # From our own program, and the same as this, through a pipe that nobody else holds.
        piece = pickle.loads(await stream.readexactly(length))
        await asyncio.sleep(0)
        kind, value = piece
        if kind == "mistakes":
            raise ConfigError(value)
        if kind == "drives":
            drives.update(value)
        elif kind == "records":
            records += value
        else:
            settings: Settings = value
            return replace(settings, site=replace(settings.site, drives=drives), records=tuple(records))


# --- in the other process ---------------------------------------------------------------------------------------------


def pieces(folder: Path, overrides: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    """What is sent: the drives and records by the dozen, the rest last; or all mistakes."""
    try:
        settings = load(folder, overrides)
    except ConfigError as error:
        yield "mistakes", error.mistakes
        return
    for drives in _shares(settings.site.drives.items()):
        yield "drives", drives
    for records in _shares(settings.records):
        yield "records", records
    yield "rest", replace(settings, site=replace(settings.site, drives={}), records=())


def _shares(things: Iterable[Any]) -> Iterator[list[Any]]:
    left = iter(things)
    while share := list(islice(left, PIECE)):
        yield share


def main() -> None:
    """Read what to load from standard input, write the pieces to standard output."""
    with contextlib.suppress(OSError):  # a service manager may forbid it
        os.nice(NICE)
    with contextlib.suppress(OSError):  # should memory run short, this process is the one to end
        Path("/proc/self/oom_score_adj").write_text("1000", encoding="ascii")
    asked = json.load(sys.stdin)
    sent = map(pickle.dumps, pieces(Path(asked["folder"]), asked["overrides"]))
    first = next(sent)  # everything that is ever loaded has been loaded by now: an exchange meanwhile shows
    sys.stdout.buffer.write(program().encode())
    for data in chain([first], sent):
        sys.stdout.buffer.write(_LENGTH.pack(len(data)) + data)
    sys.stdout.flush()
