"""How far the kept cursor follows: far enough for a watch that dies young, never past what the store may forget."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightrake.forwardmarks import CURSOR, FIRST_NS, RESEND_NS
from peers.fakestore import Reply, fake_store, take_all
from shell.forward.plantless import Site, still_site, until

SAMPLES = "nightrake_drive,"
SECOND = 1_000_000_000


def kept(at: Site) -> int:
    """Number of the newest scan that a restart would not send again."""
    found = at.store.get_cursor(CURSOR)
    return found[1] if found else 0


async def sent(at: Site, count: int) -> int:
    """Scans, sent and acknowledged; gives the number of the last."""
    at.scans(count)
    await until(lambda: at.forwarding.status()["lag_rows"] == 0)
    return int(at.forwarding.status()["cursor"])


@pytest.mark.asyncio
async def test_short_lives_get_on(tmp_path: Path) -> None:
    """Fourteen seconds a life, over and over: each begins where the store was certain to have kept the one before."""
    async with fake_store() as store, still_site(tmp_path, store.url) as at:
        begins, ends = [], []
        for _ in range(3):
            at.new_forwarding()
            async with at.forwarded():
                begins.append(kept(at))
                at.clock.ahead_ns += 2 * SECOND
                ends.append(await sent(at, 4))
                at.clock.ahead_ns += FIRST_NS + 2 * SECOND
                await sent(at, 1)

    assert 0 == begins[0] < begins[1] <= ends[0] < begins[2] <= ends[1]
    assert len(set(store.series(SAMPLES))) == 15 * len(at.drives())


async def life(at: Site, seconds: int, scans: int = 2) -> tuple[int, int]:
    """A run that dies before anything it sent can be called saved; gives where it began and the last it sent."""
    at.new_forwarding()
    async with at.forwarded():
        begin = kept(at)
        at.clock.ahead_ns += SECOND
        await sent(at, scans)
        at.clock.ahead_ns += (seconds - 2) * SECOND
        last = await sent(at, scans)
        at.clock.ahead_ns += SECOND
    return begin, last


@pytest.mark.asyncio
async def test_crash_loop_gets_on(tmp_path: Path) -> None:
    """Nine seconds a life, seven times: what the store has acknowledged twice, half a minute apart, is sent no more;
    nothing is missing, and each sample has one stamp."""
    async with fake_store() as store, still_site(tmp_path, store.url) as at:
        lives = [await life(at, 9, 1) for _ in range(7)]

    begins, ends = zip(*lives, strict=True)
    assert list(begins) == sorted(begins)
    moved = max(begins)
    assert set(begins) == {0, moved}
    # It was sent by a run half a minute before the one that moved the cursor, and again by that one.
    assert ends.index(moved) <= begins.index(moved) - 1 - RESEND_NS // SECOND // 9
    assert len(set(store.series(SAMPLES))) == 14 * len(at.drives())


@pytest.mark.asyncio
async def test_trouble_with_the_store_makes_the_landmark_worthless(tmp_path: Path) -> None:
    """It was away in one of the short lives: whatever it had acknowledged before that it may have lost."""
    async with fake_store() as store, still_site(tmp_path, store.url) as at:
        begins, after = [], 0
        for number in range(8):
            if number == 2:
                at.new_forwarding()
                async with at.forwarded():
                    store.answer = lambda lines: Reply(503, "starting")
                    at.scans(1)
                    await at.link(False)
                store.answer = take_all
            begins.append((await life(at, 9))[0])
            after = after or (int(at.forwarding.status()["cursor"]) if number == 2 else 0)

    assert begins[:6] == [0] * 6, "moved by what came before the trouble"
    assert max(begins) == after


@pytest.mark.asyncio
@pytest.mark.parametrize("spoil", ["boot", "text", "ahead"])
async def test_landmark_of_another_start_of_the_machine_or_damaged_is_none(tmp_path: Path, spoil: str) -> None:
    """Its time means nothing then; the cursor itself stands."""
    async with fake_store() as store, still_site(tmp_path, store.url) as at:
        await life(at, 14)
        begin, _ = await life(at, 5)
        assert begin > 0
        found = at.store.get_cursor(CURSOR)
        assert found is not None
        epoch, seq, extra = found
        own, landmark = extra.split("\n")
        words = landmark.split(" ", 4)
        words[2:4] = {"boot": [words[2], "other"], "text": ["x", words[3]], "ahead": ["9" * 19, words[3]]}[spoil]
        at.store.set_cursor(CURSOR, epoch, seq, f"{own}\n{' '.join(words)}")
        at.clock.ahead_ns += 2 * RESEND_NS

        begins = [(await life(at, 4))[0] for _ in range(2)]

    assert begins == [seq, seq]


@pytest.mark.asyncio
async def test_what_was_acknowledged_within_ten_seconds_is_sent_again(tmp_path: Path) -> None:
    """The cursor passes nothing that the store may not have saved yet."""
    async with fake_store() as store, still_site(tmp_path, store.url) as at:
        at.clock.ahead_ns += 2 * SECOND
        async with at.forwarded():
            first = await sent(at, 2)
            at.clock.ahead_ns += FIRST_NS // 2
            second = await sent(at, 2)
            at.clock.ahead_ns += FIRST_NS // 2 + SECOND
            third = await sent(at, 2)
        before = len(store.series(SAMPLES))
        assert (kept(at), first < second < third) == (first, True)
        at.new_forwarding()
        async with at.forwarded() as forwarding:
            await until(lambda: forwarding.status()["lag_rows"] == 0)

    again = store.series(SAMPLES)[before:]
    assert sorted(again) == sorted(store.series(SAMPLES)[2 * len(at.drives()) : before])


@pytest.mark.asyncio
async def test_cursor_of_a_long_life_stays_half_a_minute_behind_and_never_goes_back(tmp_path: Path) -> None:
    """A scan every five seconds: first ten seconds behind, then thirty, rising all the time."""
    step_s = 5
    async with fake_store() as store, still_site(tmp_path, store.url) as at, at.forwarded():
        behind, seen, ends = [], [], [0]
        for _ in range(14):
            at.clock.ahead_ns += step_s * SECOND
            ends.append(await sent(at, 1))
            seen.append(kept(at))
            behind.append(len(ends) - 1 - ends.index(seen[-1]))

    assert seen == sorted(seen)
    assert behind[:4] == [1, 2, 3, 3]
    assert max(behind) == behind[-1] == RESEND_NS // SECOND // step_s + 1


@pytest.mark.asyncio
async def test_lost_connection_goes_back_behind_the_kept_cursor(tmp_path: Path) -> None:
    """The store was away: everything of the last half minute is sent again, and a death meanwhile does not skip it."""
    async with fake_store() as store, still_site(tmp_path, store.url) as at, at.forwarded():
        at.clock.ahead_ns += 2 * SECOND
        await sent(at, 2)
        at.clock.ahead_ns += FIRST_NS + SECOND
        await sent(at, 2)
        assert kept(at) > 0
        before = len(store.series(SAMPLES))
        store.answer = lambda lines: Reply(503, "starting")
        at.scans(1)
        await at.link(False)
        store.answer = take_all
        await at.link(True)
        await until(lambda: at.forwarding.status()["lag_rows"] == 0)
        again = store.series(SAMPLES)[before:]

        assert kept(at) == 0
    assert len(set(again)) == 5 * len(at.drives())
