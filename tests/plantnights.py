"""A night on the simulated plant without waiting for it: plant, core, journal and store are real, only time is not."""

from __future__ import annotations

import asyncio
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

from clocks import ManualClock
from nightrake.alarms.book import alarm_of
from nightrake.alarms.keys import parse_key
from nightrake.clock import Segment
from nightrake.domain.inputs import BlockReply, Command, Got, RawScan
from nightrake.domain.readplan import ReadPlan, make_plan
from nightrake.domain.state import new_site
from nightrake.engine import Engine
from nightrake.journal.store import Store
from nightrake.keptsettings import keep_settings
from nightrake.plant.commands import Commands
from nightrake.plant.fennmark import Plant
from nightrake.settings import load
from shell.journal.makers import opened, until

CONFIG = Path(__file__).resolve().parents[1] / "config"
STEP_S = 0.25
"""Of the plant's physics."""
STEPS: tuple[tuple[str, dict[str, str]], ...] = (
    ("zero_energy_reported", {}),
    ("cause", {"cause": "foreign object", "remark": "a plank under the left arm"}),
    ("cleared", {}),
    ("contacts_proved", {}),
    ("area_clear", {}),
    ("lock_removed", {}),
)


class PlantNight:
    """Fennmark, watched by the real core, kept in a real store.

    Args:
        store: Where to. seed: Of the plant's chance.
    """

    def __init__(self, store: Store, seed: int = 7) -> None:
        self.settings, self._store = load(CONFIG), store
        self.plant, self.clock = Plant(seed), ManualClock()
        self._commands = Commands(self.plant, lambda plc, seconds: None)
        site = self.settings.site
        points = [p for drive in site.drives.values() for p in drive.points().values()]
        self.plans = {
            name: make_plan(spec, [p for p in points if p.endpoint == name]) for name, spec in site.endpoints.items()
        }
        self.engine = Engine(
            new_site(site, self.settings.response),
            store,
            self.clock,
            epoch=store.epoch,
            next_seq=store.first_free_seq,
            last_hash=store.last_hash,
            next_input_seq=store.first_free_input_seq,
            segment=Segment("boot", self.clock.mono_ns(), self.clock.utc_ms(), True),
            trusted=lambda: True,
            tellable=lambda: 10**9,
            tell=lambda row, durable: None,
            changed=lambda drives: None,
        )
        keep_settings(store, self.settings, self.clock.utc_ms())
        store.put_segment("boot", self.clock.mono_ns(), self.clock.utc_ms(), True)
        self.engine.begin()

    async def go(self, seconds: float, period_s: float = 2.0) -> None:
        """Let the night go on, every PLC scanned each period."""
        for number in range(round(seconds / period_s)):
            for _ in range(round(period_s / STEP_S)):
                self.plant.step(STEP_S)
            self.clock.advance(period_s)
            for plan in self.plans.values():
                self.engine.submit(self._scan(plan))
            self.engine.tick()
            if number % 200 == 0:
                await self.kept()
        await self.kept()

    async def kept(self) -> None:
        """Until all of it is on disk."""
        await until(lambda: not self._store.stats().queued_tail and not self._store.stats().queued)

    def _scan(self, plan: ReadPlan) -> RawScan:
        now_ns = self.clock.mono_ns()
        replies = []
        for number, block in enumerate(plan.blocks):
            if block.table.holds_bits:
                bits = self.plant.bits(plan.endpoint, block.unit, str(block.table))
                packed = sum(bits.get(block.address + i, 0) << i for i in range(block.count))
                data = packed.to_bytes((block.count + 7) // 8, "little")
            else:
                words = self.plant.registers(plan.endpoint, block.unit, str(block.table))
                data = struct.pack(f">{block.count}H", *(words.get(block.address + i, 0) for i in range(block.count)))
            replies.append(BlockReply(number, Got.GOOD, data, now_ns - 3_000_000))
        return RawScan(plan.endpoint, plan, now_ns, self.clock.utc_ms(), tuple(replies))

    def does(self, line: str) -> None:
        """A command to the plant."""
        self._commands.run(line)

    def ask(self, person: str, role: str, verb: str, drive: str, **args: Any) -> tuple[bool, str]:
        """What a person commands."""
        now = self.clock.mono_ns(), self.clock.utc_ms()
        given = Command(*now, verb, drive, "", person, role, "signature", "", "r1", args)
        ((_, answer),) = self.engine.submit(given).answers
        return answer.ok, answer.text

    def acknowledge(self, person: str, alarm: str) -> None:
        """The occurrence that stands."""
        occurrence = alarm_of(self.engine.state.alarms.book, parse_key(alarm)).state.occurrence
        ok, text = self.ask(
            person, "operator", "acknowledge", alarm.partition("/")[0], alarm=alarm, occurrence=occurrence
        )
        assert ok, text

    async def trip_and_release(self) -> None:
        """Sludge builds up, the alarm comes and is acknowledged, something jams: shutdown, lockout, release."""
        await self.go(65 * 60)
        self.does("push PC1 0.40 300")
        await self.go(8 * 60)
        self.acknowledge("night1", "PC1/forward/alarm_contact")
        await self.go(4 * 60)
        self.does("jam PC1")
        await self.go(40, 0.5)
        await self.go(3 * 60)
        self.acknowledge("night1", "PC1/forward/shutdown_contact")
        await self.go(9 * 60)
        assert self.ask("fitter1", "maintenance", "isolation_reported", "PC1", lock_number="7")[0]
        self.does("free PC1")
        self.does("push PC1 0 1")
        self.does("unwind PC1")
        await self.go(6 * 60)
        for step, said in STEPS:
            assert self.ask("fitter1", "maintenance", step, "PC1", **said)[0]
        await self.go(2 * 60)
        assert self.ask("super1", "supervisor", "release", "PC1")[0]
        ok, text = self.ask("day1", "supervisor", "release", "PC1")  # the second of the two that the example asks for
        assert ok, text
        await self.go(5 * 60)


def a_night(folder: Path, play: Callable[[PlantNight], Any] = PlantNight.trip_and_release) -> None:
    """Play one into a store."""

    async def run() -> None:
        async with opened(folder, keep_hours=1_000.0, now_utc_ms=ManualClock().utc_ms()) as (store, _):
            await play(PlantNight(store))

    asyncio.run(run())
