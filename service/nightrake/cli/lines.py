"""Lines typed by a person while a status lives beside them; the same lines from a pipe."""

from __future__ import annotations

import contextlib
import os
import select
import shutil
import signal
import sys
import termios
import textwrap
import tty
from types import TracebackType
from typing import Any, Self

END = "\x04"
"""Given in place of a line when nothing more will come: end of the pipe, Ctrl-D, terminal closed, SIGTERM."""
STOP = "\x03"
"""Given in place of a line on Ctrl-C."""
MOST = 500
"""Characters of one line."""
TYPING = 20
"""Columns kept for what is typed beside the last row of the status; with fewer it gets a row of its own."""
KEPT = "\u00a0"
"""A blank in a status at which its rows are not broken."""
ENDING = (signal.SIGHUP, signal.SIGTERM)


class Lines:
    """Reads lines from standard input without waiting longer than asked; at a terminal it keeps a status.

    At a terminal the status stands before what is being typed, in as many rows as it needs, drawn anew when it changes;
    printed lines go above. Once the terminal is closed or the program is to end, every read gives `END`.
    """

    def __init__(self) -> None:
        self._fd = sys.stdin.fileno()
        self._is_terminal = os.isatty(self._fd) and sys.stdout.isatty()
        self._before: Any = None
        self._handlers: dict[signal.Signals, Any] = {}
        self._wake = (-1, -1)
        self._typed = ""
        self._bytes = b""
        self._ready: list[str] = []
        self._status: str | None = None
        self._rows: list[str] = []
        self._ended = False
        self.is_told_to_end = False

    def __enter__(self) -> Self:
        self._wake = os.pipe()
        heard = [number for number in ENDING if signal.getsignal(number) is not signal.SIG_IGN]  # nohup's stays ignored
        self._handlers = {number: signal.signal(number, self._told) for number in heard}
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
            with contextlib.suppress(termios.error):  # a terminal that was closed has no settings any more
                termios.tcsetattr(self._fd, termios.TCSADRAIN, self._before)
        for number, handler in self._handlers.items():
            signal.signal(number, handler)
        for end in self._wake:
            os.close(end)

    @property
    def width(self) -> int:
        """Columns of the terminal; 80 elsewhere."""
        return max(20, shutil.get_terminal_size((80, 24)).columns) if self._is_terminal else 80

    def _told(self, *_: object) -> None:
        self.is_told_to_end = True
        os.write(self._wake[1], b".")

    def say(self, text: str) -> None:
        """Print a line above the status."""
        self._clear()
        self._write(f"{text}\n")
        if self._status is not None:
            self._draw(self._status)

    def read(self, wait_s: float, status: str) -> str | None:
        """One line if there is one by then, else None.

        Args:
            wait_s: Longest wait, seconds. status: What to show meanwhile, "" = only what is typed.
        """
        if self.is_told_to_end:
            return END
        if not self._ready:
            self._draw(status)
            if self._ended:
                return END
            readable = select.select([self._fd, self._wake[0]], [], [], wait_s)[0]
            if self.is_told_to_end:
                return END
            if self._fd in readable:
                self._take()
        return self._ready.pop(0) if self._ready else None

    @property
    def status(self) -> str:
        """What stands beside the prompt."""
        return self._status or ""

    def show(self, status: str) -> None:
        """Change the status at once."""
        self._draw(status)

    def push_back(self, line: str) -> None:
        """Let the next read give this line."""
        self._ready.insert(0, line)

    def _take(self) -> None:
        try:
            got = os.read(self._fd, 4096)
        except OSError:  # the terminal was closed
            got = b""
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
        self._status = status
        if not self._is_terminal:
            return
        rows = status_rows(status, self._typed, self.width)
        if rows != self._rows:
            self._write(self._back() + "\n".join(rows))
            self._rows = rows

    def _clear(self) -> None:
        if self._is_terminal and self._rows:
            self._write(self._back())
            self._rows = []

    def _back(self) -> str:
        """To the beginning of what was drawn, and away with it; a terminal made narrower has broken its rows."""
        up = sum(-(-max(1, len(row)) // self.width) for row in self._rows) - 1
        return "\r" + (f"\x1b[{up}A" if up > 0 else "") + "\x1b[J"

    def _write(self, text: str) -> None:
        try:
            sys.stdout.write(text)
            sys.stdout.flush()
        except OSError:  # nobody sees it any more; what is to be put in order is put in order all the same
            self._ended = True
            with open(os.devnull, "w") as nowhere:
                os.dup2(nowhere.fileno(), sys.stdout.fileno())


def status_rows(status: str, typed: str, width: int) -> list[str]:
    """A status in rows that cut nothing, and what is typed behind it or on a row of its own.

    Args:
        status: Broken at its blanks, not at `KEPT` ones. typed: Its end is shown where it is too long for a row.
        width: Columns of the terminal.
    """
    room = width - 1
    rows = textwrap.wrap(status, room, break_on_hyphens=False)
    if rows and len(rows[-1]) + 3 + max(len(typed), TYPING) <= room:
        rows[-1] += f" > {typed}"
    else:
        rows.append(f"> {typed[-(room - 2) :]}")
    return [row.replace(KEPT, " ") for row in rows]
