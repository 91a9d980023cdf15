"""The demo leaves nothing behind, however it ends: neither processes nor folders."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import psutil
import pytest

from integration.site import until

pytestmark = pytest.mark.timeout(60)  # several processes are started, one after the other

CONFIG = Path(__file__).parents[2] / "config"


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[psutil.Popen]:
    """The demo, in a process group of its own, its temporary files below the test's folder."""
    with (tmp_path / "out").open("wb") as out:
        process = psutil.Popen(
            [sys.executable, "-m", "nightrake.cli", "demo", "--for", "60", "--config", str(CONFIG)],
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=out,
            env={**os.environ, "TMPDIR": str(tmp_path)},
            start_new_session=True,
        )
    yield process
    if process.poll() is None:
        process.kill()
        process.wait(10.0)


def at_work(demo: psutil.Popen, tmp_path: Path) -> list[psutil.Process]:
    """Its plant and its watch, once the watch answers."""
    until(lambda: "six drives" in (tmp_path / "out").read_text(), "the demo to be at work", 15.0)
    children: list[psutil.Process] = demo.children()
    assert len(children) == 2
    return children


def gone(processes: list[psutil.Process]) -> bool:
    """Whether none of them lives."""
    return all(_has_ended(p) for p in processes)


def _has_ended(process: psutil.Process) -> bool:
    try:
        return not process.is_running() or bool(process.status() == psutil.STATUS_ZOMBIE)
    except psutil.NoSuchProcess:  # between the two questions
        return True


@pytest.mark.parametrize("group", [False, True])
def test_closing_the_terminal_ends_everything(demo: psutil.Popen, tmp_path: Path, group: bool) -> None:
    """SIGHUP to the demo alone, or to all in the terminal, the watch among them, for whom it means a reload."""
    children = at_work(demo, tmp_path)
    if group:
        os.killpg(demo.pid, signal.SIGHUP)
    else:
        demo.send_signal(signal.SIGHUP)
    demo.wait(15.0)

    assert gone(children)
    assert list(tmp_path.glob("nightrake-demo-*")) == []
    assert "Traceback" not in (tmp_path / "out").read_text()


def test_killed_demo_takes_plant_and_watch_with_it(demo: psutil.Popen, tmp_path: Path) -> None:
    """The kernel ends them when the demo is gone."""
    children = at_work(demo, tmp_path)
    demo.kill()
    demo.wait(5.0)

    until(lambda: gone(children), "plant and watch to end")


def part_of(demo: psutil.Popen, name: str) -> psutil.Process | None:
    """The demo's child whose command line has a word."""
    for child in demo.children():
        with contextlib.suppress(psutil.NoSuchProcess):
            if name in child.cmdline():
                return child
    return None


def scratch_of(tmp_path: Path) -> list[Path]:
    """The folder in which the demo keeps everything: there from the moment that its broker starts."""
    return list(tmp_path.glob("nightrake-demo-*"))


@pytest.mark.parametrize("part", ["broker", "nightrake.plant", "watch"])
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_stop_while_it_starts_leaves_nothing(
    demo: psutil.Popen, tmp_path: Path, part: str, number: signal.Signals
) -> None:
    """Ctrl-C while the broker, the plant or the watch is starting: one sentence, no process, no folder."""
    child = None
    if part == "broker":
        until(lambda: bool(scratch_of(tmp_path)), "the demo to begin", 15.0)
    else:
        until(lambda: part_of(demo, part) is not None, f"{part} to be started", 15.0)
        child = part_of(demo, part)
        assert child is not None
        child.suspend()  # so that it is still starting when the signal comes
    children = demo.children()
    demo.send_signal(number)
    if child is not None:
        with contextlib.suppress(psutil.NoSuchProcess):  # the demo was quicker
            child.resume()
    code = demo.wait(15.0)

    said = (tmp_path / "out").read_text()
    assert code == 1
    assert said.count("stopped while it was starting") == 1
    assert "six drives" not in said
    assert "Traceback" not in said
    assert gone(children)
    assert scratch_of(tmp_path) == []


def test_ctrl_c_at_a_terminal_ends_it_with_the_summary(demo: psutil.Popen, tmp_path: Path) -> None:
    """A terminal sends SIGINT to its whole foreground group; plant and watch are not in it."""
    children = at_work(demo, tmp_path)
    os.killpg(demo.pid, signal.SIGINT)
    code = demo.wait(15.0)

    said = (tmp_path / "out").read_text()
    assert code == 0
    assert "scans: " in said
    assert "Traceback" not in said
    assert gone(children)


def test_ctrl_c_before_python_is_up_is_one_sentence(tmp_path: Path) -> None:
    """As deploy/demo starts it: the signal waits until there is somebody to take it."""
    words = [sys.executable, "-m", "nightrake.cli", "demo", "--for", "60", "--config", str(CONFIG)]
    early = ["sh", "-c", 'kill -INT $$; exec "$@"', "sh", *words]
    done = subprocess.run(["env", "--block-signal=INT", *early], capture_output=True, text=True, check=False)

    assert done.returncode == 130
    assert done.stderr == "nightrake: stopped by Ctrl-C.\n"
    assert done.stdout == ""


def test_page_of_the_demo_takes_its_password_and_ends_with_it(demo: psutil.Popen, tmp_path: Path) -> None:
    """Its address and password are printed; whoever signs in so is one of its people; its processes end, too."""
    at_work(demo, tmp_path)
    said = tmp_path / "out"
    until(lambda: "for the demo only" in said.read_text(), "the page", 15.0)
    address = re.findall(r"page: (http://127\.0\.0\.1:[0-9]+) ", said.read_text())[0]
    password = re.findall(r"with the password (\S+);", said.read_text())[0]
    processes = demo.children(recursive=True)
    with httpx.Client(base_url=address, headers={"Origin": address, "Accept": "application/json"}) as page:
        csrf = page.get("/api/v1/session").json()["csrf"]
        form = {"person": "super1", "password": password, "csrf": csrf}
        assert page.post("/sign-in", data={**form, "password": "another"}).status_code == 401
        assert page.post("/sign-in", data=form).json()["role"] == "supervisor"
        assert "Primary clarifier 1" in page.get("/", headers={"Accept": "text/html"}).text
    demo.send_signal(signal.SIGINT)

    assert demo.wait(15.0) == 0
    assert gone(processes)
    assert "Traceback" not in said.read_text()


def test_commands_to_the_plant_that_come_together_are_all_run() -> None:
    """Typed at once, pasted, or piped in; the last one needs no end of line."""
    typed = b"bind PC1\nnothing of the kind\nbind nobody\nbind PC2"
    command = [sys.executable, "-m", "nightrake.cli", "simulate", "--ports", "0", "--commands", "--for", "2"]
    done = subprocess.run(command, input=typed, capture_output=True, timeout=30, check=False)
    _, *said = done.stdout.decode().splitlines()

    assert done.returncode == 0
    assert [line.startswith("refused: ") for line in said] == [False, True, True, False]
