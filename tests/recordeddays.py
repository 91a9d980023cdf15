"""Days of the example site as the watch records them: its own engine over its own store, clocks that the test moves."""

from __future__ import annotations

import asyncio
import math
import random
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

from clocks import ManualClock
from nightrake.clock import Segment
from nightrake.domain.inputs import BlockReply, Command, Got, LinkHealth, RawScan, SettingsChanged
from nightrake.domain.rows import Entry
from nightrake.domain.state import new_site
from nightrake.engine import Engine
from nightrake.journal.store import Store
from nightrake.kept import restore
from nightrake.keptsettings import keep_settings
from nightrake.settings import Settings, load
from shell.journal.makers import Heard, until
from works import MS, Works

CONFIG = Path(__file__).resolve().parent.parent / "config"
NOON_MS = 1_790_000_000_000 - 1_790_000_000_000 % 3_600_000
BEGIN_NS = 50_000_000_000_000
QUEUE = 8_000
"""Tail records that may wait for the disk while a day is made."""


class RecordedDay:
    """Makes a day into a store; see `run`.

    Args:
        folder: Of the store. settings: To begin with. seed: Of the chance in it. period_s: Between two scans of a PLC.

    Attributes:
        clock: Both clocks. works: What the PLCs hold, by drive and role. settings: In force now.
    """

    def __init__(
        self,
        folder: Path,
        settings: Settings | None = None,
        *,
        seed: int = 1,
        period_s: float = 1.0,
        boot: str = "boot",
    ) -> None:
        self.folder, self.period_s, self.boot = folder, period_s, boot
        self.settings = settings or load(CONFIG)
        self.clock = ManualClock(BEGIN_NS, NOON_MS)
        self.works = Works(self.settings.site)
        self.chance = random.Random(seed)
        self.silent: set[str] = set()
        self._engine: Engine
        self._store: Store
        self._settle()

    def _settle(self) -> None:
        """Readings that mean something: each transducer in the middle of its span."""
        for drive, spec in self.works.site.drives.items():
            if spec.position is not None:
                self.position(drive, 0.4)

    # --- the plant ---

    def position(self, drive: str, share: float) -> None:
        """Set a drive's arm to a share of its signal's span; the raw value is rounded as a converter does."""
        spec = self.works.site.drives[drive].position
        assert spec is not None
        value = spec.lo + share * (spec.hi - spec.lo)
        raw = (value - spec.point.offset) / spec.point.scale
        self.works.values[spec.point] = raw if spec.point.type == "float32" else float(max(0, round(raw)))

    # --- the service ---

    def run(self, act: Callable[[RecordedDay], Iterable[None]]) -> None:
        """One run of the service: begins on what is kept, goes through `act`, which yields now and then, and ends."""

        async def go() -> None:
            given = {"now_utc_ms": self.clock.utc_ms(), "boot_id": self.boot, "ballast_mb": 0, "keep_hours": 10_000.0}
            store = Store.open(self.folder, **given)  # type: ignore[arg-type]
            kept, heard = store.states(), Heard()
            store.start(heard.on_durable, heard.on_health, heard.on_lost, heard.on_anew)
            try:
                self._begin(store, kept)
                for _ in act(self):
                    if store.stats().queued_tail > QUEUE:
                        await until(lambda: store.stats().queued_tail < QUEUE // 2)
                self.note("stopped")
                await until(lambda: not store.stats().queued_tail)
                assert await store.wait_durable(self._engine.last_seq, 10.0)
            finally:
                await store.close()

        asyncio.run(go())

    def _begin(self, store: Store, kept: dict[str, bytes]) -> None:
        clock, self._store = self.clock, store
        keep_settings(store, self.settings, clock.utc_ms())
        opened_ = store.opened
        state, unfit = restore(
            new_site(self.settings.site, self.settings.response),
            kept,
            clock.mono_ns(),
            clock.utc_ms(),
            same_boot=not (opened_.rebooted or opened_.new or opened_.copied),
            lived_utc_ms=clock.utc_ms(),
        )
        assert unfit == []
        segment = Segment(self.boot, clock.mono_ns(), clock.utc_ms(), True)
        self._engine = Engine(
            state,
            store,
            clock,
            epoch=store.epoch,
            next_seq=store.first_free_seq,
            last_hash=store.last_hash,
            next_input_seq=store.first_free_input_seq,
            segment=segment,
            trusted=clock.trusted,
            tellable=lambda: 2**62,
            tell=lambda row, durable: None,
            changed=lambda drives: None,
        )
        store.put_segment(*segment)
        self.note("started")
        self._engine.begin()

    def note(self, event: str, **data: object) -> None:
        """A row of the service's own."""
        self._engine.note(Entry("service", event, "", "", data))

    # --- inputs ---

    def seconds(self, count: float) -> Iterable[None]:
        """Time passes: scans of every PLC, a tick after each."""
        for _ in range(math.ceil(count / self.period_s)):
            self._beat()
            for plc in self.works.site.endpoints:
                self.clock.advance(self.period_s / len(self.works.site.endpoints))
                self.scan(plc)
                self._engine.tick()
            yield

    def _beat(self) -> None:
        """Every PLC shows that it lives."""
        for spec in self.works.site.drives.values():
            if spec.heartbeat is not None:
                now = self.works.values[spec.heartbeat]
                self.works.values[spec.heartbeat] = 1 - now if spec.heartbeat.type == "bit" else (now + 1) % 60_000

    def scan(self, plc: str) -> None:
        """One scan, with reply times that vary."""
        plan, now_ns = self.works.plans[plc], self.clock.mono_ns()
        replies = tuple(
            BlockReply(i, Got.NO_REPLY, b"", now_ns - MS, "no reply within 1 s")
            if plc in self.silent
            else BlockReply(i, Got.GOOD, self.works.data(plan, i), now_ns - self.chance.randint(1, 3 * MS))
            for i in range(len(plan.blocks))
        )
        self._engine.submit(RawScan(plc, plan, now_ns, self.clock.utc_ms(), replies))

    def command(self, verb: str, drive: str, arg: str = "", **args: object) -> tuple[bool, str]:
        """A person asks for something; the answer."""
        stamps = (self.clock.mono_ns(), self.clock.utc_ms())
        return self.submit(Command(*stamps, verb, drive, "", "night1", "supervisor", "local user", arg, "r1", args))

    def submit(self, given: Command) -> tuple[bool, str]:
        """A command of any person's; the answer."""
        ((_, answer),) = self._engine.submit(given).answers
        return answer

    def link(self, link: str, up: bool, detail: str = "") -> None:
        """A link comes or goes."""
        self._engine.submit(LinkHealth(self.clock.mono_ns(), self.clock.utc_ms(), link, up, detail))

    def reload(self, settings: Settings) -> None:
        """Other settings are taken in, as the watch does."""
        self.settings = settings
        keep_settings(self._store, settings, self.clock.utc_ms())
        stamps = (self.clock.mono_ns(), self.clock.utc_ms())
        self._engine.submit(SettingsChanged(*stamps, settings.site, settings.response))
        values = self.works.values
        self.works = Works(settings.site)
        self.works.values.update({point: value for point, value in values.items() if point in self.works.values})

    @property
    def utc_ms(self) -> int:
        """Now."""
        return self.clock.utc_ms()


def with_alarm_point(settings: Settings, drive: str, alarm_nm: float) -> Settings:
    """Settings with another alarm point of one drive, under a digest of their own."""
    digest = f"{int(alarm_nm):064d}"
    spec = replace(settings.site.drives[drive], alarm_nm=alarm_nm)
    site = replace(settings.site, drives={**settings.site.drives, drive: spec}, digest=digest)
    return replace(settings, site=site, digest=digest, content="{}")
