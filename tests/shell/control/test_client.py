"""The client's end of the control socket against whatever may answer there: one sentence, never a traceback."""

from __future__ import annotations

import shutil
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from nightrake.cli.status import run_status
from nightrake.control.client import ControlClient
from nightrake.errors import ConfigError, ControlError
from nightrake.settings import load
from nightrake.settings.reach import reach_of

CONFIG = Path(__file__).parents[3] / "config"


@contextmanager
def answering(path: Path, reply: bytes) -> Iterator[Path]:
    """Somebody who takes one request there, sends these bytes, and hangs up."""
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(path))
        listener.listen()
        listener.settimeout(5.0)  # who fails before it asks leaves nobody waiting here

        def serve() -> None:
            try:
                connection, _ = listener.accept()
            except TimeoutError:
                return
            with connection:
                connection.recv(4096)
                connection.sendall(reply)

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield path
        finally:
            thread.join()


@pytest.mark.parametrize(
    ("reply", "words"),
    [
        (b"", "hung up before it answered 'status'"),
        (b'{"ok":true,"result":{"site":', "hung up in the middle of its answer to 'status'"),
        (b"HTTP/1.1 400 Bad Request\r\n", "what answers there is no watch"),
        (b"\xff\xfe\x00\n", "what answers there is no watch"),
        (b"[1]\n", "what answers there is no watch"),
        (b"null\n", "what answers there is no watch"),
        (b'{"ok":true}\n', "what answers there is no watch"),
        (b'{"ok":false,"error":"not now"}\n', "^not now$"),
    ],
)
def test_answer_that_is_none_is_a_sentence(tmp_path: Path, reply: bytes, words: str) -> None:
    """A watch that is killed while it answers, or another program behind control.socket."""
    with (
        answering(tmp_path / "c", reply) as path,
        ControlClient(path) as client,
        pytest.raises(ControlError, match=words),
    ):
        client.ask("status")


def test_status_of_another_version_is_a_sentence(tmp_path: Path) -> None:
    """The program was exchanged on disk, and the watch of before still runs."""
    with (
        answering(tmp_path / "c", b'{"ok":true,"result":{"drives":[]}}\n') as path,
        pytest.raises(ControlError, match="restart it"),
    ):
        run_status(CONFIG, {"control.socket": str(path)}, as_json=False)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The example's folder, for a change."""
    shutil.copytree(CONFIG, tmp_path / "config")
    return tmp_path / "config"


MISTAKES = {
    "no TOML": ("drives.toml", "[drive.PC1"),
    "unknown keys": ("drives.toml", "[drive.PC9]\nalarm = 1\nstop = 2\n"),
    "another file's": ("site2.toml", "[control]\nsocket = 5\n"),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_mistake_in_the_folder_hides_no_running_watch(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], mistake: str
) -> None:
    """An integrator is in the middle of a change; at night somebody else has to see and acknowledge."""
    file, text = MISTAKES[mistake]
    with (folder / file).open("a") as stream:
        stream.write(text)
    place = {"control.socket": str(tmp_path / "c")}
    with pytest.raises(ConfigError) as told:
        load(folder, place)
    count = len(told.value.mistakes)

    with answering(tmp_path / "c", b'{"ok":true,"result":{"drives":[]}}\n'):
        code = run_status(folder, place, as_json=True)

    said = " ".join(capsys.readouterr().err.split())
    assert code == 0
    assert f"holds {'a mistake' if count == 1 else f'{count} mistakes'}, see nightrake check; the watch goes on" in said
    site = reach_of(folder, place)
    assert site.zone.name == "Europe/London"
    assert site.names["night1"] == "Night shift operator"
    assert ("PC1" in site.drives) == (mistake != "no TOML")


def test_mistake_is_told_where_no_watch_answers(folder: Path, tmp_path: Path) -> None:
    """Then it may be the reason."""
    (folder / "drives.toml").write_text("[drive.PC1")

    with pytest.raises(ConfigError):
        run_status(folder, {"control.socket": str(tmp_path / "c")}, as_json=True)


def test_wrong_override_is_refused(folder: Path) -> None:
    """It is part of the command, not of somebody's unfinished change."""
    with pytest.raises(ConfigError, match="NOPE"):
        reach_of(folder, {"plc.NOPE.port": 1})
