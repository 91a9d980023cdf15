"""The settings folder, read and checked in a process of its own, so that the scans do not wait for it.

Two thousand drives take some seconds of work and some hundred MB; in a thread of the watch both would be felt, and a
stop would wait for its end. What comes back is taken apart piece by piece, so that the event loop can go on in between.

    watch -- folder, overrides (JSON) --> python -m nightrake.loadapart -- pieces (length, pickle) --> watch
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import pickle
import struct
import sys
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any

from nightrake.errors import ConfigError, ControlError
from nightrake.settings import Settings, load

LOAD_S = 60.0
"""A folder that takes longer is given up: its disk hangs, or it is no settings folder."""
PIECE = 50
"""Drives or calibration records in one piece: some milliseconds of the event loop's time."""
NICE = 10
_LENGTH = struct.Struct("<I")


async def load_apart(folder: Path, overrides: Mapping[str, Any], within_s: float = LOAD_S) -> Settings:
    """`settings.load` in another process.

    Args:
        folder, overrides: See `settings.load`. within_s: Then the process is ended.

    Raises:
        ConfigError: With every mistake in the folder. ControlError: It could not be read at all, and why.
    """
    try:
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "nightrake.loadapart"),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
        )
    except OSError as error:
        raise ControlError(f"{folder}: no process to read it could be started ({error.strerror}); try again") from error
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        async with asyncio.timeout(within_s):
            process.stdin.write(json.dumps({"folder": str(folder), "overrides": dict(overrides)}).encode())
            process.stdin.close()
            return await _put_together(process.stdout)
    except TimeoutError:
        raise ControlError(f"{folder}: could not be read within {within_s:g} s; look at its disk and size") from None
    except (OSError, EOFError, pickle.UnpicklingError) as error:
        raise ControlError(f"{folder}: the process that read it ended before it was done; try again") from error
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()


async def _put_together(stream: asyncio.StreamReader) -> Settings:
    drives: dict[str, Any] = {}
    records: list[Any] = []
    while True:
        (length,) = _LENGTH.unpack(await stream.readexactly(_LENGTH.size))
        # From our own program, through a pipe that nobody else holds.
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
    for piece in pieces(Path(asked["folder"]), asked["overrides"]):
        data = pickle.dumps(piece, protocol=5)
        sys.stdout.buffer.write(_LENGTH.pack(len(data)) + data)
    sys.stdout.flush()


if __name__ == "__main__":
    main()
