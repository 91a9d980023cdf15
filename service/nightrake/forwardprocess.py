"""Talking with the backlog lane's process: one line of JSON to it, then lines from it, until enough was heard."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Callable
from typing import Any

LONGEST_LINE = 4 * 1024 * 1024
END_S = 2.0


async def hear(
    process: asyncio.subprocess.Process, job: bytes, heard: Callable[[dict[str, Any]], bool], silent_s: float
) -> str:
    """Give the process its job and listen.

    Args:
        job: The line. heard: Gets what it says; whether that is enough. silent_s: It may say nothing for this long.

    Returns:
        "" when it was enough; otherwise how it ended.

    Raises:
        TimeoutError: It was silent for too long. OSError, ValueError: Its pipes broke; what it said is no JSON.
    """
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(job)
    await process.stdin.drain()
    while True:
        async with asyncio.timeout(silent_s):
            line = await process.stdout.readline()
        said = json.loads(line) if line else None
        if not isinstance(said, dict):
            return "it has ended"
        if heard(said):
            return ""
        if said.get("error"):
            return str(said["error"])[:300]


async def end(process: asyncio.subprocess.Process) -> None:
    """It ends at once when its standard input is closed; if not, it is ended."""
    if process.stdin is not None:
        process.stdin.close()
    try:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(END_S):
                await process.wait()
    finally:  # also where whoever waits is told to stop waiting
        if process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()
