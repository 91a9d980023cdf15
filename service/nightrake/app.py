"""The watch: everything wired together, one task group, one place where it ends.

pollers --RawScan--> engine --rows, states, tail--> store --durable--> engine --tell--> teller (MQTT), news
ticker  --Tick-----^    ^-- Command (control socket), LinkHealth (broker, store, PLCs), SettingsChanged (reload)
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NoReturn

import structlog

from nightrake import __version__
from nightrake.asked import COMMIT_WAIT_S, Asked
from nightrake.clock import Segment, SystemClock, boot_id
from nightrake.control.server import Caller, ControlServer
from nightrake.domain.inputs import LinkHealth, RawScan, SettingsChanged
from nightrake.domain.rows import Entry, Row
from nightrake.domain.state import new_site
from nightrake.domain.view import drive_view
from nightrake.engine import Engine
from nightrake.errors import ConfigError
from nightrake.forwarding import Forwarding
from nightrake.journal.chain import lost_entry
from nightrake.journal.store import Store
from nightrake.kept import restore
from nightrake.messages.teller import BrokerSettings, Teller
from nightrake.notify import Notifier
from nightrake.polling import Pollers
from nightrake.settings import Settings, load, reload_diff, secret

log = structlog.get_logger("nightrake.app")

TICK_S = 0.1
SWITCH_S = 0.0005
"""How long the loop may keep the interpreter while the store's thread waits for it, seconds."""
CURSOR = "mqtt"
NEWS_ROWS = 1000
NO_MEMORY = b"nightrake: out of memory; the watch ends at once and has to be started again, with more memory\n"
THREAD_DEAD = b"nightrake: a thread of the watch has died (see above); it ends at once and has to be started again\n"
EXIT_BROKEN = 70
"""Source of the number: EX_SOFTWARE of sysexits.h."""


def run_watch(folder: Path, overrides: Mapping[str, Any]) -> int:
    """Load the settings, open the store, watch until told to stop.

    Returns:
        Exit code 0 after an orderly stop.

    Raises:
        NightrakeError: The settings or the store cannot be used; nothing was started.
    """
    set_up_logs()
    settings = load(folder, overrides)
    clock = SystemClock(require_sync=settings.clock.require_sync)
    store = Store.open(
        settings.store_dir,
        now_utc_ms=clock.utc_ms(),
        boot_id=boot_id(),
        quota_mb=settings.store.quota_mb,
        ballast_mb=settings.store.ballast_mb,
        keep_hours=settings.store.tail_hours,
    )
    return asyncio.run(Watch(settings, folder, overrides, store, clock).run())


def set_up_logs() -> None:
    """Structured logs on standard error, one JSON line for each change of state."""
    structlog.configure(
        processors=[
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.add_log_level,
            _without_nothing,
            structlog.processors.JSONRenderer(ensure_ascii=False),
        ],
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=True,
    )


def _without_nothing(logger: Any, name: str, event: Any) -> Any:  # noqa: ARG001  # structlog's signature
    return {k: v for k, v in event.items() if v is not None}


def calm_interpreter() -> None:
    """What is loaded by now stays for good: full collections need not walk it, nor come often.

    They took 110 ms at 504 drives, which makes scans late; what the scans themselves leave is freed by counting.
    """
    # A commit takes the interpreter back after each of its steps; at the default of 5 ms each that is felt.
    sys.setswitchinterval(SWITCH_S)
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 100)


def end_rather_than_limp() -> None:
    """Without memory, or with one of its threads dead, the watch would go on as half a watch: end at once instead.

    As if killed: the next start is made for that, and finds everything that was durable.
    """

    def from_loop(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        error = context.get("exception")
        # A thread that cannot be started has found no room for its stack.
        if isinstance(error, MemoryError) or "can't start new thread" in str(error):
            end_at_once(NO_MEMORY)
        loop.default_exception_handler(context)

    def from_thread(args: threading.ExceptHookArgs) -> None:
        if args.exc_type is MemoryError:
            end_at_once(NO_MEMORY)
        threading.__excepthook__(args)
        end_at_once(THREAD_DEAD)

    asyncio.get_running_loop().set_exception_handler(from_loop)
    threading.excepthook = from_thread


def end_at_once(words: bytes) -> NoReturn:
    """End the process with a sentence, and with nothing that could need memory, a disk or another thread."""
    with contextlib.suppress(OSError):
        os.write(2, words)
    os._exit(EXIT_BROKEN)


class Watch:
    """One running watch.

    Args:
        settings: What to do. folder, overrides: Where a reload reads from. store: Open. clock: The machine's.
    """

    def __init__(
        self, settings: Settings, folder: Path, overrides: Mapping[str, Any], store: Store, clock: SystemClock
    ) -> None:
        self.settings = settings
        self._folder = folder
        self._overrides = dict(overrides)
        self.store = store
        self._clock = clock
        self._notifier = Notifier.from_environment()
        self._stop = asyncio.Event()
        self.began_ns = clock.mono_ns()
        self.recent: deque[Row] = deque(maxlen=NEWS_ROWS)
        self._to_renew: list[str] = []
        self._renew_share = 1
        segment = Segment(boot_id(), clock.mono_ns(), clock.utc_ms(), clock.trusted())
        last_utc_ms, kept = store.last_utc_ms(), store.states()
        state, unfit = restore(new_site(settings.site), kept, clock.mono_ns(), same_boot=_is_same_boot(store))
        cursor = store.get_cursor(CURSOR)
        # Numbers rise over the epochs of one file, so a cursor of an earlier epoch still says what was told.
        self._begin_after = cursor[1] if cursor else 0
        self.engine = Engine(
            state,
            store,
            clock,
            epoch=store.epoch,
            next_seq=store.first_free_seq,
            last_hash=store.last_hash,
            next_input_seq=store.first_free_input_seq,
            segment=segment,
            trusted=clock.trusted,
            tellable=lambda: store.reserved_seq,
            tell=self._tell,
            changed=self._mark,
        )
        self.teller = self._new_teller(settings, self._begin_after)
        self.forwarding = Forwarding(settings, store, clock, lambda: self.engine.last_input_seq, self._link_of("store"))
        self._started = _start_entry(settings, store, last_utc_ms, clock.utc_ms(), unfit)
        self._segment = segment
        self.pollers: Pollers

    def _new_teller(self, settings: Settings, cursor: int) -> Teller:
        mqtt = settings.mqtt
        broker = BrokerSettings(
            host=mqtt.host,
            port=mqtt.port,
            protocol=mqtt.protocol,
            client_id=mqtt.client_id or f"nightrake-{settings.site.id}",
            username=mqtt.username,
            password=secret(mqtt.password_file, mqtt.password_env, "mqtt password").reveal(),
            ca_file=mqtt.ca_file,
            cert_file=mqtt.cert_file,
            key_file=mqtt.key_file,
            keepalive_s=mqtt.keepalive_s,
        )
        return Teller(
            broker,
            self,
            root=mqtt.root,
            site=settings.site.id,
            epoch=self.store.epoch,
            cursor=cursor,
            drives=settings.site.drives,
            utc_ms=self._clock.utc_ms,
            on_link=self._link_of("broker"),
            canary_period_s=mqtt.canary_period_s,
        )

    # --- the teller's feed --------------------------------------------------------------------------------------------

    async def rows_after(self, seq: int, limit: int) -> list[Row]:
        """Journal rows for the teller."""
        return await self.store.rows_after(seq, limit)

    def advance(self, seq: int) -> None:
        """Keep the teller's cursor."""
        self.store.set_cursor(CURSOR, self.store.epoch, seq)

    # --- wiring -------------------------------------------------------------------------------------------------------

    def _tell(self, row: Row, durable: bool) -> None:
        self.recent.append(row)
        self.teller.offer(row, durable)
        self.forwarding.wake()

    def _mark(self, drives: Sequence[str]) -> None:
        state, mono_ns, utc_ms = self.engine.state, self._clock.mono_ns(), self._clock.utc_ms()
        for drive in drives:
            if drive in state.drives:
                self.teller.mark(drive, drive_view(state, drive, mono_ns, utc_ms))

    def _link_of(self, link: str) -> Any:
        def told(up: bool, detail: str) -> None:
            self.engine.submit(LinkHealth(self._clock.mono_ns(), self._clock.utc_ms(), link, up, detail))

        return told

    def _rows_lost(self, first_seq: int, last_seq: int) -> None:
        self.engine.note(lost_entry(first_seq, last_seq))

    def _plc_link(self, plc: str, up: bool, detail: str) -> None:
        self._link_of(f"plc:{plc}")(up, detail)

    def _on_scan(self, scan: RawScan) -> None:
        self.engine.submit(scan)

    # --- running ------------------------------------------------------------------------------------------------------

    async def run(self) -> int:
        """Watch until SIGTERM or Ctrl-C."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self._stop.set)
        loop.add_signal_handler(signal.SIGHUP, lambda: loop.create_task(self._reload_logged(), name="reload"))
        calm_interpreter()
        end_rather_than_limp()
        self.store.start(self.engine.durable, self._link_of("disk"), self._rows_lost)
        self.store.put_segment(*self._segment)
        self.store.put_settings(self.settings.digest, self._clock.utc_ms(), self.settings.content)
        self.engine.note(self._started)
        try:
            await self._run_all()
        except* MemoryError:
            end_at_once(NO_MEMORY)
        finally:
            await self.store.close()
        return 0

    async def _run_all(self) -> None:
        ready = asyncio.Event()
        server = ControlServer(
            self.settings.control.socket, {**Asked(self, self._clock).verbs(), "reload": self._reload}, {}
        )
        async with asyncio.TaskGroup() as group:
            control = group.create_task(server.run(ready), name="control")
            self._telling = group.create_task(self.teller.run(), name="teller")
            self._group = group
            forward = group.create_task(self.forwarding.run(), name="forwarder")
            ticker = group.create_task(self._tick(), name="ticker")
            self.pollers = Pollers(group, self._clock, self._on_scan, self._plc_link)
            self.pollers.take(self.settings.site)
            await ready.wait()
            self._notifier.send("READY=1", f"STATUS=watching {len(self.settings.site.drives)} drives")
            log.info("ready", site=self.settings.site.id, drives=len(self.settings.site.drives), pid=os.getpid())
            await self._stop.wait()
            self._notifier.send("STOPPING=1")
            self.pollers.cancel()
            ticker.cancel()
            forward.cancel()
            self.engine.note(Entry("service", "stopped", "", "", {"why": "asked to"}))
            await self.store.wait_durable(self.engine.last_seq, COMMIT_WAIT_S)
            self.teller.stop()
            await asyncio.wait({self._telling}, timeout=3.0)
            self._telling.cancel()
            control.cancel()

    async def _tick(self) -> None:
        beat_s = self._notifier.watchdog_s / 3
        next_beat_ns = 0
        while True:
            await asyncio.sleep(TICK_S)
            self.engine.tick()
            now_ns = self._clock.mono_ns()
            self._renew_states()
            if beat_s and now_ns >= next_beat_ns and not self.pollers.stuck(now_ns):
                # Fed only while scans finish and this loop turns; a restart helps against nothing else.
                next_beat_ns = now_ns + int(beat_s * 1e9)
                self._notifier.send("WATCHDOG=1")

    def _renew_states(self) -> None:
        """Renew a share of the retained states each tick: all at once would hold up the scans of a large site."""
        if not self._to_renew:
            self._to_renew = list(self.engine.state.drives)
            self._renew_share = -(-len(self._to_renew) // max(1, int(self.settings.mqtt.state_period_s / TICK_S)))
        share, self._to_renew = self._to_renew[: self._renew_share], self._to_renew[self._renew_share :]
        self._mark(share)

    # --- the control socket -------------------------------------------------------------------------------------------

    async def _reload_logged(self) -> None:
        result = await self._reload(Caller("SIGHUP", os.getuid()), {})
        log.info("reload", ok=result["ok"], lines=result["lines"])

    async def _reload(self, caller: Caller, args: Mapping[str, Any]) -> Any:  # noqa: ARG002
        """Take the changed folder in whole, or refuse it whole."""
        old = self.settings
        by = {"actor": caller.actor, "known_by": "local user"}
        try:
            new = await asyncio.to_thread(load, self._folder, self._overrides)
            if (new.store.dir, new.control) != (old.store.dir, old.control):
                text = "store.dir and control.socket cannot change while the watch runs; restart it for that"
                return self._refuse_reload(by, [text])
            if new.mqtt != old.mqtt:
                secret(new.mqtt.password_file, new.mqtt.password_env, "mqtt password")
        except ConfigError as error:
            return self._refuse_reload(by, [str(m) for m in error.mistakes])
        if new.digest == old.digest:
            return {"ok": True, "lines": ["nothing changed"]}
        self.settings = new
        self.store.put_settings(new.digest, self._clock.utc_ms(), new.content)
        self.engine.submit(SettingsChanged(self._clock.mono_ns(), self._clock.utc_ms(), new.site))
        self.pollers.take(new.site)
        await self._retell(old, new)
        self.forwarding.settings_changed(new)
        return {"ok": True, "lines": reload_diff(old, new)}

    def _refuse_reload(self, by: dict[str, str], lines: list[str]) -> dict[str, Any]:
        data = {**by, "verb": "reload", "reason": "; ".join(lines)[:500]}
        self.engine.note(Entry("command", "refused", "", "", data))
        return {"ok": False, "lines": [*lines, "The folder was refused whole; the watch goes on as before."]}

    async def _retell(self, old: Settings, new: Settings) -> None:
        """Another broker, user or site id needs another teller; otherwise only the drives may have changed."""
        if (new.mqtt, new.site.id) == (old.mqtt, old.site.id):
            self.teller.set_drives(new.site.drives)
            return
        before = self.teller
        before.stop()
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.wait({self._telling}, timeout=4.0)
        self.teller = self._new_teller(new, before.stats.cursor)
        self._telling = self._group.create_task(self.teller.run(), name="teller")
        self._mark(list(self.engine.state.drives))


def _is_same_boot(store: Store) -> bool:
    """Whether the monotonic times in the stored states are of this start of the machine; a new file cannot tell."""
    opened = store.opened
    return not (opened.rebooted or opened.new or opened.copied)


def _start_entry(settings: Settings, store: Store, last_utc_ms: int, utc_ms: int, unfit: list[str]) -> Entry:
    """The row that a start leaves: what was missed, which numbers were burnt, what happened to the store."""
    opened = store.opened
    data = {
        "version": __version__,
        "settings": settings.digest,
        "clean_stop_before": opened.was_clean,
        "missed_from_utc_ms": last_utc_ms,
        "missed_s": round(max(0, utc_ms - last_utc_ms) / 1000, 1) if last_utc_ms else 0.0,
        "numbers_skipped": [store.last_seq + 1, store.first_free_seq - 1]
        if store.first_free_seq > store.last_seq + 1
        else [],
        "store_new": opened.new,
        "store_damaged": opened.damaged,
        "states_salvaged": opened.salvaged,
        "store_unwritable": opened.unwritable,
        "rebooted": opened.rebooted,
        "store_copied": opened.copied,
        "state_left_out": unfit,
    }
    return Entry("service", "started", "", "", data)
