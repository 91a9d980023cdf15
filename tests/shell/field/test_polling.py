"""All pollers of a site: which of them are stuck, and that one alone is begun anew without disturbing the others."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace

import pytest

from nightrake.clock import SystemClock
from nightrake.domain.inputs import Got, RawScan
from nightrake.domain.site import EndpointSpec, SiteSpec
from nightrake.polling import Pollers
from plc.rogue import Request, Rogue, honest
from works import MS, SECOND, rake, site_of


class LeapingClock(SystemClock):
    """The machine's, with a jump where the test wants time to have passed."""

    def __init__(self) -> None:
        super().__init__()
        self.leapt_ns = 0

    def mono_ns(self) -> int:
        return super().mono_ns() + self.leapt_ns


class Bench:
    """Pollers at work, and what they gave."""

    def __init__(self, pollers: Pollers, clock: LeapingClock, scans: list[RawScan], links: list[tuple[str, bool, str]]):
        self.pollers, self.clock, self.scans, self.links = pollers, clock, scans, links

    def count(self, plc: str) -> int:
        """Scans of a PLC with a good block."""
        return sum(s.endpoint == plc and any(b.got is Got.GOOD for b in s.blocks) for s in self.scans)

    async def more(self, *plcs: str) -> None:
        """Wait for another good scan of each."""
        before = {plc: self.count(plc) for plc in plcs}
        await until(lambda: all(self.count(plc) > n for plc, n in before.items()))


async def until(true: Callable[[], bool]) -> None:
    """Poll, bounded."""
    async with asyncio.timeout(10.0):
        while not true():  # noqa: ASYNC110  # there is no event to wait for
            await asyncio.sleep(0.005)


@asynccontextmanager
async def polled(site: SiteSpec) -> AsyncIterator[Bench]:
    """Pollers of a site, ended with the block."""
    clock = LeapingClock()
    scans: list[RawScan] = []
    links: list[tuple[str, bool, str]] = []
    async with asyncio.TaskGroup() as group:
        pollers = Pollers(group, clock, scans.append, lambda plc, up, why: links.append((plc, up, why)))
        pollers.take(site)
        try:
            yield Bench(pollers, clock, scans, links)
        finally:
            pollers.cancel()


def at(site: SiteSpec, rogue: Rogue, timeout_ns: int = 1_000 * MS) -> SiteSpec:
    """The site with all its PLCs at this server."""
    spec = EndpointSpec("", "127.0.0.1", rogue.own_port, timeout_ns=timeout_ns)
    return replace(site, endpoints={plc: replace(spec, id=plc) for plc in site.endpoints})


@pytest.mark.asyncio
async def test_one_poller_that_stands_still_is_begun_anew_and_the_watch_is_not(rogue: Rogue) -> None:
    """Its PLC is read again; the other PLC's poller, and the feed of the watchdog, notice nothing."""
    async with polled(at(site_of(rake("D"), rake("E", plc="Q")), rogue)) as bench:
        await bench.more("P", "Q")
        stuck, other = (bench.pollers.pollers[plc] for plc in "PQ")
        async with stuck._line:  # whatever it may wait for, for ever
            bench.clock.leapt_ns += 60 * SECOND
            await bench.more("Q")
            assert stuck.is_stuck(bench.clock.mono_ns())
            assert bench.pollers.stuck(bench.clock.mono_ns()) == []
            await bench.pollers.tend()
        await bench.more("P", "Q")

        assert bench.pollers.pollers["P"] is not stuck
        assert bench.pollers.pollers["Q"] is other
        assert ("P", False, "reading it stood still and was begun anew") in bench.links
        assert bench.links[-1] == ("P", True, "")


@pytest.mark.asyncio
async def test_watchdog_is_starved_only_when_nothing_moves_at_all(rogue: Rogue) -> None:
    """Where every poller stands still a new process may help: so it is said, and none is begun anew here."""
    async with polled(at(site_of(rake("D")), rogue)) as bench:
        await bench.more("P")
        async with bench.pollers.pollers["P"]._line:
            bench.clock.leapt_ns += 60 * SECOND
            assert bench.pollers.stuck(bench.clock.mono_ns()) == ["P"]
            before = bench.pollers.pollers["P"]
            await bench.pollers.tend()
            assert bench.pollers.pollers["P"] is before


@pytest.mark.asyncio
async def test_poller_without_points_or_with_a_scan_that_is_not_due_is_not_stuck(rogue: Rogue) -> None:
    """A reload has moved the last drive away; a period of an hour: both may rest for as long as they like."""
    site = at(site_of(rake("D"), rake("E", plc="Q")), rogue)
    async with polled(site) as bench:
        await bench.more("P", "Q")
        slow = rake("D")
        contacts = tuple(replace(c, point=c.point._replace(period_ns=3600 * SECOND)) for c in slow.contacts)
        bench.pollers.take(replace(site, drives={"D": replace(slow, contacts=contacts, position=None, running=None)}))
        plans = [bench.pollers.pollers[plc]._plan.blocks for plc in "PQ"]
        await bench.more("P")
        bench.clock.leapt_ns += 1800 * SECOND

        assert [len(p) for p in plans] == [1, 0]
        assert bench.pollers.stuck(bench.clock.mono_ns()) == []
        assert not any(p.is_stuck(bench.clock.mono_ns()) for p in bench.pollers.pollers.values())


@pytest.mark.asyncio
async def test_long_scan_of_silent_units_moves_with_each_of_them(rogue: Rogue) -> None:
    """Behind a gateway each silent unit costs a time-out: the scan is long, and not stuck while it gets on."""
    drives = [rake(f"D{n}", unit=n) for n in range(1, 9)]
    site = at(site_of(*drives), rogue, 100 * MS)
    async with polled(site) as bench:
        await bench.more("P")
        poller = bench.pollers.pollers["P"]
        asked = asyncio.Event()

        async def silent(request: Request) -> None:
            asked.set()

        rogue.behave = silent
        await asked.wait()
        for _ in range(5):  # each step as long as the time-out of a slow gateway
            bench.clock.leapt_ns += 15 * SECOND
            before = poller.stats.requests
            await until(lambda before=before: poller.stats.requests > before)  # type: ignore[misc]
            assert not poller.is_stuck(bench.clock.mono_ns())
        rogue.behave = honest
