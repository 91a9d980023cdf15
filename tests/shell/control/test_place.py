"""The control socket's place: somebody else's file or socket is left alone, a removed one comes back."""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from nightrake.control import server as server_module
from nightrake.control.place import Place
from nightrake.control.server import ControlServer
from nightrake.errors import ControlError
from shell.control.test_control import echo, say


@asynccontextmanager
async def looked_after(path: Path, told: list[tuple[bool, str]]) -> AsyncIterator[None]:
    """A server whose news are kept."""
    ready = asyncio.Event()
    server = ControlServer(path, {"echo": echo}, {}, lambda up, detail: told.append((up, detail)))
    task = asyncio.create_task(server.run(ready))
    await ready.wait()
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def until_told(told: list[tuple[bool, str]], count: int) -> None:
    """Wait for news."""
    async with asyncio.timeout(10.0):
        while len(told) < count:  # noqa: ASYNC110  (the server looks by itself)
            await asyncio.sleep(0.005)


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """The server looks often."""
    monkeypatch.setattr(server_module, "LOOK_S", 0.01)


def test_somebodys_file_is_left_alone(tmp_path: Path) -> None:
    """A file at the socket's path is a mistake in the settings, not ours to delete."""
    path = tmp_path / "store.db"
    path.write_text("precious")

    with pytest.raises(ControlError, match="is no socket; give"):
        Place(path).take()

    assert path.read_text() == "precious"


@pytest.mark.parametrize(("below", "words"), [("", "is no socket"), ("file/control", "cannot be made there")])
def test_place_that_cannot_be_is_told_in_a_sentence(tmp_path: Path, below: str, words: str) -> None:
    """A folder, and a path below a file."""
    (tmp_path / "file").write_text("")
    with pytest.raises(ControlError, match=words):
        Place(tmp_path / below).take()

    with pytest.raises(ControlError, match="may have 107 bytes"):
        Place(tmp_path / ("x" * 120)).take()


def test_socket_that_somebody_answers_on_is_left_alone_and_its_holder_named(tmp_path: Path) -> None:
    """A second watch with the same control.socket would make the first one unreachable."""
    path = tmp_path / "c"
    with socket.socket(socket.AF_UNIX) as first:
        first.bind(str(path))
        first.listen()
        with pytest.raises(ControlError, match=f"another watch \\(process {os.getpid()}\\) answers there"):
            Place(path).take()
        assert path.is_socket()

    with Place(path).take():  # whoever listened was killed
        assert path.is_socket()


def test_only_our_own_socket_is_given_back(tmp_path: Path) -> None:
    """What somebody has put in its place meanwhile stays."""
    path = tmp_path / "c"
    place = Place(path)
    with place.take():
        path.unlink()
        path.write_text("somebody's")
        place.give_back()

    assert path.read_text() == "somebody's"


@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_removed_socket_comes_back_and_is_told(tmp_path: Path) -> None:
    """Somebody tidied it away: it is made anew, and connections that stand go on."""
    path, told = tmp_path / "c", list[tuple[bool, str]]()
    async with looked_after(path, told):
        reader, writer = await asyncio.open_unix_connection(path)
        path.unlink()
        await until_told(told, 2)

        assert (await say(path, b'{"verb": "echo"}\n'))[0]["ok"]
        writer.write(b'{"verb": "echo"}\n')
        assert b'"ok":true' in await reader.readline()
        writer.close()
    assert [up for up, _ in told] == [False, True]
    assert "the control socket is gone" in told[0][1]
    assert not path.exists()


@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_file_in_the_sockets_place_is_told_and_left_alone(tmp_path: Path) -> None:
    """The watch goes on without its socket, says so, and makes it anew when the file is gone."""
    path, told = tmp_path / "c", list[tuple[bool, str]]()
    async with looked_after(path, told):
        path.unlink()
        path.write_text("somebody's")
        await until_told(told, 2)
        assert all(not up and "is no socket" in detail for up, detail in told)
        assert path.read_text() == "somebody's"
        path.unlink()
        async with asyncio.timeout(10.0):
            while not told[-1][0]:  # noqa: ASYNC110  (the server looks by itself)
                await asyncio.sleep(0.005)

        assert (await say(path, b'{"verb": "echo"}\n'))[0]["ok"]
