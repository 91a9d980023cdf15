"""A command of ours with a pipe to it, and whatever a test has started."""

from __future__ import annotations

import contextlib
import os
import select
import subprocess
import sys
import time

import pytest

TALKS: list[Talk] = []
"""All that a test has started; what it has not ended itself is killed after it."""


class Talk:
    """A command of ours with a pipe to it: lines in, lines out."""

    def __init__(self, *arguments: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "nightrake.cli", *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        TALKS.append(self)
        self._got = b""
        self.heard: list[str] = []

    def say(self, *lines: str) -> None:
        """Type lines."""
        assert self._process.stdin is not None
        self._process.stdin.write("".join(f"{line}\n" for line in lines).encode())
        self._process.stdin.flush()

    def hear(self, words: str, within_s: float = 15.0) -> str:
        """The next line that holds these words."""
        assert self._process.stdout is not None
        end = time.monotonic() + within_s
        while time.monotonic() < end:
            line, newline, rest = self._got.partition(b"\n")
            if newline:
                self._got = rest
                self.heard.append(line.decode())
                if words in self.heard[-1]:
                    return self.heard[-1]
            elif select.select([self._process.stdout], [], [], 0.2)[0]:
                got = os.read(self._process.stdout.fileno(), 4096)
                if not got:
                    break
                self._got += got
        pytest.fail(f"never said '{words}':\n" + "\n".join(self.heard))

    def end(self, number: int = 0) -> int:
        """Send a signal, close its input, and give its exit code."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        if self in TALKS:
            TALKS.remove(self)
        if number:
            self._process.send_signal(number)
        with contextlib.suppress(BrokenPipeError):
            self._process.stdin.close()
        code = self._process.wait(10.0)
        self.heard += (self._got + self._process.stdout.read()).decode().splitlines()
        self._process.stdout.close()
        return code
