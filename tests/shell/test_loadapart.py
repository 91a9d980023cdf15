"""A settings folder read in a process of its own: the same settings, the same mistakes, and nothing left behind."""

from __future__ import annotations

import asyncio
import os
from pathlib import Path

import pytest

from nightrake.errors import ConfigError, ControlError, NightrakeError
from nightrake.loadapart import load_apart
from nightrake.reloading import in_thread
from nightrake.settings import load

CONFIG = Path(__file__).parents[2] / "config"


@pytest.mark.asyncio
async def test_settings_come_over_whole() -> None:
    """Equal to what `load` gives here, overrides included, piece by piece."""
    overrides = {"mqtt.port": 1999}

    apart = await load_apart(CONFIG, overrides)

    assert apart == load(CONFIG, overrides)
    assert apart.mqtt.port == 1999
    assert list(apart.site.drives) == list(load(CONFIG).site.drives)


@pytest.mark.asyncio
async def test_mistakes_come_over_with_file_line_and_key(tmp_path: Path) -> None:
    """All of them, as `load` gives them."""
    (tmp_path / "site.toml").write_text('[site]\nid = "a b"\nnam = "x"\n')

    with pytest.raises(ConfigError) as here:
        load(tmp_path)
    with pytest.raises(ConfigError) as apart:
        await load_apart(tmp_path, {})

    assert apart.value.mistakes == here.value.mistakes
    assert len(apart.value.mistakes) >= 2


@pytest.mark.asyncio
async def test_reading_that_takes_too_long_is_given_up() -> None:
    """The process is ended, and the watch told why."""
    with pytest.raises(ControlError, match="could not be read within 0 s"):
        await load_apart(CONFIG, {}, within_s=0.0)


@pytest.mark.asyncio
async def test_reading_that_is_cancelled_leaves_no_process() -> None:
    """A stop in the middle of a reload."""
    task = asyncio.create_task(load_apart(CONFIG, {}))
    await asyncio.sleep(0)
    task.cancel()

    with pytest.raises(asyncio.CancelledError):
        await task


@pytest.mark.asyncio
async def test_disk_that_hangs_is_left_behind(tmp_path: Path) -> None:
    """What a thread waits for is waited for no longer than said; its errors come to whoever asked."""
    os.mkfifo(tmp_path / "hangs")

    def wait() -> bytes:
        return (tmp_path / "hangs").read_bytes()

    with pytest.raises(NightrakeError, match="the disk hangs"):
        await in_thread(wait, 0.05, "the secret")
    (tmp_path / "hangs").write_bytes(b"")  # so that the thread ends with the test
    with pytest.raises(FileNotFoundError):
        await in_thread((tmp_path / "missing").read_bytes, 5.0, "the secret")
