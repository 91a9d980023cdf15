"""Folders of the machine, taken out of whatever goes to browsers: where the store lies is not their business. Pure.

Sentences about files begin with the file's whole path, as whoever sits at the machine needs them; a browser is told the
file's name in its folder. The log has the sentence whole.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence

STORE, SETTINGS = "the store's folder", "the settings folder"
SHORTEST = 2
"""Characters of a folder's path that is looked for: ``/`` alone stands in every other text."""
_PATH = re.compile(r"(?<![\w.:/<])/(?:[^\s/:;,'\"()<>]+/)+(?=[^\s/:;,'\"()<>])")


class Folders:
    """Takes folders out.

    Args:
        state_dir: Of the store. config_dir: Of the settings, "" = not known. Only whole paths are looked for.
    """

    def __init__(self, state_dir: str, config_dir: str = "") -> None:
        named = ((state_dir.rstrip("/"), STORE), (config_dir.rstrip("/"), SETTINGS))
        known = [(path, word) for path, word in named if path.startswith("/") and len(path) >= SHORTEST]
        known.sort(key=lambda one: -len(one[0]))  # one may lie in the other
        self._texts = [pair for path, word in known for pair in ((f"{path}/", ""), (path, word))]
        self._bytes = _as_json(self._texts)

    def without(self, text: str) -> str:
        """A sentence of ours about a file: without these folders, and without those that lead to any other."""
        for path, word in self._texts:
            text = text.replace(path, word)
        return _PATH.sub("", text)

    def without_in(self, data: bytes) -> bytes:
        """JSON text without these folders; what people wrote about others is theirs."""
        for path, word in self._bytes:
            data = data.replace(path, word)
        return data


def _as_json(texts: Sequence[tuple[str, str]]) -> list[tuple[bytes, bytes]]:
    """As both kinds of JSON text have them: with every character as itself, and in ASCII."""
    found: dict[bytes, bytes] = {}
    for path, word in texts:
        for is_ascii in (False, True):
            found[json.dumps(path, ensure_ascii=is_ascii)[1:-1].encode(errors="replace")] = word.encode()
    return list(found.items())
