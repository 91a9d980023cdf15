"""All PLCs of a site: one poller each, plans from the settings, exchanged on a reload without disturbing others."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Collection, Sequence

from nightrake.clock import Clock
from nightrake.domain.inputs import RawScan
from nightrake.domain.readplan import ReadPlan, make_plan
from nightrake.domain.site import EndpointSpec, PointSpec, SiteSpec
from nightrake.domain.wiring import touched
from nightrake.domain.witness import is_witness
from nightrake.field.poller import Poller
from nightrake.field.probe import Probed
from nightrake.field.schedule import first_turn_ns

TEND_S = 5.0
"""How often the pollers are looked after."""
END_S = 1.0
"""A poller that does not end within this is left behind; its connection goes with it."""


def plan_of(site: SiteSpec, endpoint: str) -> ReadPlan:
    """The read plan of one PLC."""
    return plans_of(site, {endpoint})[endpoint]


def plans_of(site: SiteSpec, wanted: Collection[str] | None = None) -> dict[str, ReadPlan]:
    """The read plan of each PLC: every point that any drive has there. One walk over the drives for all of them.

    Args:
        site: Which. wanted: Ids of the PLCs to be planned, None = all.
    """
    names = site.endpoints if wanted is None else wanted
    points: dict[str, set[PointSpec]] = {name: set() for name in names}
    witnesses: dict[str, set[PointSpec]] = {name: set() for name in names}
    for drive in site.drives.values():
        for role, point in drive.points().items():
            if point.endpoint not in points:
                continue
            points[point.endpoint].add(point)
            if is_witness(drive, role):
                witnesses[point.endpoint].add(point)
    return {name: make_plan(site.endpoints[name], points[name], frozenset(witnesses[name])) for name in names}


class Pollers:
    """Runs a poller for each PLC of the site that holds.

    Args:
        group: Owns the pollers' tasks; a poller that fails unexpectedly ends the watch.
        clock: Stamps. on_scan, on_link: See `Poller`; `on_link` also gets the PLC's id.
    """

    def __init__(
        self,
        group: asyncio.TaskGroup,
        clock: Clock,
        on_scan: Callable[[RawScan], object],
        on_link: Callable[[str, bool, str], object],
    ) -> None:
        self._group = group
        self._clock = clock
        self._on_scan = on_scan
        self._on_link = on_link
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._plans: dict[str, tuple[EndpointSpec, ReadPlan]] = {}
        self._site: SiteSpec | None = None
        self._tending: asyncio.Task[None] | None = None
        self.pollers: dict[str, Poller] = {}

    def take(self, site: SiteSpec) -> None:
        """Go on with this site: new PLCs are started, gone ones ended, changed ones told; the others notice nothing."""
        for gone in set(self.pollers) - set(site.endpoints):
            self._tasks.pop(gone).cancel()
            del self.pollers[gone], self._plans[gone]
        changed, self._site = touched(self._site, site) & set(site.endpoints), site
        plans, count = plans_of(site, changed), len(site.endpoints)
        begin_ns = self._clock.mono_ns()
        for index, (name, endpoint) in enumerate(site.endpoints.items()):
            if name not in changed:
                continue
            plan = plans[name]
            if name in self.pollers:
                self.pollers[name].replace(endpoint, plan)
                self._plans[name] = endpoint, plan
                continue
            shortest_ns = min((b.period_ns for b in plan.blocks), default=1_000_000_000)
            self._begin(endpoint, plan, first_turn_ns(begin_ns, shortest_ns, index, count))
        if self._tending is None:
            self._tending = self._group.create_task(self._tend(), name="pollers")

    def _begin(self, endpoint: EndpointSpec, plan: ReadPlan, start_ns: int) -> None:
        name = endpoint.id
        poller = Poller(
            endpoint,
            plan,
            on_scan=self._on_scan,
            on_link=lambda up, detail: self._on_link(name, up, detail),
            clock=self._clock,
            rng=random.Random(f"{name}"),
            start_ns=start_ns,
        )
        self.pollers[name] = poller
        self._plans[name] = endpoint, plan
        self._tasks[name] = self._group.create_task(poller.run(), name=f"poller {name}")

    async def _tend(self) -> None:
        while True:
            await asyncio.sleep(TEND_S)
            await self.tend()

    async def tend(self) -> None:
        """One poller that is stuck is ended and begun anew: the other PLCs need no restart of everything for that."""
        now_ns = self._clock.mono_ns()
        for name in [] if self.stuck(now_ns) else self._stuck(now_ns):
            task = self._tasks[name]
            task.cancel()
            await asyncio.wait({task}, timeout=END_S)
            if self._tasks.get(name) is task:  # no reload has taken it away meanwhile
                self._on_link(name, False, "reading it stood still and was begun anew")
                self._begin(*self._plans[name], self._clock.mono_ns())

    async def probe(self, endpoint: str, points: Sequence[PointSpec]) -> list[Probed]:
        """Read points of one PLC on their own, on the connection that stands."""
        return await self.pollers[endpoint].probe(points)

    def cancel(self) -> None:
        """End all pollers."""
        for task in self._tasks.values():
            task.cancel()
        if self._tending is not None:
            self._tending.cancel()

    def stuck(self, now_ns: int) -> list[str]:
        """PLCs whose poller does not move although it should, if none at all moves any more; else nothing.

        One that stands still alone is begun anew by itself (`tend`); only where all do may a new process help.
        """
        stuck = self._stuck(now_ns)
        return stuck if len(stuck) == sum(poller.reads for poller in self.pollers.values()) else []

    def _stuck(self, now_ns: int) -> list[str]:
        return [name for name, poller in self.pollers.items() if poller.is_stuck(now_ns)]
