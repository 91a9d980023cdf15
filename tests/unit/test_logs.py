"""Log lines: never a wait, never an error; what nobody takes is dropped, counted and told."""

from __future__ import annotations

import fcntl
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, MutableMapping
from pathlib import Path
from typing import Any

import structlog

from clocks import ManualClock
from nightrake.lifeline import EXIT_BROKEN
from nightrake.logs import LineLog
from unit.test_engine import Desk


def until(true: Callable[[], bool]) -> None:
    """Wait for another thread, for a bounded time."""
    end_s = time.monotonic() + 10.0
    while not true():
        assert time.monotonic() < end_s, "it did not come about"
        time.sleep(0.002)


def small_pipe() -> tuple[int, int]:
    """A pipe that holds one page."""
    reads, writes = os.pipe()
    fcntl.fcntl(writes, fcntl.F_SETPIPE_SZ, 4096)
    return reads, writes


def test_pipe_that_nobody_reads_costs_lines_and_no_time() -> None:
    """Ten thousand lines are handed over though the pipe took some only; those dropped are told when it is read."""
    reads, writes = small_pipe()
    log = LineLog(writes, lines=100)
    for number in range(10_000):
        log.put(f"line {number}")
    dropped = log.dropped
    assert dropped > 9_000
    got = b""
    while b"log_lines_dropped" not in got:
        got += os.read(reads, 65536)
        log.put("one more")
    log.close()
    os.close(writes)
    os.close(reads)

    lines = got.decode().splitlines()
    assert "line 0" in lines
    told = next(json.loads(text) for text in lines if "log_lines_dropped" in text)
    assert 0 < told["lines"] <= log.dropped


def test_closed_pipe_and_full_disk_cost_lines_only() -> None:
    """Every line is counted as dropped; the thread lives on."""
    reads, writes = small_pipe()
    os.close(reads)
    full = os.open("/dev/full", os.O_WRONLY)
    for fd in (writes, full):
        log = LineLog(fd)
        log.put("a")
        log.put("b")
        log.close()
        os.close(fd)

        assert log.dropped == 2


def test_disk_that_takes_lines_again_is_written_to_again(tmp_path: Path) -> None:
    """What was full has room again: the next line says how many are missing."""
    name = tmp_path / "log"
    fd = os.open("/dev/full", os.O_WRONLY)
    log = LineLog(fd)
    log.put("lost")
    until(lambda: log.dropped == 1)
    news = os.open(name, os.O_WRONLY | os.O_CREAT)
    os.dup2(news, fd)
    log.put("kept")
    log.close()
    os.close(fd)
    os.close(news)

    first, second = name.read_text().splitlines()
    assert (json.loads(first)["lines"], second) == (1, "kept")


def test_row_is_in_the_journal_before_it_is_logged(manual_clock: ManualClock) -> None:
    """Whatever becomes of a log line, the row was handed to the store first; lines are made when there is time."""
    desk = Desk(manual_clock)
    seen: list[int] = []

    def look(_logger: object, _name: str, event: MutableMapping[str, Any]) -> str:
        seen.append(int(str(event["seq"])) - max(r.seq for r in desk.shelf.rows))
        return ""

    before = structlog.get_config()
    structlog.configure(
        processors=[look], logger_factory=structlog.ReturnLoggerFactory(), cache_logger_on_first_use=False
    )
    try:
        desk.scan()
        desk.works.operate("D", "shutdown/A")
        desk.scan()
        made = list(seen)
        assert desk.engine.log_rows(2)
        assert not desk.engine.log_rows(100)
    finally:
        structlog.configure(**before)

    assert made == [], "the line waits, not the news"
    assert len(seen) >= 3
    assert all(behind <= 0 for behind in seen)


def test_program_without_standard_error_gives_its_number_to_nobody() -> None:
    """A store opened as descriptor 2 would get our last words in the middle of it."""
    program = (
        "import os\nfrom nightrake.logs import hold_standard_descriptors, last_words\nhold_standard_descriptors()\n"
        "fd = os.open('/proc/self/stat', os.O_RDONLY)\nlast_words(b'words')\nraise SystemExit(fd)"
    )
    done = subprocess.run(
        ["sh", "-c", 'exec "$0" -c "$1" 2>&-', sys.executable, program], capture_output=True, timeout=15, check=False
    )

    assert done.returncode > 2


def test_last_words_wait_for_nobody() -> None:
    """A full pipe on standard error does not keep the process from ending."""
    reads, writes = small_pipe()
    os.write(writes, b"x" * 4096)
    code = "from nightrake.lifeline import end_at_once\nend_at_once(b'the end')"
    done = subprocess.run([sys.executable, "-c", code], stderr=writes, timeout=15, check=False)
    os.close(writes)
    os.close(reads)

    assert done.returncode == EXIT_BROKEN


def test_what_a_library_says_is_a_line_of_json_too() -> None:
    """asyncio's bare sentence about a socket, a library's traceback: one line each that a program can read."""
    program = (
        "import logging\n"
        "from nightrake.logs import set_up_logs\n"
        "log = set_up_logs()\n"
        "logging.getLogger('asyncio').warning('socket.send() raised exception.')\n"
        "try:\n    1 / 0\nexcept ZeroDivisionError:\n    logging.getLogger('x').exception('broken')\n"
        "log.close()\n"
    )
    done = subprocess.run([sys.executable, "-c", program], stderr=subprocess.PIPE, check=True)
    first, second = (json.loads(line) for line in done.stderr.decode().splitlines())

    assert (first["event"], first["level"]) == ("library_says", "warning")
    assert (first["library"], first["text"]) == ("asyncio", "socket.send() raised exception.")
    assert first["timestamp"].endswith("Z")
    assert second["level"] == "error"
    assert "ZeroDivisionError" in second["text"]
