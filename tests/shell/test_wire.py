"""The proof on the wire: the recorder sees every request, and a write in it makes the report fail."""

from __future__ import annotations

import asyncio
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from plc.recorder import Frames
from plc.rogue import Rogue

REPORT = Path(__file__).resolve().parent.parent / "wire_report.py"
READ = bytes.fromhex("000100000006010300000001")
WRITE = bytes.fromhex("000200000006010600000001")


def report(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the report on a folder."""
    command = [sys.executable, str(REPORT), *arguments, str(folder)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.asyncio
async def test_planted_write_makes_the_report_fail(
    rogue: Rogue, make_recorder: Callable[..., int], tmp_path: Path
) -> None:
    """A read passes; one write register request in the recording and the run has failed."""
    logs = tmp_path / "planted"
    logs.mkdir()
    reader, writer = await asyncio.open_connection("127.0.0.1", make_recorder(rogue.own_port, logs))
    writer.write(READ)
    assert len(await reader.readexactly(11)) == 11
    clean = await asyncio.to_thread(report, logs)

    writer.write(WRITE)
    while len(rogue.requests) < 2:  # noqa: ASYNC110  # the server is another task of this loop
        await asyncio.sleep(0.005)
    writer.close()
    await writer.wait_closed()
    planted = await asyncio.to_thread(report, logs)

    assert (clean.returncode, planted.returncode) == (0, 1)
    assert "3: 1" in clean.stdout
    assert "other than a read: 6" in planted.stdout


def test_too_few_requests_make_the_report_fail(tmp_path: Path) -> None:
    """A recorder that nobody put in front of the fixtures is noticed."""
    (tmp_path / "a.log").write_text("3\n" * 7)

    assert report(tmp_path, "--at-least", "7").returncode == 0
    assert report(tmp_path, "--at-least", "8").returncode == 1


@pytest.mark.parametrize("size", [1, 5, 7, 12, 24])
def test_frames_are_cut_however_they_arrive(size: int) -> None:
    """Split and glued segments give the same requests."""
    stream, frames = READ + WRITE + READ, Frames()

    words = [w for at in range(0, len(stream), size) for w in frames.feed(stream[at : at + size])]

    assert words == ["3", "6", "3"]
