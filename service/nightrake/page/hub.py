"""From one scene to many browsers: each listener holds what it has not been told yet, and the latest of it only.

Nothing queues: a listener marks which drives, values and parts it lacks, and reads them off the scene as it stands when
it can write again. So a slow one skips what is out of date, and holds no more than the picture itself.
"""

from __future__ import annotations

import asyncio
import time
from collections import Counter, deque
from collections.abc import Callable, Iterable
from typing import Any

from nightrake.page.addresses import is_loopback
from nightrake.page.guesses import network_of
from nightrake.page.ports import Look
from nightrake.page.problems import Problem
from nightrake.page.rendering import PARTS, Rendering, text_of
from nightrake.page.scene import Changes, Scene, measured

LISTENERS = 200
"""Connections that listen, at most."""
PER_ADDRESS = 20
"""Of one address; this machine itself may have all of them."""
GIVE_WAY = "somebody who is signed in needs the place of this page, which nobody is; load it again in a while"
ROWS = 100
"""Journal rows that wait for a slow listener; the oldest go first, for the journal has them."""
TOGETHER_S = 0.1
"""Changes within this long are rendered and told together."""
FAULT = "this page has a fault; it is in the log, please report it"
OF_ONE_DRIVE = ("drive/", "lockout/")
BY_ROWS = ("drive/", "lockout/", "alarms")
"""Pages on which something is only told by rows: where one is missing they are loaded anew."""


class Listener:
    """One browser's connection.

    Args:
        where: The page it shows; "" = it takes drives as JSON. drive: The only one it is told of; "" = all.
        address: Where it comes from. session: Key of the session it looks under, or None.
        is_known: Somebody is signed in there.

    Attributes:
        news: Set while something waits. ended: Why it is to end; "" while it goes on.
    """

    def __init__(self, where: str, drive: str, address: str, session: bytes | None, is_known: bool = False) -> None:
        self.where, self.address, self.session, self.is_known = where, address, session, is_known
        self.drive = drive or next((where.removeprefix(p) for p in OF_ONE_DRIVE if where.startswith(p)), "")
        self.lacks = Changes()
        self.parts: dict[str, str] = {}
        self.rows: deque[dict[str, Any]] = deque(maxlen=ROWS)
        self.again = False
        self.ended = ""
        self.news = asyncio.Event()

    def mark(self, changes: Changes, parts: dict[str, str]) -> None:
        """It lacks this as well."""
        mine = (lambda ids: ids & {self.drive}) if self.drive else set
        self.lacks.drives |= mine(changes.drives)
        self.lacks.values |= mine(changes.values)
        self.lacks.alarms |= changes.alarms
        self.lacks.service |= changes.service
        self.lacks.site |= changes.site
        self.lacks.presence |= changes.presence
        mine_too = [r for r in changes.rows if not self.drive or r.get("drive") in (self.drive, "")]
        missed = changes.missed or len(self.rows) + len(mine_too) > ROWS
        self.again |= missed and self.where.startswith(BY_ROWS)
        self.rows.extend(mine_too)
        if self.again:
            self.parts.clear()
        else:
            self.parts.update(parts)
        if len(self.parts) > PARTS:
            self.parts.clear()
            self.again = True
        if self.lacks or self.rows or self.parts or self.again:
            self.news.set()

    def end(self, why: str) -> None:
        """It is told why, and ends."""
        self.ended = why
        self.news.set()


class Hub:
    """Tells listeners what changed.

    Args:
        scene: What there is to tell. look: Renders parts. now_s: Monotonic. log: Takes one line.
    """

    def __init__(
        self,
        scene: Scene,
        look: Look,
        now_s: Callable[[], float] = time.monotonic,
        log: Callable[[str], object] = lambda line: None,
    ) -> None:
        self.scene, self._log = scene, log
        self._rendering = Rendering(scene, look, now_s)
        self._listeners: set[Listener] = set()
        self._pending = Changes()
        self._timer: asyncio.TimerHandle | None = None
        self._views: dict[str, str] = {}

    @property
    def count(self) -> int:
        """Connections that listen now."""
        return len(self._listeners)

    def mark_of(self, where: str) -> str:
        """What a page that is rendered now says when it listens, so that it is told only what changed since."""
        self.flush()
        return self._rendering.mark_of(where)

    def join(
        self, where: str, drive: str, address: str, session: bytes | None = None, since: str = "", known: bool = False
    ) -> Listener:
        """A listener more; what it lacks of the whole picture waits for it.

        Args:
            where, drive, address, session, known: See `Listener`.
            since: `mark_of` its page, or the last mark it was told.

        Raises:
            Problem: There are too many.
        """
        own = [one for one in self._listeners if network_of(one.address) == network_of(address)]
        if not is_loopback(address) and len(own) >= PER_ADDRESS and not (known and self._make_room(own)):
            raise Problem(429, f"{PER_ADDRESS} pages listen from {address} already; close one, then try again")
        if len(self._listeners) >= LISTENERS and not (known and self._make_room(self._listeners)):
            raise Problem(503, f"{LISTENERS} pages listen already; close one that is not needed, then try again")
        self.flush()
        listener = Listener(where, drive, address, session, known)
        parts = self._rendering.parts_since(where, since) if where else {}
        listener.again = parts is None
        listener.mark(self.scene.everything(), parts or {})
        self._listeners.add(listener)
        return listener

    def _make_room(self, among: Iterable[Listener]) -> bool:
        """A page that nobody is signed in at gives way, one of the address that has the most of them."""
        strangers = [one for one in among if not one.is_known]
        held = Counter(network_of(one.address) for one in strangers)
        gone = max(strangers, key=lambda one: held[network_of(one.address)], default=None)
        if gone is None:
            return False
        gone.end(GIVE_WAY)
        self._listeners.discard(gone)
        return True

    def leave(self, listener: Listener) -> None:
        """It has gone."""
        self._listeners.discard(listener)

    def end_sessions(self, keys: Iterable[bytes], why: str) -> None:
        """Listeners under these sessions end."""
        gone = set(keys)
        for one in self._listeners:
            if one.session in gone:
                one.end(why)

    def told(self, changes: Changes) -> None:
        """Changes of the scene; they go out within `TOGETHER_S`, at once when the watch went away."""
        if not changes:
            return
        self._pending.add(changes)
        for drive in changes.drives | changes.values:
            self._views.pop(drive, None)
        if self.scene.away is not None and changes.presence:
            self.flush()
        elif self._timer is None and (self._listeners or self._rendering.is_kept):
            self._timer = asyncio.get_running_loop().call_later(TOGETHER_S, self.flush)

    def flush(self) -> None:
        """What waits is rendered once for each page that somebody looks at, and handed to every listener."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        changes, self._pending = self._pending, Changes()
        if not changes:
            return
        if changes.all:
            self._views.clear()
            changes.add(self.scene.everything())
        rendered, faults = self._rendering.render({one.where for one in self._listeners if one.where}, changes)
        for where, fault in faults.items():
            self._log(f"{where} cannot be rendered: {fault}")
        for one in self._listeners:
            if one.where in faults:  # rather no page than one that has stopped to tell
                one.end(FAULT)
            one.mark(changes, rendered.get(one.where, {}))

    def take(self, listener: Listener) -> str:
        """All that waits for a listener as server-sent events, read off the scene as it is now; then nothing waits."""
        lacks, listener.lacks = listener.lacks, Changes()
        scene, events = self.scene, list[str]()
        listener.news.clear()
        if lacks.site:
            events.append(event("site", text_of({k: scene.site.get(k) for k in ("digest", "epoch")})))
        if lacks.presence:
            events.append(self._presence())
        if listener.again:
            events.append(event("again", "{}"))
        if listener.parts:
            events.append(event("parts", f"[{','.join(listener.parts.values())}]"))
        listener.parts, listener.again = {}, False
        if not listener.where:
            events.append(self._of_drives("drives", lacks.drives, self._view))
            lacks.values -= lacks.drives
        events.append(self._of_drives("values", lacks.values, lambda d: text_of(measured(scene.drives[d]))))
        if lacks.alarms and not listener.where:  # pages have them in their parts
            mine = [a for a in scene.alarms if not listener.drive or a.get("drive") == listener.drive]
            events.append(event("alarms", text_of(mine)))
        if lacks.service:
            events.append(event("service", text_of(scene.service)))
        if listener.rows:
            events.append(event("rows", text_of(list(listener.rows))))
            listener.rows.clear()
        if listener.ended:
            events.append(event("ended", text_of({"why": listener.ended})))
        told = [e for e in events if e]
        if told and listener.where:  # with the last, so that a connection that breaks before it is told all again
            told[-1] = f"id: {self._rendering.mark}\n{told[-1]}"
        return "".join(told)

    def _presence(self) -> str:
        away = self.scene.away
        if away is None:
            return event("back", "{}")
        return event("off", text_of({"since": away.since_utc_ms, "why": away.why}))

    def _of_drives(self, name: str, ids: set[str], text: Callable[[str], str]) -> str:
        there = (
            [d for d in self.scene.drives if d in ids] if len(ids) > 1 else [d for d in ids if d in self.scene.drives]
        )
        return event(name, "{" + ",".join(f"{text_of(d)}:{text(d)}" for d in there) + "}") if there else ""

    def _view(self, drive: str) -> str:
        if drive not in self._views:
            self._views[drive] = text_of(self.scene.drives[drive])
        return self._views[drive]


def event(name: str, data: str) -> str:
    """One server-sent event; data is one line."""
    return f"event: {name}\ndata: {data}\n\n"
