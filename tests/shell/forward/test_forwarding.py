"""Forwarding to a real VictoriaMetrics, and to a store that answers as the test decides."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from nightrake.forwarding import RECORDS
from nightrake.forwardmarks import CURSOR, RESEND_NS
from peers.fakestore import Reply, fake_store, take_all
from peers.victoria import Victoria
from shell.forward.plantless import site, until

SAMPLES = "nightrake_drive,"
GOOD = 'nightrake_drive_good{site="fennmark"}'


def count(found: dict[str, list[tuple[int, float]]]) -> int:
    """Samples in an export."""
    return sum(map(len, found.values()))


@pytest.mark.asyncio
async def test_samples_and_events_reach_the_store(victoria: Victoria, tmp_path: Path) -> None:
    """Every scan is a sample of every drive it read, with the scan's own stamp; every row is an event."""
    async with site(tmp_path, victoria.url) as at:
        expected = at.scans(40)
        first_ms = at.utc_ms - 39 * 250
        at.happen(3)
        async with at.forwarded() as forwarding:
            await at.link(True)
            # The first batch may hold the rows alone: the hot tail is committed a moment later.
            await until(lambda: forwarding.status()["lag_rows"] == 0 and forwarding.status()["event_cursor"] == 3)
        found = await asyncio.to_thread(victoria.export_until, GOOD, expected)
        events = await asyncio.to_thread(victoria.export_until, "nightrake_event_seq", 3)

    assert count(found) == expected
    for pairs in found.values():
        assert [ms for ms, _ in pairs] == [first_ms + 250 * n for n in range(40)]
    assert [value for pairs in events.values() for _, value in pairs] == [1.0, 2.0, 3.0]


@pytest.mark.asyncio
async def test_store_killed_loses_and_doubles_nothing(victoria: Victoria, tmp_path: Path) -> None:
    """kill -9 after acknowledged writes, which the store forgets: all is sent again and each sample counts once."""
    async with site(tmp_path, victoria.url) as at, at.forwarded() as forwarding:
        expected = at.scans(200)
        await until(lambda: forwarding.status()["lag_rows"] == 0)
        await asyncio.to_thread(victoria.kill)
        expected += at.scans(100)
        await at.link(False)
        await asyncio.to_thread(victoria.start)
        await at.link(True)
        await until(lambda: forwarding.status()["lag_rows"] == 0)
        found = await asyncio.to_thread(victoria.export_until, GOOD, expected)

    assert count(found) == expected
    assert all(len({ms for ms, _ in pairs}) == len(pairs) for pairs in found.values())


@pytest.mark.asyncio
async def test_store_down_at_start_gets_everything_when_it_comes(
    make_victoria: Callable[..., Victoria], tmp_path: Path
) -> None:
    """No store: a sentence with its address; nothing lost once there is one."""
    store = make_victoria("-dedup.minScrapeInterval=1ms")
    async with site(tmp_path, store.url) as at, at.forwarded():
        expected = at.scans(50)
        detail = await at.link(False)
        await asyncio.to_thread(store.start)
        await at.link(True)
        found = await asyncio.to_thread(store.export_until, GOOD, expected)

    assert store.url in detail
    assert count(found) == expected


@pytest.mark.asyncio
async def test_restart_sends_the_last_seconds_again_under_the_same_stamps(tmp_path: Path) -> None:
    """A restart begins thirty seconds back: what comes twice comes with the same stamp, and nothing is left out."""
    async with fake_store() as store, site(tmp_path, store.url) as at:
        at.scans(20)
        async with at.forwarded() as forwarding:
            await until(lambda: forwarding.status()["lag_rows"] == 0)
        first = store.series(SAMPLES)
        at.new_forwarding()
        at.scans(20)
        async with at.forwarded() as forwarding:
            await until(lambda: forwarding.status()["lag_rows"] == 0)

    again = store.series(SAMPLES)[len(first) :]
    assert set(first) <= set(again)
    assert len(set(again)) == 2 * len(first)


@pytest.mark.asyncio
async def test_clock_set_back_an_hour_overwrites_nothing(victoria: Victoria, tmp_path: Path) -> None:
    """Stamps go on rising in each series; all samples of before and after are there."""
    async with site(tmp_path, victoria.url) as at, at.forwarded() as forwarding:
        expected = at.scans(30)
        last_ms = at.utc_ms
        at.utc_ms -= 3_600_000
        expected += at.scans(30)
        at.happen(2)
        await until(lambda: forwarding.status()["lag_rows"] == 0)
        found = await asyncio.to_thread(victoria.export_until, GOOD, expected)

    assert count(found) == expected
    for pairs in found.values():
        assert [ms for ms, _ in pairs][30:] == [last_ms + n for n in range(1, 31)]


@pytest.mark.asyncio
async def test_clock_that_cannot_be_trusted_waits(tmp_path: Path) -> None:
    """Nothing is sent while UTC means nothing; it goes when it does."""
    async with fake_store() as store, site(tmp_path, store.url) as at:
        at.clock.is_trusted = False
        at.scans(3)
        async with at.forwarded() as forwarding:
            await at.link(False, "clock")
            assert store.writes == []
            at.clock.is_trusted = True
            await until(lambda: forwarding.status()["lag_rows"] == 0)

    assert store.taken


def stamps_of(lines: Sequence[str]) -> list[int]:
    """The stamps of lines, each once, in order."""
    return sorted({int(line.rsplit(" ", 1)[1]) for line in lines})


@pytest.mark.asyncio
async def test_what_a_clock_without_a_date_stamped_is_put_right(tmp_path: Path) -> None:
    """Ten scans and a row in 1970; four minutes after the last the date is there: all get the time that it really was.

    The clock may be right a moment before the store says so: nothing is sent until it does.
    """
    async with fake_store() as store, site(tmp_path, store.url) as at:
        now_ms, boot = at.utc_ms, at.store.opened.boots[-1].boot_id
        at.store.put_segment(boot, 0, 0, False)
        at.utc_ms = 60_000  # the test's scans have the monotonic time of their stamp
        at.scans(10)
        at.happen(1)
        assert await at.store.wait_durable(1, 5.0)
        async with at.forwarded() as forwarding:
            await at.link(False, "clock")
            assert store.writes == []
            at.store.put_segment(boot, 300_000_000_000, now_ms, True)
            await until(lambda: forwarding.status()["event_cursor"] == 1 and forwarding.status()["lag_rows"] == 0)

    assert stamps_of(store.series(SAMPLES)) == [now_ms - 240_000 + 250 * n for n in range(1, 11)]
    assert stamps_of(store.series("nightrake_event,")) == [now_ms - 300_000 + 1]
    assert forwarding.status()["undated"] == 0


@pytest.mark.asyncio
async def test_restart_in_the_middle_of_a_long_outage_keeps_each_samples_own_time(tmp_path: Path) -> None:
    """The outage's rows are all sent with its first scans; those that the next run sends are not moved above them."""
    async with fake_store() as store, site(tmp_path, store.url) as at:

        def slowly(lines: Sequence[str]) -> Reply:
            at.clock.ahead_ns += RESEND_NS // 2
            return take_all(lines)

        store.answer = slowly
        begin_ms = at.utc_ms
        scans = at.scans(RECORDS + 50) // len(at.drives())
        at.happen(1)
        async with at.forwarded() as forwarding:
            for _ in range(5):
                await until(lambda: forwarding.status()["lag_rows"] == 0)
                kept = at.store.get_cursor(CURSOR)
                if kept is not None and kept[1]:
                    break
                scans += at.scans(1) // len(at.drives())
        assert kept is not None
        assert 0 < kept[1] < RECORDS + 50
        before = len(store.taken)
        at.new_forwarding()
        async with at.forwarded() as forwarding:
            await until(lambda: forwarding.status()["lag_rows"] == 0)

    assert len(store.taken) > before
    assert stamps_of(store.series(SAMPLES)) == [begin_ms + 250 * n for n in range(1, scans + 1)]


@pytest.mark.asyncio
async def test_one_bad_line_becomes_a_dead_letter_and_the_rest_is_kept(tmp_path: Path) -> None:
    """An all-or-nothing store refuses a batch for one line: that line is put aside with the store's words."""

    def picky(lines: Sequence[str]) -> Reply:
        return Reply(400, "no such drive PC2") if any("drive=PC2" in line for line in lines) else Reply()

    async with fake_store() as store, site(tmp_path, store.url) as at, at.forwarded() as forwarding:
        store.answer = picky
        at.scans(1)
        await until(lambda: forwarding.status()["lag_rows"] == 0)
        dead = forwarding.status()["dead_letters"]

    others = {line.partition(" ")[0] for line in store.series(SAMPLES)}
    assert dead == 1
    assert len(others) == len(at.drives()) - 1


@pytest.mark.asyncio
@pytest.mark.parametrize("status", [401, 404])
async def test_refusal_of_ourselves_keeps_everything(tmp_path: Path, status: int) -> None:
    """A revoked token or a wrong bucket: nothing is given up, the link is down with the store's words, it resumes."""
    async with fake_store() as store, site(tmp_path, store.url) as at, at.forwarded() as forwarding:
        store.answer = lambda lines: Reply(status, "not you")
        at.scans(10)
        detail = await at.link(False, str(status))
        assert forwarding.status()["dead_letters"] == 0
        store.answer = take_all
        await at.link(True)
        await until(lambda: forwarding.status()["lag_rows"] == 0)

    assert "not you" in detail
    assert len(store.series(SAMPLES)) == 10 * len(at.drives())


@pytest.mark.asyncio
async def test_store_that_takes_no_line_at_all_is_not_a_reason_to_give_up_lines(tmp_path: Path) -> None:
    """400 to everything is a wrong setting, not bad lines: no dead letters, all there once it is right."""
    async with fake_store() as store, site(tmp_path, store.url) as at, at.forwarded() as forwarding:
        store.answer = lambda lines: Reply(400, "no such bucket")
        at.scans(10)
        await at.link(False, "no line at all")
        assert forwarding.status()["dead_letters"] == 0
        store.answer = take_all
        await until(lambda: forwarding.status()["lag_rows"] == 0)

    assert len(set(store.series(SAMPLES))) == 10 * len(at.drives())


@pytest.mark.asyncio
async def test_too_large_is_halved_and_remembered(tmp_path: Path) -> None:
    """413: smaller writes from then on, nothing lost."""

    def small(lines: Sequence[str]) -> Reply:
        return Reply(413) if len(lines) > 10 else Reply()

    async with fake_store() as store, site(tmp_path, store.url) as at, at.forwarded() as forwarding:
        store.answer = small
        at.scans(20)
        await until(lambda: forwarding.status()["lag_rows"] == 0)
        before = len(store.writes)
        at.scans(20)
        await until(lambda: forwarding.status()["lag_rows"] == 0)

    assert len(store.series(SAMPLES)) == 40 * len(at.drives())
    assert all(len(lines) <= 10 for lines in store.writes[before:])


@pytest.mark.asyncio
async def test_retry_after_is_obeyed(tmp_path: Path) -> None:
    """503 with a pause: no write before it is over."""
    async with fake_store() as store, site(tmp_path, store.url) as at, at.forwarded() as forwarding:
        store.answer = lambda lines: Reply(503, "busy", (("Retry-After", "2"),))
        at.scans(2)
        await until(lambda: len(store.writes) == 1)
        store.answer = take_all
        await until(lambda: forwarding.status()["lag_rows"] == 0)

    assert store.at_s[1] - store.at_s[0] >= 1.9


@pytest.mark.asyncio
async def test_black_hole_costs_the_loop_nothing_and_ends_at_once(tmp_path: Path) -> None:
    """A store that accepts and never answers: the loop stays free, the link is told down, a cancel waits for nobody."""
    async with fake_store() as store, site(tmp_path, store.url, timeout_s=3.0) as at:
        store.answer = lambda lines: Reply(0)
        at.scans(2)
        latest, worst_s = time.perf_counter(), 0.0
        async with at.forwarded():
            task = asyncio.ensure_future(at.link(False))
            while not task.done():
                await asyncio.sleep(0.005)
                now = time.perf_counter()
                worst_s, latest = max(worst_s, now - latest - 0.005), now
            began = time.perf_counter()
        took_s = time.perf_counter() - began

    assert worst_s < 1.25  # on a busy machine; a blocking write would take 3
    assert took_s < 1.25


@pytest.mark.asyncio
async def test_only_finite_floats_leave(tmp_path: Path) -> None:
    """Every field of every line is a finite float, whatever was read; bad blocks give fewer fields, not other ones."""
    async with fake_store() as store, site(tmp_path, store.url) as at, at.forwarded() as forwarding:
        at.scans(5)
        at.happen(2)
        await until(lambda: forwarding.status()["lag_rows"] == 0 and bool(store.series("nightrake_event")))

    for line in store.taken:
        head, fields, stamp = line.split(" ")
        assert head.startswith(("nightrake_drive,", "nightrake_event,"))
        assert int(stamp) > 1_700_000_000_000
        for field in fields.split(","):
            name, _, value = field.partition("=")
            assert name.isidentifier()
            assert "." in value or "e" in value
            assert float(value) - float(value) == 0.0


@pytest.mark.asyncio
async def test_page_in_place_of_the_store_gives_nothing_up(tmp_path: Path) -> None:
    """A proxy's log-in page says 200: the link is down with its words, and everything is there once it is the store."""
    async with fake_store() as store, site(tmp_path, store.url) as at, at.forwarded() as forwarding:
        store.answer = lambda lines: Reply(200, "<html>Log in</html>")
        at.scans(10)
        await at.link(False, "Log in")
        assert forwarding.status()["lines"] == 0
        store.answer = take_all
        await until(lambda: forwarding.status()["lag_rows"] == 0)

    assert len(set(store.series(SAMPLES))) == 10 * len(at.drives())


@pytest.mark.asyncio
async def test_too_large_for_everything_is_not_a_reason_to_give_up_lines(tmp_path: Path) -> None:
    """413 to every write is a wrong setting of whatever stands before the store: nothing is put aside, all arrives."""
    async with fake_store() as store, site(tmp_path, store.url) as at, at.forwarded() as forwarding:
        store.answer = lambda lines: Reply(413)
        at.scans(10)
        await at.link(False, "no line at all")
        assert forwarding.status()["dead_letters"] == 0
        store.answer = take_all
        await until(lambda: forwarding.status()["lag_rows"] == 0)
        at.scans(10)
        await until(lambda: forwarding.status()["lag_rows"] == 0)

    assert len(set(store.series(SAMPLES))) == 20 * len(at.drives())
    assert len(store.writes[-1]) == 10 * len(at.drives())


@pytest.mark.asyncio
async def test_writes_grow_again_after_a_time_of_too_large(tmp_path: Path) -> None:
    """A few 413s in a bad moment: single lines at first, whole batches again after enough of them went through."""
    async with fake_store() as store, site(tmp_path, store.url, batch_lines=8) as at, at.forwarded() as forwarding:
        store.answer = lambda lines: Reply(413) if len(lines) > 1 else Reply()
        at.scans(2)
        await until(lambda: forwarding.status()["lag_rows"] == 0)
        store.answer = take_all
        small = len(store.writes)
        at.scans(4 * 50 * 8 // len(at.drives()))
        await until(lambda: forwarding.status()["lag_rows"] == 0)

    sizes = [len(lines) for lines in store.writes[small:]]
    assert sizes[:45] == [1] * 45
    assert set(sizes) >= {1, 2, 4, 8}
    assert sizes.count(8) > 20


@pytest.mark.asyncio
async def test_token_that_cannot_be_read_is_said_and_looked_for_again(tmp_path: Path) -> None:
    """It vanished, or is not there yet: a sentence, the watch goes on, and forwarding begins with the next settings."""
    token = tmp_path / "token"
    async with fake_store() as store, site(tmp_path, store.url) as at:
        forward = at.settings.forward.model_copy(update={"token_file": str(token)})
        at.settings = replace(at.settings, forward=forward)
        at.new_forwarding()
        at.scans(3)
        async with at.forwarded() as forwarding:
            words = await at.link(False, str(token))
            token.write_text("s3cret\n")
            forwarding.settings_changed(at.settings)
            await until(lambda: forwarding.status()["lag_rows"] == 0)

    assert "cannot be read" in words
    assert store.tokens == {"Token s3cret"}


@pytest.mark.asyncio
async def test_store_that_comes_and_goes_is_told_once_and_then_counted(tmp_path: Path) -> None:
    """Taken and busy by turns: a few rows, not one for each turn."""
    async with fake_store() as store, site(tmp_path, store.url) as at, at.forwarded() as forwarding:
        store.answer = lambda lines: Reply() if len(store.writes) % 2 else Reply(503, "busy")
        for n in range(12):
            at.scans(1)
            await until(lambda n=n: len(store.writes) > n)  # type: ignore[misc]
        shown = forwarding.status()["detail"]

    assert len(at.links) == 8
    assert "comes and goes" in at.links[-1][1]
    assert "comes and goes" in shown


@pytest.mark.asyncio
async def test_clock_once_years_ahead_does_not_keep_the_samples_there(tmp_path: Path) -> None:
    """Before, during and after, each sample has the stamp of its scan; over a restart as well."""
    async with fake_store() as store, site(tmp_path, store.url) as at:
        begin_ms = at.utc_ms
        for leap_ms in (0, 315_360_000_000, -315_360_000_000):
            at.utc_ms += leap_ms
            at.new_forwarding()
            at.scans(10)
            async with at.forwarded() as forwarding:
                await until(lambda: forwarding.status()["lag_rows"] == 0)

    stamps = {int(each.rpartition(" ")[2]) - begin_ms for each in store.series(SAMPLES)}
    expected = [250 * n for n in range(1, 31)]
    assert sorted(stamps) == sorted(ms + (315_360_000_000 if 10 <= n < 20 else 0) for n, ms in enumerate(expected))
