"""The watch: everything wired together, one task group, one place where it ends.

pollers --RawScan--> engine --rows, states, tail--> store --durable--> engine --tell--> teller (MQTT), news
ticker  --Tick-----^    ^-- Command (control socket), LinkHealth (broker, store, PLCs), SettingsChanged (reload)
"""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import threading
from collections import deque
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import structlog

from nightrake import __version__
from nightrake.asked import COMMIT_WAIT_S, Asked
from nightrake.clock import Segment, SystemClock, boot_id
from nightrake.control.place import Place
from nightrake.control.server import ControlServer
from nightrake.domain.inputs import LinkHealth, RawScan, SettingsChanged
from nightrake.domain.rows import Entry, Row
from nightrake.domain.state import new_site
from nightrake.domain.view import drive_view
from nightrake.engine import Engine
from nightrake.errors import NightrakeError
from nightrake.forwarding import Forwarding
from nightrake.journal.chain import lost_entry
from nightrake.journal.store import Store
from nightrake.kept import restore
from nightrake.lifeline import NO_MEMORY, calm_interpreter, end_at_once, end_rather_than_limp, is_no_memory
from nightrake.logs import LineLog, set_up_logs
from nightrake.messages.teller import BrokerSettings, Teller
from nightrake.notify import Notifier
from nightrake.polling import Pollers
from nightrake.reloading import Reloader, Taken
from nightrake.settings import Secrets, Settings, load, reload_diff, secrets_of

log = structlog.get_logger("nightrake.app")

TICK_S = 0.1
CURSOR = "mqtt"
NEWS_ROWS = 1000
TELLER_STOP_S = 4.0
"""For a teller to say good-bye; then it is cancelled, which takes as long again at most."""
MARKED_AT_ONCE = 50


class Given(NamedTuple):
    """What a watch is made of.

    Attributes:
        settings, secrets: What to do, and with which passwords. folder, overrides: Where a reload reads from.
        store: Open. clock: The machine's. place, taken: Of the control socket. log: Of the log lines.
        hung_up: Set when a SIGHUP came before anybody could serve it.
    """

    settings: Settings
    secrets: Secrets
    folder: Path
    overrides: Mapping[str, Any]
    store: Store
    clock: SystemClock
    place: Place
    taken: socket.socket
    log: LineLog
    hung_up: threading.Event


def run_watch(folder: Path, overrides: Mapping[str, Any], hung_up: threading.Event | None = None) -> int:
    """Load the settings, open the store, watch until told to stop.

    Args:
        folder, overrides: See `settings.load`. hung_up: Set when a SIGHUP has come while the program was loaded.

    Returns:
        Exit code 0 after an orderly stop.

    Raises:
        NightrakeError: The settings, a secret, the control socket or the store cannot be used; nothing was started.
    """
    log_lines = set_up_logs()
    try:
        settings = load(folder, overrides)
        secrets = secrets_of(settings)
        clock = SystemClock(require_sync=settings.clock.require_sync)
        place = Place(settings.control.socket)
        taken = place.take()
        try:
            store = _open(settings, clock)
            hung_up = hung_up or threading.Event()
            given = Given(settings, secrets, folder, overrides, store, clock, place, taken, log_lines, hung_up)
            return asyncio.run(Watch(given).run())
        finally:
            taken.close()
            place.give_back()
    finally:
        log_lines.close()


def _open(settings: Settings, clock: SystemClock) -> Store:
    return Store.open(
        settings.store_dir,
        now_utc_ms=clock.utc_ms(),
        boot_id=boot_id(),
        quota_mb=settings.store.quota_mb,
        ballast_mb=settings.store.ballast_mb,
        keep_hours=settings.store.tail_hours,
    )


class Watch:
    """One running watch."""

    def __init__(self, given: Given) -> None:
        settings, store, clock = given.settings, given.store, given.clock
        self._given = given
        self.settings = settings
        self.store = store
        self.log = given.log
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
        self.teller = self._new_teller(settings, given.secrets, self._begin_after)
        self._reloader = Reloader(given.folder, given.overrides, lambda: self.settings, self._go_on, self.engine.note)
        self.forwarding = Forwarding(settings, store, clock, lambda: self.engine.last_input_seq, self._link_of("store"))
        self._started = _start_entry(settings, store, last_utc_ms, clock.utc_ms(), unfit)
        self._segment = segment
        self.pollers: Pollers

    def _new_teller(self, settings: Settings, secrets: Secrets, cursor: int) -> Teller:
        mqtt = settings.mqtt
        broker = BrokerSettings(
            host=mqtt.host,
            port=mqtt.port,
            protocol=mqtt.protocol,
            client_id=mqtt.client_id or f"nightrake-{settings.site.id}",
            username=mqtt.username,
            password=secrets.mqtt_password.reveal(),
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
        loop.add_signal_handler(signal.SIGHUP, self._reloader.hang_up)
        if self._given.hung_up.is_set():
            self._reloader.hang_up()
        calm_interpreter()
        end_rather_than_limp()
        self.store.start(self.engine.durable, self._link_of("disk"), self._rows_lost)
        self.store.put_segment(*self._segment)
        self.store.put_settings(self.settings.digest, self._clock.utc_ms(), self.settings.content)
        self.engine.note(self._started)
        try:
            await self._run_all()
        except BaseExceptionGroup as errors:
            if errors.subgroup(is_no_memory):
                end_at_once(NO_MEMORY)
            if errors.subgroup(NightrakeError) and not errors.split(NightrakeError)[1]:
                raise _first(errors) from None
            raise
        finally:
            await self.store.close()
        return 0

    async def _run_all(self) -> None:
        ready = asyncio.Event()
        verbs = {**Asked(self, self._clock).verbs(), "reload": self._reloader.ask}
        server = ControlServer(self._given.place, verbs, {}, self._link_of("control"))
        async with asyncio.TaskGroup() as group:
            control = group.create_task(server.run(ready, self._given.taken), name="control")
            self._telling = group.create_task(self.teller.run(), name="teller")
            self._group = group
            forward = group.create_task(self.forwarding.run(), name="forwarder")
            ticker = group.create_task(self._tick(), name="ticker")
            self.pollers = Pollers(group, self._clock, self._on_scan, self._plc_link)
            self.pollers.take(self.settings.site)
            await ready.wait()
            reloader = group.create_task(self._reloader.run(), name="reloader")
            self._notifier.send("READY=1", f"STATUS=watching {len(self.settings.site.drives)} drives")
            log.info("ready", site=self.settings.site.id, drives=len(self.settings.site.drives), pid=os.getpid())
            await self._stop.wait()
            self._notifier.send("STOPPING=1")
            reloader.cancel()
            await asyncio.wait({reloader})  # nothing is exchanged any more
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

    # --- reload -------------------------------------------------------------------------------------------------------

    async def _go_on(self, taken: Taken) -> list[str]:
        """Go on with changed settings; gives what changed, in words."""
        old, new = self.settings, taken.settings
        self.settings = new
        self.store.put_settings(new.digest, self._clock.utc_ms(), new.content)
        outcome = self.engine.submit(SettingsChanged(self._clock.mono_ns(), self._clock.utc_ms(), new.site))
        self.pollers.take(new.site)
        self.forwarding.settings_changed(new)
        await self._retell(old, taken)
        went = [side for entry in outcome.entries for side in entry.data.get("latched_removed", ())]
        told = "its shutdown is latched, and nobody watches it now; the latch comes back with the drive"
        return [*reload_diff(old, new), *(f"{side}: {told}" for side in went)]

    async def _retell(self, old: Settings, taken: Taken) -> None:
        """Another broker, user or site id needs another teller; otherwise only the drives may have changed."""
        new = taken.settings
        if (new.mqtt, new.site.id) == (old.mqtt, old.site.id):
            self.teller.set_drives(new.site.drives)
            return
        self.teller.stop()
        _, left = await asyncio.wait({self._telling}, timeout=TELLER_STOP_S)
        if left:
            self._telling.cancel()
            await asyncio.wait(left, timeout=TELLER_STOP_S)
        self.teller = self._new_teller(new, taken.secrets, self.teller.stats.cursor)
        self._telling = self._group.create_task(self.teller.run(), name="teller")
        for number, drive in enumerate(list(self.engine.state.drives)):
            if number % MARKED_AT_ONCE == 0:
                await asyncio.sleep(0)
            self._mark([drive])


def _first(errors: BaseExceptionGroup[BaseException]) -> BaseException:
    """One of the errors in a group."""
    error: BaseException = errors
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error


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
