"""The page worker as the watch sees it: started, heard, told to nobody's harm when it fails; its channel served.

Browsers, passwords and web libraries are in that process alone. It gets one end of a connection that nobody else can
reach (`control.channel`), and dies with its standard input. Nothing here touches scans or alarms: a worker that ends is
started again, later and later. That the page is away is in the status, the log and the journal, but calls nobody.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import ssl
import sys
from collections.abc import Callable, Mapping
from typing import Any

from nightrake.clock import Clock
from nightrake.control.channel import Channel, TextStream
from nightrake.control.server import Handler
from nightrake.domain.cleantext import clean
from nightrake.forwardprocess import end
from nightrake.keeping import ONE_THREAD
from nightrake.loglibrary import structlog
from nightrake.pageasked import PAGE
from nightrake.settings import Settings
from nightrake.settings.page import PageTable

log = structlog.get_logger("nightrake.page")

MODULE = "nightrake.workers.page"
BACKOFF_S = (1.0, 60.0)
"""Between two starts of a worker that ends by itself."""
SILENT_S = 60.0
"""It says something every few seconds; one that is silent for this long hangs, and is started anew."""
LONGEST_LINE = 64 * 1024
LONGEST_TOLD = 300
"""Characters of what the worker says of itself that are told on."""
LEAVE_S = 1.0
"""For a worker to say good-bye to its browsers."""
LINES, CHUNK = 40, 4096
"""Lines of the worker's own in a minute that are logged; bytes of them that are read at once."""
CERTIFICATE = ("page.cert_file", "page.key_file")
"""Secrets whose renewal is a reason to start it anew."""
PAIR_AGAIN_S = 20.0
"""Certificate and key that do not go together are looked at again after this: they may be on their way."""


class PageKeeping:
    """Keeps one worker at work until cancelled; none while the settings say so.

    Args:
        settings: See `[page]`. config_dir: The settings folder, whose calibration records the page shows.
        epoch: Gives that of the journal. clock: For durations.
        verbs, streams: Answer what the worker asks, see `Channel`. on_link: Called on each change: (up, detail).
    """

    def __init__(
        self,
        settings: Settings,
        config_dir: str,
        epoch: Callable[[], str],
        clock: Clock,
        verbs: Mapping[str, Handler],
        streams: Mapping[str, TextStream],
        on_link: Callable[[bool, str], None],
    ) -> None:
        self._settings, self._config_dir, self._epoch, self._clock = settings, config_dir, epoch, clock
        self._verbs, self._streams, self._on_link = verbs, streams, on_link
        self._again = asyncio.Event()
        self._is_renewal = False
        self._told_up = True
        self._said: dict[str, Any] = {}
        self._up = False
        self._why = self._kept_because = ""
        self._starts = 0
        self.process: asyncio.subprocess.Process | None = None

    def settings_changed(self, settings: Settings, replaced: list[str]) -> None:
        """Go on with other settings; the worker is started anew where they differ for it.

        Args:
            replaced: Secrets that are others than before.
        """
        renewed = settings.page.enabled and any(name in replaced for name in CERTIFICATE)
        changed = self._job_of(settings) != self._job_of(self._settings)
        self._settings = settings
        if changed or renewed:
            self._is_renewal = not changed and (self._is_renewal or not self._again.is_set())
            self._again.set()

    def status(self) -> dict[str, Any]:
        """How it goes, as plain values."""
        return {
            "enabled": self._settings.page.enabled,
            "up": self._up,
            "address": self._said.get("address", "") if self._up else "",
            "browsers": self._said.get("browsers", 0) if self._up else 0,
            "detail": (self._kept_because or self._said.get("error", "")) if self._up else self._why,
            "starts": self._starts,
        }

    async def run(self) -> None:
        """See the class."""
        wait_s = BACKOFF_S[0]
        while True:
            self._again.clear()
            if not self._settings.page.enabled:
                self._why = ""
                self._tell(True, "")
                await self._again.wait()
                continue
            began_ns = self._clock.mono_ns()
            why = await self._one_life()
            self._up = False
            if self._again.is_set():
                self._why, wait_s = "", BACKOFF_S[0]
                continue
            if self._clock.mono_ns() - began_ns > BACKOFF_S[1] * 1e9:
                wait_s = BACKOFF_S[0]
            self._why = why if why.startswith("it ") else f"the page's process {why}"
            log.warning("page_worker_ended", why=why, again_in_s=wait_s)
            if wait_s >= BACKOFF_S[1] / 2:
                self._tell(False, self._why)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(wait_s):
                    await self._again.wait()
            wait_s = min(2 * wait_s, BACKOFF_S[1])

    async def _one_life(self) -> str:
        """One worker, to its end; says how that came."""
        ours, theirs = socket.socketpair()
        try:
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-P", "-m", MODULE, json.dumps(self._job(theirs.fileno()))),
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.PIPE,
                limit=LONGEST_LINE,
                pass_fds=(theirs.fileno(),),
                env={**_without_secrets(self._settings), **ONE_THREAD},
            )
        except OSError as error:
            ours.close()
            return f"could not be started ({error.strerror or error})"
        finally:
            theirs.close()
        self._starts += 1
        self.process, self._said, self._kept_because = process, {}, ""
        channel = Channel(ours, PAGE, self._verbs, self._streams)
        hearing = asyncio.create_task(self._hear(process), name="page worker")
        serving = asyncio.create_task(channel.run(), name="page channel")
        again = asyncio.create_task(self._to_begin_anew(), name="page settings")
        logging = asyncio.create_task(self._log(process), name="page log")
        tasks = (hearing, serving, again)
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            if serving.done() and not hearing.done():
                # What it says of its end is on its way, and says more than that its channel is closed.
                await asyncio.wait({hearing, again}, timeout=1.0, return_when=asyncio.FIRST_COMPLETED)
            return next((t.result() for t in (hearing, serving) if t.done()), "was ended, for the settings changed")
        finally:
            self.process = None
            for task in (*tasks, logging):
                task.cancel()
            await asyncio.gather(*tasks, logging, return_exceptions=True)
            ours.close()
            await _leave(process)

    async def _to_begin_anew(self) -> None:
        """Until there is a reason; a renewed certificate is none before it can be used: the page goes on as it is."""
        while True:
            await self._again.wait()
            fault = await asyncio.to_thread(pair_fault, self._settings.page) if self._is_renewal else ""
            if not fault:
                return
            self._kept_because = f"{fault}; the page goes on with those that it began with"
            log.warning("page_certificate_not_taken", why=self._kept_because)
            self._again.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(PAIR_AGAIN_S):
                    await self._again.wait()
            self._again.set()

    def _job(self, fd: int) -> dict[str, Any]:
        return {"fd": fd, **self._job_of(self._settings)}

    def _job_of(self, settings: Settings) -> dict[str, Any]:
        """What a worker is started with; no secret, for whoever is on the machine can read it."""
        return {
            "state_dir": str(settings.store_dir),
            "config_dir": self._config_dir,
            "socket": str(settings.control.socket),
            "site": settings.site.id,
            "epoch": self._epoch(),
            "page": settings.page.model_dump(),
        }

    async def _hear(self, process: asyncio.subprocess.Process) -> str:
        assert process.stdout is not None
        while True:
            try:
                async with asyncio.timeout(SILENT_S):
                    line = await process.stdout.readline()
                said = json.loads(line) if line else None
            except TimeoutError:
                return f"said nothing for {SILENT_S:g} s"
            except (ValueError, OSError):
                return "said what nobody understands"
            if not isinstance(said, dict):
                return "has ended"
            if isinstance(failed := said.get("failed"), str):
                return f"it cannot be served: {clean(failed, LONGEST_TOLD)}"
            self._take(said)

    async def _log(self, process: asyncio.subprocess.Process) -> None:
        """Its own lines, as far as somebody would read them; it never waits for us to take them."""
        assert process.stderr is not None
        left, since_ns = LINES, self._clock.mono_ns()
        while chunk := await process.stderr.read(CHUNK):
            if self._clock.mono_ns() - since_ns > 60e9:
                left, since_ns = LINES, self._clock.mono_ns()
            for line in chunk.decode(errors="replace").splitlines():
                if left > 0 and line.strip():
                    left -= 1
                    log.warning("page_says", text=clean(line, LONGEST_TOLD))

    def _take(self, said: dict[str, Any]) -> None:
        """What the worker says of itself; it comes from another process, so nothing of it is believed blindly."""
        if said.get("up") is not True:
            return
        if not self._up:
            self._up, self._why = True, ""
            log.info("page_up", address=clean(str(said.get("address", "")), LONGEST_TOLD))
        browsers = said.get("browsers")
        self._said = {
            "address": clean(str(said.get("address", "")), LONGEST_TOLD),
            "browsers": browsers if type(browsers) is int and 0 <= browsers < 10**6 else 0,
            "error": clean(str(said.get("error") or ""), LONGEST_TOLD),
        }
        self._tell(True, "")

    def _tell(self, up: bool, detail: str) -> None:
        if up != self._told_up:
            self._told_up = up
            self._on_link(up, detail)


async def _leave(process: asyncio.subprocess.Process) -> None:
    """It ends by itself once its channel is closed, after telling browsers so; if not, it is ended."""
    try:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(LEAVE_S):
                await process.wait()
    finally:  # also where whoever waits is told to stop waiting
        await end(process)


def pair_fault(page: PageTable) -> str:
    """Why the page's certificate and key cannot be used; "" where they can, or none is named."""
    if not page.cert_file:
        return ""
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(page.cert_file, page.key_file, password=lambda: "")
    except (OSError, ValueError) as error:
        return f"{page.cert_file} and {page.key_file}: cannot be used as certificate and key ({error})"
    return ""


def _without_secrets(settings: Settings) -> dict[str, str]:
    """Our environment without the secrets in it: this process talks with browsers, and needs none of them."""
    secret = {settings.mqtt.password_env, settings.forward.token_env}
    secret |= {table.secret_env for table in settings.channels.values()}
    return {name: value for name, value in os.environ.items() if name not in secret}
