"""The watch: everything wired together, one task group, one place where it ends.

pollers --RawScan--> engine --rows, states, tail--> store --durable--> engine --tell--> teller (MQTT), news
ticker  --Tick-----^    ^-- Command (control socket), LinkHealth (broker, store, PLCs), SettingsChanged (reload)
"""

from __future__ import annotations

import asyncio
import os
import signal
import threading
from collections import deque
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from nightrake import lifeline
from nightrake.alive import Alive
from nightrake.asked import COMMIT_WAIT_S, Asked
from nightrake.beginning import (
    Given,
    broker_of,
    hand_over,
    is_same_boot,
    on_change_told,
    open_store,
    start_entry,
    updated_from,
    with_latches,
)
from nightrake.calling import Now, limit_of
from nightrake.clock import Segment, SystemClock, boot_id
from nightrake.commanding import Commanding
from nightrake.control.place import Place
from nightrake.control.server import ControlServer
from nightrake.domain.inputs import LinkHealth, RawScan, SettingsChanged
from nightrake.domain.pulse import Pulse
from nightrake.domain.rows import Entry, Row
from nightrake.domain.state import new_site
from nightrake.domain.view import drive_view
from nightrake.engine import Engine
from nightrake.errors import NightrakeError
from nightrake.forwarding import Forwarding
from nightrake.hangup import served
from nightrake.journal.chain import given_up_entry, lost_entry
from nightrake.journalfeed import JournalFeed, told_until
from nightrake.keeping import Keeping
from nightrake.kept import restore
from nightrake.keptsettings import keep_settings
from nightrake.learnkeeping import Learning, Started, standing_in
from nightrake.linkalarms import LinkAlarms
from nightrake.loadapart import program
from nightrake.loglibrary import structlog
from nightrake.logs import set_up_logs
from nightrake.messages.ahead import Until
from nightrake.messages.states import Renewal
from nightrake.messages.teller import Teller
from nightrake.notify import Notifier
from nightrake.pageasked import PageAsked
from nightrake.pagekeeping import PageKeeping
from nightrake.polling import Pollers
from nightrake.reaching import Reaching
from nightrake.reloading import Reloader, Taken, secrets_changed, what_changed
from nightrake.settings import Secrets, Settings, load, secrets_of

log = structlog.get_logger("nightrake.app")

TICK_S = 0.1
LINES_AT_ONCE, ALL_LINES = 10, 1_000_000
"""Log lines between two turns of the loop (some 1 ms); at the end."""
NEWS_ROWS = 1000
TELLER_STOP_S = 4.0
"""For a teller to say good-bye; then it is cancelled, which takes as long again at most."""
RELOADER_STOP_S = 5.0
"""For a reload to be given up; the process that reads the folder may hang with its disk."""
MARKED_AT_ONCE = 50


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
        program()  # as it is now: that is what runs
        settings = load(folder, overrides)
        secrets = secrets_of(settings)
        clock = SystemClock(require_sync=settings.clock.require_sync)
        place = Place(settings.control.socket)
        taken = place.take()
        try:
            store = open_store(settings, clock)
            hung_up = hung_up or threading.Event()
            given = Given(settings, secrets, folder, overrides, store, clock, place, taken, log_lines, hung_up)
            return asyncio.run(Watch(given).run())
        finally:
            taken.close()
            place.give_back()
    finally:
        log_lines.close()


class Watch:
    """One running watch."""

    def __init__(self, given: Given) -> None:
        settings, store, clock = given.settings, given.store, given.clock
        self._given = given
        self.settings = settings
        self.secrets = given.secrets
        self.store = store
        self.log = given.log
        self._clock = clock
        self._notifier = Notifier.from_environment()
        self._pulse = Pulse(lambda: clock.mono_ns() / 1e9)
        self._stop = asyncio.Event()
        self.began_ns = clock.mono_ns()
        self.recent: deque[Row] = deque(maxlen=NEWS_ROWS)
        self._renewal = Renewal()
        segment = Segment(boot_id(), clock.mono_ns(), clock.utc_ms(), clock.trusted())
        last_utc_ms, kept = store.last_utc_ms(), store.states()
        state, unfit = restore(
            new_site(settings.site, settings.response),
            kept,
            clock.mono_ns(),
            clock.utc_ms(),
            same_boot=is_same_boot(store),
            lived_utc_ms=last_utc_ms,
        )
        self.engine = Engine(
            with_latches(state, store, unfit),
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
            changed=self._changed,
        )
        self._links = LinkAlarms(self._now, self.engine.submit)
        self._asked = Asked(self, clock)
        self._commanding = Commanding(clock, self._asked.command, self.engine.note, store, kept)
        self.people = Reaching(store, lambda: self.teller, self._now, self.engine.note, self._link_of)
        self.teller = self._new_teller(settings, given.secrets, told_until(store))
        self.people.take(settings, given.secrets)
        now = lambda: Taken(self.settings, self.secrets)  # noqa: E731
        self._reloader = Reloader(given.folder, given.overrides, now, self._go_on, self.engine.note)
        newest = lambda: self.engine.last_input_seq  # noqa: E731
        self.forwarding = Forwarding(settings, store, clock, newest, self._link_of("store"), self._pulse, self._is_news)
        self.keeping = Keeping(settings, store, clock, newest, self._link_of, self.engine.note)
        creeping = lambda: standing_in(self.engine.state)  # noqa: E731
        at = str(given.folder.absolute())
        self.learning = Learning(
            settings, Started(at, given.overrides), store, clock, creeping, self._link_of, self.engine.note
        )
        self._page_asked = PageAsked(self, self._asked, clock)
        asked, epoch = self._page_asked, lambda: store.epoch
        self.page = PageKeeping(settings, at, epoch, clock, asked.verbs(), asked.streams(), self._link_of("page"))
        self._started = start_entry(settings, store, last_utc_ms, clock.utc_ms(), unfit)
        self._segment, self._on_change = segment, on_change_told(store)
        self._updated_from = updated_from(store)
        self.pollers: Pollers

    def _new_teller(self, settings: Settings, secrets: Secrets, until: Until) -> Teller:
        mqtt, broker = settings.mqtt, broker_of(settings, secrets)
        return Teller(
            broker,
            JournalFeed(self.store),
            root=mqtt.root,
            site=settings.site.id,
            epoch=self.store.epoch,
            until=until,
            drives=settings.site.drives,
            utc_ms=self._clock.utc_ms,
            on_link=self._link_of("broker"),
            canary_period_s=mqtt.canary_period_s,
            people=bool(settings.people),
            limit=limit_of(settings),
            commands=self._commanding.reception(settings),
            pulse=self._pulse,
        )

    def _is_news(self) -> bool:
        return self.engine.is_telling or self.teller.is_sending

    def _now(self) -> Now:
        return Now(self.engine.state, self._clock.mono_ns(), self._clock.utc_ms())

    # --- wiring -------------------------------------------------------------------------------------------------------

    def _tell(self, row: Row, durable: bool) -> None:
        self.recent.append(row)
        self.teller.offer(row, durable)
        self.people.on_row(row, durable)

    def _changed(self, drives: Sequence[str]) -> None:
        self._page_asked.scene.mark(drives)
        self._mark(drives)

    def _mark(self, drives: Sequence[str]) -> None:
        drives_now = self.engine.state.drives
        for drive in drives:
            if drive in drives_now:
                self.people.calling.note_torque(drive)
                self.teller.mark(drive, partial(self._view, drive))

    def _view(self, drive: str) -> Mapping[str, Any] | None:
        now = self._now()
        return drive_view(now.state, drive, now.mono_ns, now.utc_ms) if drive in now.state.drives else None

    def _link_of(self, link: str) -> Any:
        def told(up: bool, detail: str) -> None:
            self.engine.submit(LinkHealth(self._clock.mono_ns(), self._clock.utc_ms(), link, up, detail))

        return told

    def _durable(self, seq: int) -> None:
        self.engine.durable(seq)
        self._links.committed()

    def _store_anew(self) -> None:
        """The store was damaged and begun anew: what only we know now is handed over once more."""
        now = self._clock.mono_ns(), self._clock.utc_ms()
        self.store.put_segment(boot_id(), *now, self._clock.trusted())
        keep_settings(self.store, self.settings, self._clock.utc_ms())
        self._group.create_task(hand_over(self.store, self.engine.state), name="states again")

    def _plc_link(self, plc: str, up: bool, detail: str) -> None:
        self._link_of(f"plc:{plc}")(up, detail)

    def _on_scan(self, scan: RawScan) -> None:
        self.engine.submit(scan)

    # --- running ------------------------------------------------------------------------------------------------------

    async def run(self) -> int:
        """Watch until SIGTERM or Ctrl-C."""
        stop = self._stop.set
        with served({signal.SIGTERM: stop, signal.SIGINT: stop, signal.SIGHUP: self._reloader.hang_up}):
            return await self._run_to_the_end()

    async def _run_to_the_end(self) -> int:
        if self._given.hung_up.is_set():
            self._reloader.hang_up()
        lifeline.calm_interpreter()
        lifeline.end_rather_than_limp()
        self.store.start(
            self._durable,
            self._link_of("disk"),
            lambda *seqs: self.engine.note(lost_entry(*seqs)),
            self._store_anew,
            lambda *seqs: self.engine.note(given_up_entry(*seqs)),
        )
        self.store.put_segment(*self._segment)
        keep_settings(self.store, self.settings, self._clock.utc_ms())
        self.engine.begin(self._started, on_change=self._on_change)
        self.people.begin(self._updated_from)
        self._links.look(forwards=self.settings.forward.enabled)
        try:
            await self._run_all()
        except BaseExceptionGroup as errors:
            if errors.subgroup(lifeline.is_no_memory):
                lifeline.end_at_once(lifeline.NO_MEMORY)
            if errors.subgroup(NightrakeError) and not errors.split(NightrakeError)[1]:
                raise lifeline.first_of(errors) from None
            raise
        finally:
            await self.store.close()
        return 0

    async def _run_all(self) -> None:
        ready = asyncio.Event()
        verbs = {**self._asked.verbs(), "reload": self._reloader.ask}
        server = ControlServer(self._given.place, verbs, {}, self._link_of("control"), self._pulse)
        async with asyncio.TaskGroup() as group:
            self._group = group
            self.pollers = Pollers(group, self._clock, self._on_scan, self._plc_link)  # whoever asks may ask at once
            control = group.create_task(server.run(ready, self._given.taken), name="control")
            await self.people.take_up(self.engine.last_seq)
            self._telling = group.create_task(self.teller.run(), name="teller")
            calling = group.create_task(self.people.channels.run(), name="channels")
            forward = group.create_task(self.forwarding.run(), name="forwarder")
            keeping = group.create_task(self.keeping.run(), name="history")
            learning = group.create_task(self.learning.run(), name="learning")
            page = group.create_task(self.page.run(), name="page")
            ticker = group.create_task(self._tick(), name="ticker")
            self.pollers.take(self.settings.site)
            await ready.wait()
            reloader = group.create_task(self._reloader.run(), name="reloader")
            self._notifier.send("READY=1", f"STATUS=watching {len(self.settings.site.drives)} drives")
            log.info("ready", site=self.settings.site.id, drives=len(self.settings.site.drives), pid=os.getpid())
            await self._stop.wait()
            self._notifier.send("STOPPING=1")
            reloader.cancel()
            await asyncio.wait({reloader}, timeout=RELOADER_STOP_S)  # nothing is exchanged any more
            self.pollers.cancel()
            for task in (ticker, forward, keeping, learning, page):
                task.cancel()
            self.people.channels.stop()
            self.engine.note(Entry("service", "stopped", "", "", {"why": "asked to"}))
            await self.store.wait_durable(self.engine.last_seq, COMMIT_WAIT_S)
            self.engine.log_rows(most=ALL_LINES)
            self.teller.stop()
            await asyncio.wait({self._telling}, timeout=3.0)
            await asyncio.wait({calling}, timeout=3.0)
            calling.cancel()
            self._telling.cancel()
            control.cancel()

    async def _tick(self) -> None:
        alive = Alive(
            self._notifier,
            self._clock,
            self._pulse,
            stuck=self.pollers.stuck,
            tell=lambda part, up, detail: self._link_of(part)(up, detail),
            note=self.engine.note,
        )
        tidy = lifeline.Tidy()
        while True:
            await asyncio.sleep(TICK_S)
            self.engine.tick()
            while self.engine.log_rows(most=LINES_AT_ONCE):  # noqa: ASYNC110  others have their turns between
                await asyncio.sleep(0)
            tidy.turn(self._is_news())
            self._renew_states()
            self.people.look(self._clock.mono_ns(), self.forwarding.dead_letters)
            if news := self.store.damage.news():
                self.engine.note(*news)
            alive.look()

    def _renew_states(self) -> None:
        """Renew the share of the retained states that is due: all at once would hold up the scans of a large site."""
        period_ns = int(self.settings.mqtt.state_period_s * 1e9)
        self._mark(self._renewal.due(self.engine.state.drives, self._clock.mono_ns(), period_ns))

    # --- reload -------------------------------------------------------------------------------------------------------

    async def _go_on(self, taken: Taken) -> list[str]:
        """Go on with changed settings or secrets; gives what changed, in words."""
        old, new = Taken(self.settings, self.secrets), taken.settings
        self.settings, self.secrets = taken
        replaced = taken.secrets.changed(old.secrets)
        if replaced:
            self.engine.note(Entry("settings", "secrets_replaced", "", "", {"which": replaced}))
        lines = [] if new.digest == old.settings.digest else self._take_site(old.settings, new)
        self.forwarding.settings_changed(new)
        self.keeping.settings_changed(new)
        self.learning.settings_changed(new)
        self.page.settings_changed(new, replaced)
        self._links.look(forwards=self.settings.forward.enabled)
        await self._retell(old, taken)
        return [*lines, *secrets_changed(replaced)]

    def _take_site(self, old: Settings, new: Settings) -> list[str]:
        keep_settings(self.store, self.settings, self._clock.utc_ms())
        self._clock.require_sync = new.clock.require_sync
        stamps = (self._clock.mono_ns(), self._clock.utc_ms())
        outcome = self.engine.submit(SettingsChanged(*stamps, new.site, new.response))
        self.pollers.take(new.site)
        went = [side for entry in outcome.entries for side in entry.data.get("latched_removed", ())]
        told = "its shutdown is latched, and nobody watches it now; the latch comes back with the drive"
        return [*what_changed(old, new), *(f"{side}: {told}" for side in went)]

    async def _retell(self, old: Taken, taken: Taken) -> None:
        """Another broker, user or site id needs another teller; otherwise only the drives may have changed."""
        new, before = taken.settings, old.settings
        self.people.take(new, taken.secrets)
        secrets = [what for what in taken.secrets.changed(old.secrets) if what.startswith("mqtt")]
        if (new.mqtt, new.site.id) == (before.mqtt, before.site.id) and not secrets:
            self.teller.set_drives(new.site.drives)
            self.teller.set_people(bool(new.people), limit_of(new))
            self._commanding.settings_changed(new)
            return
        self.teller.stop()
        _, left = await asyncio.wait({self._telling}, timeout=TELLER_STOP_S)
        if left:
            self._telling.cancel()
            await asyncio.wait(left, timeout=TELLER_STOP_S)
        self.teller = self._new_teller(new, taken.secrets, self.teller.until)
        await self.people.take_up(self.engine.last_seq)
        self._telling = self._group.create_task(self.teller.run(), name="teller")
        for number, drive in enumerate(list(self.engine.state.drives)):
            if number % MARKED_AT_ONCE == 0:
                await asyncio.sleep(0)
            self._mark([drive])
