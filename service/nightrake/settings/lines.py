"""On which line of a TOML file does a key stand? The standard parser does not say, so this looks for itself.

Only used to point people at the place; the values come from `tomllib`, and the text is one that `tomllib` accepts.
"""

from __future__ import annotations

import re
import tomllib

Path = tuple[str | int, ...]

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}\n#]+")


def line_index(text: str) -> dict[Path, int]:
    """Line number, from 1, of every table header, key and array element, however it is written.

    Args:
        text: A whole TOML file that `tomllib` accepts.

    Returns:
        Key path (array elements by their index) -> line. A table made by a dotted key has the line of the first such
        key.
    """
    return _Scanner(text.replace("\r\n", "\n")).document()


class _Scanner:
    """Walks over a valid document once, from left to right."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._line = 1
        self._index: dict[Path, int] = {}
        self._counts: dict[Path, int] = {}

    def document(self) -> dict[Path, int]:
        table: Path = ()
        while True:
            self._blank()
            if self._at >= len(self._text):
                return self._index
            if self._text[self._at] == "[":
                table = self._header()
            else:
                self._pair(table)

    def _header(self) -> Path:
        """``[a.b]`` or ``[[a.b]]``; parents that are arrays of tables get the index of their newest element."""
        line, many = self._line, self._text.startswith("[[", self._at)
        self._at += 2 if many else 1
        parts = self._keys()
        self._skip("]")
        path: Path = ()
        for depth, part in enumerate(parts, 1):
            path = (*path, part)
            if many and depth == len(parts):
                self._counts[path] = self._counts.get(path, -1) + 1
            self._index.setdefault(path, line)
            if path in self._counts:
                path = (*path, self._counts[path])
                self._index.setdefault(path, line)
        return path

    def _pair(self, table: Path) -> None:
        """``a.b = value``."""
        line = self._line
        path = table
        for part in self._keys():
            path = (*path, part)
            self._index.setdefault(path, line)
        self._skip("=")
        self._value(path)

    def _keys(self) -> list[str]:
        parts = [self._key()]
        self._space()
        while self._text.startswith(".", self._at):
            self._at += 1
            parts.append(self._key())
            self._space()
        return parts

    def _key(self) -> str:
        self._space()
        start = self._at
        if self._text[start] in "\"'":
            self._string()
            return str(tomllib.loads(f"k = {self._text[start : self._at]}")["k"])
        match = _BARE.match(self._text, start)
        self._at = match.end() if match else start + 1
        return self._text[start : self._at]

    def _value(self, path: Path) -> None:
        self._space()
        char = self._text[self._at : self._at + 1]
        if char == "[":
            self._array(path)
        elif char == "{":
            self._inline(path)
        elif char and char in "\"'":
            self._string()
        else:
            match = _SCALAR.match(self._text, self._at)
            self._at = match.end() if match else self._at + 1  # never stand still

    def _array(self, path: Path) -> None:
        self._at += 1
        for number in range(len(self._text)):
            self._blank(",")
            if self._text[self._at] == "]":
                break
            self._index.setdefault((*path, number), self._line)
            self._value((*path, number))
        self._at += 1

    def _inline(self, path: Path) -> None:
        self._at += 1
        while True:
            self._blank(",")
            if self._text[self._at] == "}":
                break
            self._pair(path)
        self._at += 1

    def _string(self) -> None:
        """Step over a string of any of the four kinds."""
        quote = self._text[self._at]
        end = quote * 3 if self._text.startswith(quote * 3, self._at) else quote
        self._at += len(end)
        while not self._text.startswith(end, self._at):
            self._step(2 if quote == '"' and self._text[self._at] == "\\" else 1)
        self._at += len(end)
        # Up to two more quotes before the closing three belong to the text.
        while len(end) == 3 and self._text.startswith(quote, self._at):
            self._at += 1

    def _step(self, count: int) -> None:
        self._line += self._text.count("\n", self._at, self._at + count)
        self._at += count

    def _space(self) -> None:
        while self._text[self._at : self._at + 1] in (" ", "\t"):
            self._at += 1

    def _skip(self, char: str) -> None:
        """Step over a mark, and its double, with the spaces before it."""
        self._space()
        while self._text.startswith(char, self._at):
            self._at += 1

    def _blank(self, also: str = "") -> None:
        """Step over spaces, line ends, comments and the marks in `also`."""
        while self._at < len(self._text):
            char = self._text[self._at]
            if char == "#":
                end = self._text.find("\n", self._at)
                self._at = len(self._text) if end < 0 else end
            elif char in " \t\n" or char in also:
                self._step(1)
            else:
                return
