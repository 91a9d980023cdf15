"""A settings folder read in a process of its own: the same settings, the same mistakes, and nothing left behind."""

from __future__ import annotations

import asyncio
import os
import pickle
import struct
from pathlib import Path

import pytest

from nightrake import loadapart
from nightrake.errors import ConfigError, ControlError, NightrakeError
from nightrake.loadapart import MOST_BYTES, end, load_apart, program, take
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


def sent(*parts: bytes) -> asyncio.StreamReader:
    """What another process has sent before it ended."""
    stream = asyncio.StreamReader()
    stream.feed_data(b"".join(parts))
    stream.feed_eof()
    return stream


def piece(data: bytes) -> bytes:
    """A piece with its length."""
    return struct.pack("<I", len(data)) + data


class Planted:
    """Unpickling it leaves a trace."""

    def __init__(self, trace: Path) -> None:
        self.trace = trace

    def __reduce__(self) -> tuple[object, tuple[object, ...]]:
        return os.mkdir, (str(self.trace),)


@pytest.mark.asyncio
async def test_nothing_is_taken_from_another_program(tmp_path: Path) -> None:
    """One exchanged on disk since the watch began: not one piece of it is unpickled, and what to do is said."""
    other = bytes(reversed(program().encode()))
    with pytest.raises(ControlError, match=r"another than the one that runs.*restart the watch"):
        await take(sent(other, piece(pickle.dumps(Planted(tmp_path / "trace")))), CONFIG)

    assert not (tmp_path / "trace").exists()


@pytest.mark.asyncio
@pytest.mark.parametrize(
    "data",
    [
        b"",
        piece(b"no pickle"),
        piece(pickle.dumps(5)),
        piece(pickle.dumps(("drives", 5))),
        piece(pickle.dumps(("rest", None))),
        piece(b"cnightrake.settings.taken\nNoSuchClass\n."),
        piece(b"cnightrake.no_such_module\nSettings\n."),
        struct.pack("<I", MOST_BYTES + 1) + b"x",
    ],
)
async def test_whatever_else_comes_is_one_sentence(data: bytes) -> None:
    """Cut short, no pickle, another shape, a class that is not there, endless: refused, and the watch goes on."""
    with pytest.raises(ControlError, match=r"the process that read it (ended|went wrong)"):
        await take(sent(program().encode(), data), CONFIG)


def test_digest_knows_any_change_of_what_settings_are_made_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A field more in a module of the domain changes it; a page of the command line does not."""
    for name in ("domain", "cli"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "site.py").write_text("alarm_nm: float")
    monkeypatch.setattr(loadapart, "_PACKAGE", tmp_path)
    before = loadapart._on_disk()
    (tmp_path / "cli" / "site.py").write_text("other")
    same = loadapart._on_disk()
    (tmp_path / "domain" / "site.py").write_text("rated_nm: float\nalarm_nm: float")

    assert before == same != loadapart._on_disk()


@pytest.mark.asyncio
async def test_nothing_is_run_from_where_the_watch_was_started(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A module of the same name as one that is needed lies in the working folder; or that folder is gone."""
    for name in ("pickle", "json", "pydantic", "nightrake"):
        (tmp_path / f"{name}.py").write_text(f"open({str(tmp_path / 'trace')!r}, 'w').close()\nraise SystemExit\n")
    monkeypatch.chdir(tmp_path)

    assert (await load_apart(CONFIG, {})).digest == load(CONFIG).digest
    assert not (tmp_path / "trace").exists()


class Hung(asyncio.subprocess.Process):
    """A process in a disk's hands: no signal ends it."""

    def __init__(self) -> None:
        self.killed = False

    def kill(self) -> None:
        self.killed = True

    async def wait(self) -> int:
        return int(await asyncio.Event().wait())


@pytest.mark.asyncio
async def test_process_that_no_signal_ends_is_left_behind() -> None:
    """A stop of the watch does not wait for a disk."""
    process = Hung()

    assert not await end(process, 0.05)
    assert process.killed
