"""Torque derived anew while the watch runs: its worker writes, the command only asks."""

from __future__ import annotations

import signal
import time
from contextlib import closing
from pathlib import Path

import pytest

from integration.site import Site, Watch, healthy, until
from nightrake.cli.historian_recompute import Asked, run_recompute
from nightrake.errors import StoreError
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.recomputing import end_of_summaries
from peers.mosquitto import Mosquitto
from plc.fixtures import LibmodbusServer


def summarised(folder: Path) -> bool:
    """Whether the drive has a summary."""
    try:
        with closing(Blocks(folder)) as blocks:
            return blocks.ready and end_of_summaries(blocks, "D0") > 0
    except StoreError:
        return False


@pytest.mark.timeout(60)
def test_running_watch_recomputes_what_it_is_asked(
    tmp_path: Path, plc: LibmodbusServer, mosquitto: Mosquitto, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command shows, the worker writes, and the watch goes on."""
    healthy(plc)
    site = Site(tmp_path, [plc.port], mosquitto.port)
    text = (site.folder / "site.toml").read_text()
    (site.folder / "site.toml").write_text(text + "[history]\nseal_s = 1.0\n")
    watch = Watch(site)
    try:
        watch.start()
        until(lambda: summarised(site.state), "the first summary", 30.0)
        yesterday = time.strftime("%Y-%m-%dT%H:%MZ", time.gmtime(time.time() - 86_400))
        assert run_recompute(site.folder, {}, Asked("D0", yesterday, "", "", "", write=True)) == 0
        out = capsys.readouterr().out
        assert "of D0 forward were written under record" in out
        assert watch.status()["history"]["up"]
    finally:
        if watch.running:
            watch.end(signal.SIGKILL)
