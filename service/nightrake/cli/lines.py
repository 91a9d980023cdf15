"""Lines typed by a person while a status line lives beside them; the same lines from a pipe."""

from __future__ import annotations

import os
import select
import shutil
import sys
import termios
import tty
from types import TracebackType
from typing import Any, Self

END = "\x04"
"""Given in place of a line when nothing more will come: end of the pipe, Ctrl-D."""
STOP = "\x03"
"""Given in place of a line on Ctrl-C."""
MOST = 500
"""Characters of one line."""


class Lines:
    """Reads lines from standard input without waiting longer than asked; at a terminal it keeps a status line.

    At a terminal the status stands before what is being typed, on one line that is drawn anew; printed lines go above.
    """

    def __init__(self) -> None:
        self._fd = sys.stdin.fileno()
        self._is_terminal = os.isatty(self._fd) and sys.stdout.isatty()
        self._before: Any = None
        self._typed = ""
        self._bytes = b""
        self._ready: list[str] = []
        self._drawn = ""
        self._ended = False

    def __enter__(self) -> Self:
        if self._is_terminal:
            self._before = termios.tcgetattr(self._fd)
            tty.setcbreak(self._fd)
            # Ctrl-C comes as a character: what was typed and taken is put away in order before anything ends.
            now = termios.tcgetattr(self._fd)
            now[3] &= ~termios.ISIG
            termios.tcsetattr(self._fd, termios.TCSANOW, now)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._before is not None:
            self._clear()
            termios.tcsetattr(self._fd, termios.TCSADRAIN, self._before)

    def say(self, text: str) -> None:
        """Print a line above the status."""
        self._clear()
        print(text, flush=True)
        self._draw(self._drawn)

    def read(self, wait_s: float, status: str) -> str | None:
        """One line if there is one by then, else None.

        Args:
            wait_s: Longest wait, seconds. status: What to show meanwhile.
        """
        if not self._ready:
            self._draw(status)
            if self._ended:
                return END
            if select.select([self._fd], [], [], wait_s)[0]:
                self._take()
        return self._ready.pop(0) if self._ready else None

    def _take(self) -> None:
        got = os.read(self._fd, 4096)
        if not got:
            self._ended = True
            if self._typed:
                self._ready.append(self._typed)
                self._typed = ""
            return
        self._bytes += got
        text = self._bytes.decode(errors="ignore") if len(self._bytes) > 3 else self._whole()
        if not text:
            return
        self._bytes = b""
        for character in text:
            self._type(character)

    def _whole(self) -> str:
        """What has been read, if it ends with a whole character; "" to wait for the rest."""
        try:
            return self._bytes.decode()
        except UnicodeDecodeError:
            return ""

    def _type(self, character: str) -> None:
        if character in "\r\n":
            line, self._typed = self._typed, ""
            if self._is_terminal:
                self.say(f"> {line}")
            self._ready.append(line)
        elif self._is_terminal and character in (STOP, END):
            self._typed = ""
            self._ready.append(character)
        elif character in "\x7f\b":
            self._typed = self._typed[:-1]
        elif character == "\x15":
            self._typed = ""
        elif character.isprintable() and len(self._typed) < MOST:
            self._typed += character

    def _draw(self, status: str) -> None:
        self._drawn = status
        if not self._is_terminal or not status:
            return
        width = max(20, shutil.get_terminal_size((80, 24)).columns)
        room = width - len(self._typed) - 5
        shown = status if len(status) <= room else status[: max(0, room - 1)] + "~"
        sys.stdout.write(f"\r\x1b[K{shown} > {self._typed[-(width - 5) :]}")
        sys.stdout.flush()

    def _clear(self) -> None:
        if self._is_terminal:
            sys.stdout.write("\r\x1b[K")
            sys.stdout.flush()
