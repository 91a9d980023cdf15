"""Out of memory, or with a thread dead, the watch ends at once with a sentence; the next start is as after a kill."""

from __future__ import annotations

import resource
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from integration.hardship import HardWatch
from integration.ledger import Ledger
from integration.site import Site, healthy, until
from nightrake.errors import ControlError
from nightrake.journal.chain import verify
from nightrake.lifeline import EXIT_BROKEN
from peers.mosquitto import Mosquitto
from plc.fixtures import LibmodbusServer

DRIVES = 100


def answers(watch: HardWatch) -> bool:
    """Ask for the reload again: the folder is read apart, under the same limit; then the watch needs room itself."""
    try:
        watch.ask("reload")
    except ControlError:
        return False
    return True


@pytest.mark.timeout(60)
def test_memory_limit_ends_the_watch_alone_and_the_next_start_goes_on(
    make_libmodbus: Callable[[], LibmodbusServer],
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    mosquitto: Mosquitto,
    heard: Ledger,
    tmp_path: Path,
) -> None:
    """A shutdown is latched; no more memory is given; ninety-nine further drives are asked for: it ends, says why.

    The limit is one of address space, which every user may set and which makes allocations fail. (A control group
    kills instead, and a kill is what the tests of aimed kills are about.)
    """
    plc = make_libmodbus()
    for at in range(DRIVES):
        healthy(plc, at)
    watch = make_watch(Site(tmp_path, [make_recorder(plc.port)], mosquitto.port, scan_s=0.25))
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    plc.set("d", 1, 0)
    until(lambda: len(heard.events("still_running")) == 1, "the shutdown and its end to be told")

    pages = int(Path(f"/proc/{watch.pid}/statm").read_text(encoding="ascii").split()[0])
    limit = pages * resource.getpagesize()
    resource.prlimit(watch.pid, resource.RLIMIT_AS, (limit, limit))
    for n in range(1, DRIVES):
        watch.site.write_drive(n, "P0", n)
    until(lambda: not answers(watch) and not watch.running, "the watch to need more than it is given")
    code, words = watch.forget(), watch.words()
    watch.start()
    until(lambda: len(watch.status()["drives"]) == DRIVES, "all drives")
    until(lambda: watch.drive("D0")["directions"]["forward"]["known_now"], "the drive to be read again")
    latched = watch.drive("D0")["directions"]["forward"]["latched"]
    until(lambda: len(heard.events("started")) == 2, "the second start to be told")
    assert watch.end() == 0

    rows, _ = watch.kept()
    start = heard.events("started")[1]["data"]
    assert (code, "out of memory" in words) == (EXIT_BROKEN, True), words
    assert latched
    assert (start["clean_stop_before"], start["store_damaged"]) == (False, "")
    assert start["missed_from_utc_ms"] > 0
    assert verify(rows) == []
    assert {e["id"] for e in heard.events() if e["durable"]} <= {r.id for r in rows}
    assert len({e["id"] for e in heard.events("shutdown_operated")}) == 1


@pytest.mark.parametrize(
    ("error", "words"),
    [("MemoryError()", "out of memory"), ("ValueError('a fault of ours')", "a thread of the watch has died")],
)
def test_dead_thread_ends_the_watch_with_a_sentence(error: str, words: str) -> None:
    """Without the thread that writes, everything would be told and nothing kept: better an end, and a new start."""
    program = f"""
import asyncio, threading
from nightrake.lifeline import end_rather_than_limp
def fail():
    raise {error}
async def main():
    end_rather_than_limp()
    threading.Thread(target=fail, daemon=True).start()
    await asyncio.sleep(10)
asyncio.run(main())
"""

    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=15, check=False)

    assert done.returncode == EXIT_BROKEN
    assert words in done.stderr
    assert ("a fault of ours" in done.stderr) == ("fault of ours" in error)


@pytest.mark.parametrize("error", ["MemoryError()", 'RuntimeError("can\'t start new thread")'])
def test_callback_without_memory_ends_the_watch_with_a_sentence(error: str) -> None:
    """The loop would only log it, and a socket whose reading failed so would never be read again."""
    program = f"""
import asyncio
from nightrake.lifeline import end_rather_than_limp
def fail():
    raise {error}
async def main():
    end_rather_than_limp()
    asyncio.get_running_loop().call_soon(fail)
    await asyncio.sleep(10)
asyncio.run(main())
"""

    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=15, check=False)

    assert (done.returncode, "out of memory" in done.stderr) == (EXIT_BROKEN, True)
