"""The learning worker as the watch supervises it: started when due, heard, outlived; what it finds, told as notices."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from clocks import ManualClock
from nightrake import forwardprocess, learnkeeping
from nightrake.domain.rows import Entry
from nightrake.journal.store import Store
from nightrake.learnkeeping import FIRST_S, RETRY_S, Learning, Side, Started
from nightrake.settings import Settings, load
from nightrake.settings.learning import LearningTable
from shell.journal.makers import opened, until

CONFIG = Path(__file__).parents[2] / "config"
BEGIN = """#!{python} -P
import json, sys, time
job = json.loads(sys.stdin.readline())
with open({jobs!r}, "a") as file:
    file.write(json.dumps([sys.argv[1:], job]) + "\\n")
def say(**facts):
    print(json.dumps(facts), flush=True)
def side(drive, days, direction="forward", **more):
    say(side={{"drive": drive, "direction": direction, "days": days, "sentence": drive + " creeps", **more}})
"""
DONE = "say(done=True, sides=6, took_s=1.5)\nsys.stdin.read()\n"
DAY_S = 86_400.0


class Peer:
    """Another program in the worker's place; the notices that stand, and what was told of them and journalled."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self._script, self._jobs = folder / "worker", folder / "jobs"
        self._python = sys.executable
        self.standing: list[Side] = []
        self.told: list[tuple[str, bool, str]] = []
        self.noted: list[Entry] = []
        monkeypatch.setattr(sys, "executable", str(self._script))

    def does(self, text: str) -> None:
        """What it does once it runs."""
        self._script.write_text(BEGIN.format(python=self._python, jobs=str(self._jobs)) + text)
        self._script.chmod(0o755)

    def jobs(self) -> list[dict[str, object]]:
        """What it was asked for, run by run."""
        lines = self._jobs.read_text().splitlines() if self._jobs.exists() else []
        return [json.loads(line)[1] for line in lines]

    def link_of(self, link: str) -> Callable[[bool, str], None]:
        """As the watch gives it."""

        def tell(up: bool, detail: str) -> None:
            self.told.append((link.removeprefix("notice:creep_forecast:"), up, detail))

        return tell


@pytest.fixture
def peer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Peer:
    """A worker that can be told what to do; the watch looks often."""
    monkeypatch.setattr(learnkeeping, "LOOK_S", 0.02)
    monkeypatch.setattr(forwardprocess, "END_S", 0.5)
    return Peer(tmp_path, monkeypatch)


def settings_with(**learning: object) -> Settings:
    """The example with another [learning]."""
    return replace(load(CONFIG), learning=LearningTable.model_validate(learning))


@asynccontextmanager
async def looked(peer: Peer, store: Store, clock: ManualClock, **learning: object) -> AsyncIterator[Learning]:
    """Supervision at work."""
    made = Learning(
        settings_with(**learning),
        Started("/etc/site", {"store.dir": "x"}),
        store,
        clock,
        lambda: list(peer.standing),
        peer.link_of,
        peer.noted.append,
    )
    task = asyncio.create_task(made.run())
    try:
        yield made
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


@pytest.mark.asyncio
async def test_looks_soon_after_the_first_start_then_once_a_day_and_reports_once_a_week(
    peer: Peer, manual_clock: ManualClock, tmp_path: Path
) -> None:
    """What was done is kept: the next start does not do it anew."""
    peer.does("say(report={'file': 'creep.html', 'sides': 6, 'creeping': 1, 'first': ['GT1 creeps']})\n" + DONE)
    async with opened(tmp_path) as (store, _):
        async with looked(peer, store, manual_clock) as learning:
            await asyncio.sleep(0.1)
            assert peer.jobs() == []
            manual_clock.advance(FIRST_S)
            await until(lambda: learning.status()["sides"] == 6)
            assert [job["report"] for job in peer.jobs()] == [False]
        async with looked(peer, store, manual_clock) as learning:
            for day in range(2, 10):
                manual_clock.advance(DAY_S)
                await until(lambda n=day: len(peer.jobs()) == n and not learning.status()["step"])  # type: ignore[misc]

    reports = [job["report"] for job in peer.jobs()]
    assert len(reports) == 9
    assert 1 <= sum(map(bool, reports)) <= 2
    assert [e.event for e in peer.noted] == ["report_written"] * sum(map(bool, reports))
    assert dict(peer.noted[0].data) == {"file": "creep.html", "sides": 6, "creeping": 1, "first": ["GT1 creeps"]}
    assert (peer.jobs()[0]["config_dir"], peer.jobs()[0]["overrides"]) == ("/etc/site", {"store.dir": "x"})


@pytest.mark.asyncio
async def test_notice_begins_and_ends_with_the_time_to_alarm(
    peer: Peer, manual_clock: ManualClock, tmp_path: Path
) -> None:
    """Below notice_days it is told, each day anew; it ends only when the alarm point is clearly farther away."""
    peer.does(
        "side('GT1', 59.9)\nside('PC1', 61)\nside('PC2', 71)\nside('SC1', 73)\nside('SC2', None)\n"
        "side('SCR1', 1, direction='reverse')\nside('NOT', 1)\nside('GT1', True)\nsay(side=7)\n" + DONE
    )
    peer.standing = [("PC2", "forward"), ("SC1", "forward"), ("SC2", "forward")]
    async with opened(tmp_path) as (store, _), looked(peer, store, manual_clock) as learning:
        assert await learning.look_now() == {"ok": True, "text": "judged 6 in 1.5 s"}

    assert [told for told in peer.told if told[0] != "SCR1:reverse"] == [
        ("GT1:forward", False, "GT1 creeps"),
        ("SC1:forward", True, ""),
        ("SC2:forward", True, ""),
    ]


@pytest.mark.asyncio
async def test_worker_that_fails_is_tried_again_in_an_hour_and_says_why(
    peer: Peer, manual_clock: ManualClock, tmp_path: Path
) -> None:
    """A sentence of its own, nonsense, an end without a word: each stands in the status, and nothing counts as done."""
    async with opened(tmp_path) as (store, _), looked(peer, store, manual_clock) as learning:
        manual_clock.advance(FIRST_S)
        for number, (does, says) in enumerate(
            [
                ("say(error='history.db: cannot be read')\n", "history.db: cannot be read"),
                ("print('nonsense', flush=True)\n", "nobody understands"),
                ("sys.exit(3)\n", "it has ended"),
            ],
            start=1,
        ):
            peer.does(does)
            if number > 1:
                manual_clock.advance(RETRY_S)
            await until(lambda n=number, s=says: len(peer.jobs()) == n and s in learning.status()["detail"])  # type: ignore[misc]
            assert learning.status()["last_utc_ms"] == 0
        peer.does(DONE)
        manual_clock.advance(RETRY_S)
        await until(lambda: learning.status()["sides"] == 6)
        assert learning.status()["detail"] == ""
    assert peer.told == []


@pytest.mark.asyncio
async def test_silent_worker_is_ended(
    peer: Peer, manual_clock: ManualClock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that hangs does not hang for ever."""
    monkeypatch.setattr(learnkeeping, "SILENT_S", 0.3)
    peer.does("time.sleep(600)\n")
    async with opened(tmp_path) as (store, _), looked(peer, store, manual_clock) as learning:
        answer = await learning.look_now()
    assert not answer["ok"]
    assert "said nothing" in answer["text"]


@pytest.mark.asyncio
async def test_switched_off_it_ends_the_notices_and_looks_at_nothing(
    peer: Peer, manual_clock: ManualClock, tmp_path: Path
) -> None:
    """By a reload too."""
    peer.does(DONE)
    peer.standing = [("GT1", "forward")]
    async with opened(tmp_path) as (store, _), looked(peer, store, manual_clock) as learning:
        learning.settings_changed(settings_with(enabled=False))
        await until(lambda: ("GT1:forward", True, "learning is switched off") in peer.told)
        assert not (await learning.look_now())["ok"]
    assert peer.jobs() == []
