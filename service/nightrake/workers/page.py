"""The process that serves the operator's page: the watch on one side, over an inherited channel, browsers on the other.

    python -m nightrake.workers.page '{"fd": 7, "state_dir": ..., "site": ..., "page": {...}}'

It may be killed anywhere: who is signed in stands in ``page.db``, everything else is asked of the watch anew.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import resource
import socket
import ssl
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from nightrake.domain.cleantext import clean
from nightrake.page.app import application
from nightrake.page.budget import Budget
from nightrake.page.certificate import ending, ends_utc_ms
from nightrake.page.directory import Directory
from nightrake.page.door import Door, listen
from nightrake.page.feed import SceneFeed
from nightrake.page.folders import Folders
from nightrake.page.hub import Hub
from nightrake.page.lasthours import LastHours
from nightrake.page.lockouts import Lockouts
from nightrake.page.look import HERE, Templates
from nightrake.page.ports import Look, Reader
from nightrake.page.scene import Scene
from nightrake.page.sessions import Sessions
from nightrake.page.shields import LOOPBACK, Place
from nightrake.page.signin import SignIn
from nightrake.page.statics import Statics
from nightrake.page.visits import Room
from nightrake.workers.line import Line, be_last
from nightrake.workers.pagechannel import AWAY, Channel
from nightrake.workers.pagereading import ReadingProcess

SAY_S = 5.0
"""How often the watch is told that all is well."""
LINES_A_MINUTE = 30
OFF_S = 0.5
"""When the watch hangs up, browsers are told so within this, and the process ends."""


@dataclass(frozen=True)
class Job:
    """What the watch asks for.

    Attributes:
        fd: The channel to the watch. state_dir: Where ``page.db`` is kept. site: Site id.
        host, port: Where to listen. cert_file, key_file: TLS, or both empty. plain: Without TLS beyond this machine.
        public_url: As people type it. hosts: Further names of the page.
        open_view: Looking needs no sign-in. list_people: The sign-in form names them also where it does.
        sign_in_hours: How long one lasts.
        config_dir: The settings folder, for calibration records.
    """

    fd: int
    state_dir: str
    site: str = ""
    config_dir: str = ""
    host: str = "127.0.0.1"
    port: int = 8470
    cert_file: str = ""
    key_file: str = ""
    plain: bool = False
    public_url: str = ""
    hosts: tuple[str, ...] = field(default_factory=tuple)
    open_view: bool = True
    list_people: bool = False
    sign_in_hours: float = 12.0

    @classmethod
    def of(cls, told: Mapping[str, Any]) -> Job:
        """A job as the watch writes it; keys that this program does not know are left alone."""
        page = {k: v for k, v in told.get("page", {}).items() if k in cls.__dataclass_fields__}
        page["hosts"] = tuple(page.get("hosts", ()))
        site, config_dir = str(told.get("site", "")), str(told.get("config_dir", ""))
        return cls(int(told["fd"]), str(told["state_dir"]), site, config_dir, **page)


class CannotServe(Exception):
    """Why the page cannot be served: one sentence."""


def tls_of(job: Job) -> ssl.SSLContext | None:
    """TLS by the files of the job; None where it names none.

    Raises:
        CannotServe: They cannot be used; or there are none, and others than this machine would be served.
    """
    if not job.cert_file and not job.key_file:
        if job.host not in LOOPBACK and not job.plain:
            raise CannotServe(
                f"page.host {job.host}: beyond this machine the page needs page.cert_file and page.key_file"
            )
        return None
    made = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    made.minimum_version = ssl.TLSVersion.TLSv1_2
    made.set_alpn_protocols(["http/1.1"])
    try:
        made.load_cert_chain(job.cert_file, job.key_file or None, password=_no_password)
    except (OSError, ValueError) as error:
        names = " and ".join(n for n in (job.cert_file, job.key_file) if n)
        raise CannotServe(f"{names}: cannot be used as certificate and key ({error})") from error
    return made


def _no_password() -> str:
    raise ValueError("the key has a password; write one without")


def listening_of(job: Job) -> socket.socket:
    """The socket that browsers come to.

    Raises:
        CannotServe: The place is taken, or not this machine's.
    """
    try:
        return listen(job.host, job.port)
    except OSError as error:
        why = error.strerror or str(error)
        raise CannotServe(f"port {job.port} of {job.host} cannot be listened on ({why}); change page.port") from error


def now_ms() -> int:
    """UTC."""
    return time.time_ns() // 1_000_000


class Worker:
    """The worker at work.

    Args:
        job: What to do. say: To the watch. reader: Reads what is kept, if anybody does.
        look: How pages look; None = by the templates. clocks: Monotonic seconds, and UTC in ms.
    """

    def __init__(
        self,
        job: Job,
        say: Callable[..., None],
        reader: Reader | None = None,
        look: Look | None = None,
        clocks: tuple[Callable[[], float], Callable[[], int]] = (time.monotonic, now_ms),
    ) -> None:
        self._job, self._say = job, say
        self._now_s, self._now_ms = now_s, utc_ms = clocks
        lines = Budget(LINES_A_MINUTE, now_s)
        log = lambda text: print_line(text) if lines.take() else None  # noqa: E731
        statics = Statics(HERE / "static")
        look = look or Templates(statics)
        self._hub = Hub(Scene(), look, now_s, log)
        self._directory = Directory()
        self._sessions = Sessions(Path(job.state_dir), utc_ms, log)
        self._channel = Channel(socket.socket(fileno=job.fd), Folders(job.state_dir, job.config_dir))
        self._feed = SceneFeed(self._hub, self._directory, self._sessions, self._channel.ask_scene, now_s)
        hours = job.sign_in_hours
        self._sign_in = SignIn(self._directory, self._sessions, self._channel, now_s, hours)
        self._tls = tls_of(job)
        place = Place(job.host, tls=self._tls is not None, public_url=job.public_url, hosts=job.hosts)
        self._room = Room(
            self._hub.scene, self._hub, self._feed, look, self._channel, Lockouts(self._channel, now_s),
            self._directory, self._sessions, self._sign_in, statics, place, log, reader, job.open_view,
            job.list_people,
        )  # fmt: skip

    async def run(self) -> None:
        """Serve until the watch hangs up.

        Raises:
            CannotServe: One sentence.
        """
        listening = listening_of(self._job)
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(lambda _, context: self._room.log(fault_words(context)))
        await self._sessions.open()
        app = application(self._room, self._now_ms, self._now_s, self._feed.still_wanted)
        door = Door(app, listening, self._tls, self._now_s, knows=self._sessions.knows)
        tasks = [
            asyncio.create_task(door.run(), name="door"),
            asyncio.create_task(self._feed.run(), name="feed"),
            asyncio.create_task(self._tell(listening.getsockname()[1]), name="telling"),
        ]
        if self._room.reader is not None:
            hours = LastHours(self._hub.scene, self._room.reader, self._now_ms)
            tasks.append(asyncio.create_task(hours.run(), name="last hours"))
        channel = asyncio.create_task(self._channel.run(self._feed.heard, self._feed.begin), name="channel")
        try:
            done, _ = await asyncio.wait([*tasks, channel], return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()  # but for the channel none of them ends other than by a fault
            self._feed.lost(AWAY)
            await asyncio.sleep(OFF_S)
        finally:
            for task in (*tasks, channel):
                task.cancel()
            try:
                await asyncio.gather(*tasks, channel, return_exceptions=True)
            finally:  # also where whoever runs this loses patience meanwhile
                self._sign_in.close()
                await self._sessions.close()

    async def _tell(self, port: int) -> None:
        scheme = "http" if self._tls is None else "https"
        host = f"[{self._job.host}]" if ":" in self._job.host else self._job.host
        address = self._job.public_url or f"{scheme}://{host}:{port}"
        ends_ms = ends_utc_ms(self._job.cert_file) if self._tls is not None else None
        while True:
            trouble = ending(self._job.cert_file, ends_ms, self._now_ms())
            self._say(up=True, address=address, browsers=self._hub.count, **({"error": trouble} if trouble else {}))
            await asyncio.sleep(SAY_S)


def fault_words(context: Mapping[str, Any]) -> str:
    """What the event loop has to say, in one line."""
    error = context.get("exception")
    return (
        f"{context.get('message', '')}: {type(error).__name__}: {error}" if error else str(context.get("message", ""))
    )


def print_line(text: str) -> None:
    """One line of the log."""
    with contextlib.suppress(OSError):
        sys.stderr.write(f"page: {clean(text, 600)}\n")
        sys.stderr.flush()


async def _serve(job: Job, line: Line) -> None:
    lines = Budget(LINES_A_MINUTE, time.monotonic)
    log = lambda text: print_line(text) if lines.take() else None  # noqa: E731
    reader = ReadingProcess(job.state_dir, job.config_dir, log=log)
    beginning = asyncio.create_task(reader.begin(), name="reading process")  # the first page shall not wait for it
    try:
        await Worker(job, line.say, reader).run()
    finally:
        beginning.cancel()
        await asyncio.gather(beginning, return_exceptions=True)
        await reader.close()


def main() -> None:
    """Serve until standard input ends, or the watch hangs up."""
    be_last()
    line = Line()
    # A fault of the program itself: the watch says it, and starts this anew later and later.
    sys.excepthook = lambda kind, error, _: line.say(failed=f"page worker: {kind.__name__}: {clean(str(error))}")
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(most, 4096) if most > 0 else 4096, most))
    job = Job.of(json.loads(sys.argv[1]))
    try:
        asyncio.run(_serve(job, line))
    except CannotServe as error:
        line.say(failed=str(error))
        sys.exit(1)


if __name__ == "__main__":
    main()
