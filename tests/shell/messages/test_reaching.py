"""The people's side of a watch, once a second: what was told as one of many becomes rows, and torques are noted."""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

import pytest

from nightrake.alarms.callqueue import More
from nightrake.calling import Now
from nightrake.domain.reading import Exactness, Reading
from nightrake.domain.rows import Entry
from nightrake.domain.state import new_site
from nightrake.reaching import LOOK_NS, LOOKS_PER_TREND, Reaching
from nightrake.settings import load, secrets_of
from shell.messages.ledger import Watch, settings
from shell.messages.test_calling_people import call

CONFIG = Path(__file__).parents[3] / "config"


@pytest.mark.asyncio
async def test_look_journals_what_was_told_together_and_notes_every_torque() -> None:
    """By its way; the site is called by its name; every drive's trend begins although nothing of it changes."""
    watch, taken = Watch(settings(1), people=True), load(CONFIG)
    state, notes, now_ns = new_site(taken.site, taken.response), list[Entry](), [0]
    read = state.drives["GT1"]._replace(torque=Reading(Exactness.EXACT, 40_000.0))
    state = state._replace(drives={**state.drives, "GT1": read})
    cursors: Any = None  # no row has a number here, so nothing is kept
    reaching = Reaching(
        cast("Any", cursors),
        lambda: watch.teller,
        lambda: Now(state, now_ns[0], 1),
        notes.append,
        lambda _: lambda *_: None,
    )
    reaching.take(taken, secrets_of(taken))
    queue = watch.teller._desk.people.queue
    for n in range(12):
        watch.teller.call(call(f"D{n}/forward/torque_high", 0, priority="low"))
    job = queue.take(0.0)
    while not isinstance(job, More):
        if job is not None:
            queue.done(job)
        job = queue.take(0.0) or queue.take(10.0)
    raw, _ = watch.teller._desk.call(job)
    queue.done(job)
    for _ in range(6 * LOOKS_PER_TREND):
        now_ns[0] += LOOK_NS
        reaching.look(now_ns[0], 0)

    (note,) = notes
    assert (note.event, note.data["way"], note.data["counts"]) == ("told_together", "broker", {"low": 6})
    trend = reaching.calling.trends.trend("GT1", now_ns[0] / 1e9, 40_000.0)
    assert trend is not None
    assert trend.nm_per_min == 0.0
    assert b"fennmark: " in raw  # before anybody has named the site
    assert taken.site.name.encode() in watch.teller._desk.call(job)[0]
