"""The demo leaves nothing behind, however it ends: neither processes nor folders."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from integration.site import until

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
    return not any(p.is_running() and p.status() != psutil.STATUS_ZOMBIE for p in processes)


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
