"""Reading the folder: files to one document that knows every key's file and line."""

from __future__ import annotations

import json
import re
import stat
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from nightrake.domain.cleantext import clean
from nightrake.errors import Mistake
from nightrake.settings.lines import Path as KeyPath
from nightrake.settings.lines import line_index

MAX_BYTES = 1024 * 1024
"""A drive takes a few hundred bytes, so this holds some thousand; more than this in one file is a mix-up."""

_PATH = 4096
"""Characters of a path that is shown."""
_BARE = re.compile(r"[A-Za-z0-9_-]{1,60}")


class Document:
    """The folder's tables in one, where each key stands, and what is wrong with them.

    Attributes:
        folder: The folder. label: Its name, as it stands in front of every file name.
        tables: What all files say.
        mistakes: So far, in the order found.
        unresolved: Drives whose template or shift is wrong, so that nothing more can be said of them.
        broken: A file could not be parsed, so that what seems to be missing may stand there.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.label = clean(folder.name or folder.absolute().name)
        self.tables: dict[str, Any] = {}
        self.mistakes: list[Mistake] = []
        self.unresolved: set[str] = set()
        self.broken = False
        self._places: dict[KeyPath, tuple[str, int]] = {}
        self._templates: dict[str, str] = {}
        self._texts: list[tuple[str, str]] = []
        self._spoilt: set[KeyPath] = set()
        self._around: set[KeyPath] = set()
        self._inherited_from: dict[Mistake, str] = {}

    def place(self, path: KeyPath) -> tuple[str, int]:
        """File and line of a key; of its template, or of what holds it, where it has no line of its own."""
        while self._texts:
            label, text = self._texts.pop()
            for known, line in line_index(text).items():
                self._places.setdefault(known, (label, line))
        for end in range(len(path), 0, -1):
            for where in (path[:end], self._inherited(path[:end])):
                if where in self._places:
                    return self._places[where]
        return self.label, 0

    def _is_inherited(self, path: KeyPath) -> bool:
        """Whether a drive's key stands in its template."""
        for end in range(len(path), 2, -1):
            if path[:end] in self._places:
                return False
            if self._inherited(path[:end]) in self._places:
                return True
        return False

    def _inherited(self, path: KeyPath) -> KeyPath:
        if len(path) > 2 and path[0] == "drive" and path[1] in self._templates:
            return ("template", self._templates[str(path[1])], *path[2:])
        return path

    def put(self, path: KeyPath, file: str, line: int) -> None:
        """Say where a key stands, in the place of what was known."""
        self._places[path] = (file, line)

    def put_text(self, file: str, text: str) -> None:
        """Say where all keys of a file stand; it is looked through only if a mistake is noted."""
        self._texts.append((file, text))

    def use_template(self, drive: str, template: str) -> None:
        """Remember that keys which a drive does not have itself stand in a template."""
        self._templates[drive] = template

    @property
    def used_templates(self) -> set[str]:
        """Templates that at least one drive uses."""
        return set(self._templates.values())

    def wrong(self, path: KeyPath, text: str, *rests_on: KeyPath) -> None:
        """Note a mistake at a key, unless it may only come of another that has been told.

        Args:
            path: The key. text: What is wrong and what to do.
            rests_on: Further keys, or tables of them, by which it is judged.
        """
        if self.is_spoilt(path) or any(self.holds_spoilt(p) for p in rests_on):
            return
        file, line = self.place(path)
        mistake = Mistake(file, line, key_text(path), text)
        self.mistakes.append(mistake)
        if self._is_inherited(path) and not any(p[0] == "drive" and p in self._places for p in rests_on):
            self._inherited_from[mistake] = self._templates[str(path[1])]

    def spoil(self, paths: Iterable[KeyPath]) -> None:
        """Say which keys hold something else than was meant: nothing more is told of them or by them."""
        for path in paths:
            self._spoilt.add(path)
            self._around.update(path[:n] for n in range(len(path)))

    def is_spoilt(self, path: KeyPath) -> bool:
        """Whether a key, or what holds it, is spoilt."""
        return any(path[:n] in self._spoilt for n in range(1, len(path) + 1))

    def holds_spoilt(self, path: KeyPath) -> bool:
        """Whether a key, what holds it, or something in it is spoilt; with an empty path: anything at all."""
        return self.is_spoilt(path) or path in self._around

    def template_of(self, mistake: Mistake) -> str:
        """The template from which a drive has what is wrong; empty where it is the drive's own."""
        return self._inherited_from.get(mistake, "")

    def names(self, table: str) -> list[str]:
        """Ids that the folder gives in ``[table.ID]``, whether or not their tables hold mistakes."""
        value = self.tables.get(table)
        return list(value) if isinstance(value, dict) else []

    def read(self) -> None:
        """Read every ``*.toml`` directly in the folder."""
        files = self.files("")
        if files is not None and not files and not self.mistakes:
            text = "holds no .toml file; a site needs [site], [plc.ID] and [drive.ID] tables"
            self.mistakes.append(Mistake(clean(str(self.folder), _PATH), 0, "", text))
        for file in files or []:
            label = f"{self.label}/{clean(file.name)}"
            loaded = parse(file, label, self.mistakes)
            if loaded is None:
                self.broken = True
            else:
                tables, text = loaded
                self._merge(label, tables, line_index(text))

    def files(self, below: str) -> list[Path] | None:
        """The ``*.toml`` of the folder or of one below it, by name; None, and a mistake, if it cannot be listed."""
        folder = self.folder / below if below else self.folder
        try:
            return sorted(p for p in folder.iterdir() if p.name.endswith(".toml") and not p.name.startswith("."))
        except FileNotFoundError:
            if below:
                return []
            text = "there is no such folder; name the folder that holds site.toml and the other settings"
        except NotADirectoryError:
            text = "is not a folder; name the folder that holds the settings, not a file in it"
        except (OSError, ValueError) as error:
            text = f"cannot be read ({reason_of(error)}); check the path and its permissions"
        self.mistakes.append(Mistake(clean(str(folder), _PATH), 0, "", text))
        return None

    def _merge(self, label: str, tables: dict[str, Any], lines: dict[KeyPath, int]) -> None:
        twice = self._twice(label, tables, lines)
        for path, line in lines.items():
            if path[:1] not in twice and path[:2] not in twice:
                self._places.setdefault(path, (label, line))
        for key, value in tables.items():
            held = self.tables.get(key)
            if held is None:
                self.tables[key] = value
            elif isinstance(held, dict) and isinstance(value, dict):
                self.tables[key] = {**held, **{n: v for n, v in value.items() if n not in held}}

    def _twice(self, label: str, tables: dict[str, Any], lines: dict[KeyPath, int]) -> set[KeyPath]:
        """Keys that another file has given already; each is a mistake."""
        found: set[KeyPath] = set()
        for key, value in tables.items():
            held = self.tables.get(key)
            if isinstance(held, dict) and isinstance(value, dict):
                found.update((key, name) for name in value if name in held)
            elif held is not None:
                found.add((key,))
        for path in sorted(found):
            where = "{}:{}".format(*self.place(path))
            text = f"stands twice: here and at {where}; an id is given once, so rename or remove one"
            self.mistakes.append(Mistake(label, lines.get(path, 0), key_text(path), text))
        return found


def parse(file: Path, label: str, mistakes: list[Mistake]) -> tuple[dict[str, Any], str] | None:
    """Parse one TOML file: its tables and its text; what is wrong with it as a file goes to `mistakes`."""
    text = _text(file, label, mistakes)
    if text is None:
        return None
    try:
        return tomllib.loads(text), text
    except RecursionError:
        mistakes.append(Mistake(label, 0, "", f"is no valid TOML: lists or tables are nested too deep{_REST}"))
    except ValueError as error:
        # Besides TOMLDecodeError: a whole number of more digits than Python converts.
        message, _, place = str(error).partition(" (at ")
        told = place.removeprefix("line ").partition(",")[0]
        number = int(told) if told.isdigit() else 0 if place == "" else text.count("\n") + 1
        mistakes.append(Mistake(label, number, "", f"is no valid TOML: {_plain(message)}{_REST}"))
    return None


def _text(file: Path, label: str, mistakes: list[Mistake]) -> str | None:
    try:
        status = file.stat()
        if not stat.S_ISREG(status.st_mode):
            text = "is no ordinary file; only TOML files may end in .toml here"
            mistakes.append(Mistake(label, 0, "", text))
            return None
        if status.st_size > MAX_BYTES:
            text = f"is larger than {MAX_BYTES // 1024 // 1024} MB; no settings file is, so spread drives over several"
            mistakes.append(Mistake(label, 0, "", text))
            return None
        with file.open("rb") as stream:
            raw = stream.read(MAX_BYTES).removeprefix(b"\xef\xbb\xbf")
    except OSError as error:
        text = f"cannot be read ({reason_of(error)}); check the file and its permissions"
        mistakes.append(Mistake(label, 0, "", text))
        return None
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        mistakes.append(Mistake(label, line, "", "is not UTF-8 text; save it as UTF-8"))
        return None


_REST = "; nothing else in this file is looked at before"
_TOML_WORDS = (
    (r"Cannot overwrite a value", "a key stands twice in one table; keep one of them"),
    (r"Cannot (?:declare|mutate|redefine).*", "a table stands twice; keep one of them"),
    (r"Invalid statement", "this is neither a [table], nor key = value, nor a # comment"),
    (r"Invalid value", "the value is none that TOML knows; texts stand in quotes, true and false in small letters"),
    (r"(?:Found invalid|Illegal) character .*", "a control character stands here; remove it"),
    (r"Expected newline or end of document.*", "something stands behind the value; put it on a line of its own"),
    (r".*integer string conversion.*", "a number has far too many digits"),
)
"""What the parser says -> what it means."""


def _plain(message: str) -> str:
    for pattern, words in _TOML_WORDS:
        if re.fullmatch(pattern, message, re.DOTALL):
            return words
    return f"{message[:1].lower()}{message[1:]}"[:200]


def reason_of(error: Exception) -> str:
    """Why the system refuses, in lower case."""
    text = (error.strerror if isinstance(error, OSError) else None) or str(error) or type(error).__name__
    return text[:1].lower() + text[1:]


def key_text(path: KeyPath) -> str:
    """A key path as people write it: ``drive.PC1.contact[0].form``."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
            continue
        word = part if _BARE.fullmatch(part) else json.dumps(part)[:60]
        text += f".{word}" if text else word
    return text
