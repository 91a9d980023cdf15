"""Every `--help` fits a terminal of 80 columns, on a terminal and in a pipe, and is cut nowhere."""

from __future__ import annotations

import fcntl
import os
import struct
import subprocess
import sys
import termios

import pytest
import typer.main

from nightrake.cli.main import app
from nightrake.cli.prove import HELP as PROVE_HELP
from nightrake.plant.commands import HELP as PLANT_HELP

COLUMNS = 80
COMMANDS = ("", *typer.main.get_group(app).commands)


def help_of(command: str, stdout: int, columns: str | None) -> None:
    """Run one command's `--help`, its output to a file descriptor."""
    environment = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES", "TERMINAL_WIDTH")}
    environment |= {"TERM": "xterm"} | ({"COLUMNS": columns} if columns else {})
    words = [*command.split(), "--help"]
    subprocess.run(
        [sys.executable, "-m", "nightrake.cli", *words], stdout=stdout, stderr=stdout, env=environment, check=True
    )


def read_all(fd: int) -> str:
    """Everything that comes out of a terminal's other side."""
    data = b""
    while True:
        try:
            piece = os.read(fd, 65536)
        except OSError:  # EIO: nobody has the other side open any more
            piece = b""
        if not piece:
            return data.decode()
        data += piece


def assert_fits(text: str) -> None:
    """No line over 80 columns, none cut; an ellipsis stands for repeated arguments only."""
    lines = text.replace("\r\n", "\n").splitlines()

    assert len(lines) > 4
    assert [line for line in lines if len(line) > COLUMNS] == []
    assert "…" not in text
    assert [line for line in lines if line.rstrip().endswith("...") and not line.startswith("Usage:")] == []
    assert "\x1b" not in text


@pytest.mark.parametrize("command", COMMANDS)
def test_help_fits_a_terminal(command: str) -> None:
    """A terminal of 80 columns, as the program finds it out by itself."""
    ours, theirs = os.openpty()
    try:
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, COLUMNS, 0, 0))
        help_of(command, theirs, None)
        os.close(theirs)
        theirs = -1
        assert_fits(read_all(ours))
    finally:
        os.close(ours)
        if theirs >= 0:
            os.close(theirs)


@pytest.mark.parametrize("command", COMMANDS)
def test_help_fits_a_pipe(command: str) -> None:
    """Where nothing is known of the reader but COLUMNS."""
    ours, theirs = os.pipe()
    try:
        help_of(command, theirs, str(COLUMNS))
    finally:
        os.close(theirs)
    with os.fdopen(ours, "rb") as stream:
        assert_fits(stream.read().decode())


@pytest.mark.parametrize("text", [PROVE_HELP, PLANT_HELP])
def test_help_of_dialogues_fits(text: str) -> None:
    """What `help` shows inside a dialogue."""
    assert_fits(text)
