"""Parts of pages as last rendered, once for everybody who looks at the same, with when each of them changed.

A page that was just loaded, or whose connection broke for a moment, so gets only what it does not have yet. Where that
cannot be told any more, because nobody looked meanwhile or the process is another, the page is to be loaded anew:
what is gone since has left no trace here.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Callable
from typing import Any

from nightrake.domain.cleantext import clean
from nightrake.page.ports import Look
from nightrake.page.scene import Changes, Scene

PARTS = 2000
"""Elements of one page; a listener that lacks more loads its page anew."""
KEPT_S = 60.0
"""A page that nobody listens for is kept up to date this long: its first listener is on its way."""
PLACES = 250
"""Pages that are kept up to date at most."""


def text_of(value: Any) -> str:
    """JSON as it goes over the wire: one line."""
    return json.dumps(value, separators=(",", ":"), ensure_ascii=False)


class _Shown:
    """One page.

    Attributes:
        made: Version at which it was rendered whole. parts: Id -> (version of its last change, text).
        until_s: Kept until then without a listener.
    """

    def __init__(self, made: int, until_s: float) -> None:
        self.made, self.until_s = made, until_s
        self.parts: dict[str, tuple[int, str]] = {}


class Rendering:
    """See the module.

    Args:
        scene: What is rendered. look: How. now_s: Monotonic.
    """

    def __init__(self, scene: Scene, look: Look, now_s: Callable[[], float]) -> None:
        self._scene, self._look, self._now_s = scene, look, now_s
        self._process, self._version = secrets.token_hex(4), 0
        self._shown: dict[str, _Shown] = {}

    @property
    def is_kept(self) -> bool:
        """Whether any page is kept up to date."""
        return bool(self._shown)

    @property
    def mark(self) -> str:
        """Names what has been rendered so far."""
        return f"{self._process}-{self._version}"

    def mark_of(self, where: str) -> str:
        """The mark of a page that is rendered now."""
        self._one(where)
        return self.mark

    def parts_since(self, where: str, since: str) -> dict[str, str] | None:
        """Parts that changed after a mark, all of them for "".

        Returns:
            Id -> text; None where it cannot be told, and the page is to be loaded anew.
        """
        process, _, version = since.partition("-")
        shown = self._one(where)
        if not since:
            return {id_: text for id_, (_, text) in shown.parts.items()}
        is_ours = process == self._process and version.isdecimal() and len(version) < 16
        if not is_ours or not shown.made <= int(version) <= self._version:
            return None
        return {id_: text for id_, (changed, text) in shown.parts.items() if changed > int(version)}

    def _one(self, where: str) -> _Shown:
        until_s = self._now_s() + KEPT_S
        shown = self._shown.get(where)
        if shown is None:
            shown = _Shown(self._version, until_s)
            self._put(where, shown, self._scene.everything())
            while len(self._shown) >= PLACES:  # what nobody has asked for lately; never what is looked at
                del self._shown[min(self._shown, key=lambda place: self._shown[place].until_s)]
            self._shown[where] = shown
        shown.until_s = until_s
        return shown

    def render(self, looked_at: set[str], changes: Changes) -> tuple[dict[str, dict[str, str]], dict[str, str]]:
        """Render what changed of every page that is looked at, or was a moment ago.

        Args:
            looked_at: Pages that somebody listens for.

        Returns:
            Page -> id -> text; and pages that cannot be rendered, each with why.
        """
        self._version += 1
        now_s, faults = self._now_s(), dict[str, str]()
        rendered: dict[str, dict[str, str]] = {}
        for where in looked_at | self._shown.keys():
            shown = self._shown.get(where)
            if shown is not None and where not in looked_at and shown.until_s < now_s:
                del self._shown[where]
                continue
            meant = changes if shown is not None else self._scene.everything()  # it had too many parts
            shown = self._shown.setdefault(where, _Shown(self._version, 0.0))
            if where in looked_at:
                shown.until_s = now_s + KEPT_S
            try:
                rendered[where] = self._put(where, shown, meant)
            except Exception as error:  # noqa: BLE001  a fault of one page must not take the others with it
                faults[where] = clean(f"{type(error).__name__}: {error}")
            if where in faults or len(shown.parts) > PARTS:
                del self._shown[where]
        return rendered, faults

    def _put(self, where: str, shown: _Shown, changes: Changes) -> dict[str, str]:
        parts = self._look.parts(where, self._scene, changes)
        told = {p.id: text_of({"id": p.id, "html": p.html, "order": p.order}) for p in parts}
        shown.parts.update({id_: (self._version, text) for id_, text in told.items()})
        return told
