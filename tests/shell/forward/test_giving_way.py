"""Lines are made in turns: an event on its way to disk and broker goes first, and a storm of events ends nothing."""

from __future__ import annotations

import asyncio

import pytest

from nightrake.domain.tailcodec import to_record
from nightrake.forwardlines import NEWS_LOOK_S, NEWS_WAIT_S, YIELD_RECORDS, Aside, Lines
from nightrake.historian.dating import Dating
from nightrake.historian.stamps import Used
from nightrake.kept import plan_to_json
from nightrake.polling import plans_of
from works import Works, rake, site_of

SITE = site_of(rake("D0", plc="P0", unit=1))
RECORDS = 3 * YIELD_RECORDS


class Drawn:
    """A batch in the making beside whatever else the loop does."""

    def __init__(self) -> None:
        self.news = False
        """Whether an event is on its way."""
        self.asked = 0
        self.often = asyncio.Event()
        """Was asked for news five times."""
        works = Works(SITE)
        for _ in range(RECORDS):
            works.scan(plc="P0")
        self._records = [to_record(n, scan) for n, scan in enumerate(works.inputs[-RECORDS:], 1)]
        texts = {plan.layout: plan_to_json(plan) for plan in plans_of(SITE).values()}

        async def layout(name: str) -> str | None:
            await asyncio.sleep(0)
            return texts[name]

        self._lines = Lines(SITE, layout, None, self._is_news)

    def _is_news(self) -> bool:
        self.asked += 1
        if self.asked == 5:
            self.often.set()
        return self.news

    def begin(self) -> asyncio.Task[list[str]]:
        """Make the lines of all records."""
        return asyncio.create_task(self._lines.of(self._records, [], Used.of(""), Dating([], []), Aside()))


@pytest.mark.asyncio
async def test_no_line_is_made_while_an_event_is_on_its_way() -> None:
    """It is looked at again and again; once the event is out, all lines come."""
    drawn = Drawn()
    drawn.news = True
    task = drawn.begin()
    await drawn.often.wait()
    assert not task.done()
    before = drawn.asked

    drawn.news = False
    assert len(await task) == RECORDS
    assert drawn.asked - before <= RECORDS // YIELD_RECORDS


@pytest.mark.asyncio
async def test_events_without_end_hold_a_batch_up_for_a_moment_only() -> None:
    """One batch waits for them so often in all, not at each of its turns."""
    drawn = Drawn()
    drawn.news = True

    assert len(await drawn.begin()) == RECORDS
    assert drawn.asked <= NEWS_WAIT_S / NEWS_LOOK_S + RECORDS / YIELD_RECORDS
