"""What is damaged in the store is not forwarded: it becomes a dead letter, and everything else arrives."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from nightrake.domain.rows import TailRecord
from nightrake.domain.tailcodec import to_record
from nightrake.forwardmarks import CURSOR
from nightrake.kept import plan_to_json
from peers.fakestore import Reply, fake_store, take_all
from shell.forward.plantless import Site, scan_of, site, until

SAMPLES = "nightrake_drive,"


def damaged(at: Site, how: str) -> TailRecord:
    """A scan with one thing wrong, as a disk may leave it."""
    record = to_record(at._input_seq, scan_of(at.plan, at.utc_ms + 1))
    at._input_seq += 1
    payload = record.payload
    changed: dict[str, TailRecord] = {
        "length": record._replace(payload=payload[:11] + b"\xff" + payload[12:]),
        "block": record._replace(payload=b"\xff" + payload[1:]),
        "outcome": record._replace(payload=payload[:2] + b"\xff" + payload[3:]),
        "cut": record._replace(payload=payload[:5]),
        "no data": record._replace(payload=struct.pack("<HBqHH", 0, 0, 0, 0, 0)),
        "layout": record._replace(layout="nowhere"),
        "kind": record._replace(kind="scqn"),
        "time": record._replace(utc_ms="zz"),  # type: ignore[arg-type]  # that is the point
        "no payload": record._replace(payload="text"),  # type: ignore[arg-type]
    }
    return changed[how]


KINDS = ("length", "block", "outcome", "cut", "no data", "layout", "kind", "time", "no payload")


@pytest.mark.parametrize("how", KINDS)
@pytest.mark.asyncio
async def test_damaged_record_becomes_a_dead_letter_and_the_rest_arrives(tmp_path: Path, how: str) -> None:
    """Before and behind it every scan is there; it is counted, named by its number, and told once for the journal."""
    async with fake_store() as store, site(tmp_path, store.url) as at, at.forwarded() as forwarding:
        expected = at.scans(5)
        bad = damaged(at, how)
        at.store.append((), {}, [bad])
        expected += at.scans(5)
        await until(lambda: forwarding.status()["lag_rows"] == 0)
        dead = await at.store._reader.ask(lambda reader: reader.dead_letters(10))
        while not dead:  # its commit comes a moment later
            dead = await at.store._reader.ask(lambda reader: reader.dead_letters(10))
        status, news = forwarding.status(), at.store.damage.news()

    assert len(set(store.series(SAMPLES))) == expected
    assert status["dead_letters"] == at.store.damage.count == 1
    assert [entry.data["where"] for entry in news] == [str(bad.seq)]
    assert [line for _, line, _ in dead] == [f"hot tail record {bad.seq}"]
    assert all(words.startswith("damaged: ") for _, _, words in dead)


@pytest.mark.asyncio
async def test_damaged_read_plan_gives_one_dead_letter_for_its_records(tmp_path: Path) -> None:
    """Not one for each scan; also when the batch has to be sent again."""
    async with fake_store() as store, site(tmp_path, store.url) as at:
        at.store.put_layout("broken", plan_to_json(at.plan).replace('"blocks":', '"blockz":'))
        records = [damaged(at, "layout")._replace(layout="broken") for _ in range(30)]
        at.store.append((), {}, records)
        expected = at.scans(1)
        store.answer = lambda lines: Reply(503, "later")
        async with at.forwarded() as forwarding:
            await at.link(False)
            assert forwarding.status()["dead_letters"] == 0
            store.answer = take_all
            await until(lambda: forwarding.status()["lag_rows"] == 0)

    assert forwarding.status()["dead_letters"] == 30
    assert len(set(store.series(SAMPLES))) == expected


@pytest.mark.asyncio
async def test_damaged_journal_row_is_not_forwarded(tmp_path: Path) -> None:
    """Its tags cannot be believed; the rows around it arrive."""
    async with fake_store() as store, site(tmp_path, store.url) as at, at.forwarded() as forwarding:
        at.happen(2)
        assert await at.store.wait_durable(2, 5.0)
        await until(lambda: forwarding.status()["event_cursor"] == 2)
        bad = (await at.store.rows_after(1, 1))[0]._replace(seq=3, drive="D\n")
        at.store.append([bad], {}, ())
        at._seq += 1
        at.happen(1)
        await until(lambda: forwarding.status()["event_cursor"] == 4)

    seqs = [float(line.split("seq=")[1].split(" ")[0]) for line in store.series("nightrake_event,")]
    assert sorted(set(seqs)) == [1.0, 2.0, 4.0]
    assert forwarding.status()["dead_letters"] == 1


@pytest.mark.parametrize(
    ("seq", "extra"),
    [
        (5, "17&&,3"),
        (5, "1795659511000;1795659511000;5-x,3"),
        (5, "3 [{}]"),
        (5, "x []"),
        (5, ""),
        (10**9, "0,0"),
        (5, f"{2**60} 0"),
    ],
)
@pytest.mark.asyncio
async def test_damaged_cursor_begins_as_new(tmp_path: Path, seq: int, extra: str) -> None:
    """Everything that is kept is sent, under its own time; that it was damaged is said."""
    async with fake_store() as store, site(tmp_path, store.url) as at:
        expected = at.scans(10)
        at.store.set_cursor(CURSOR, at.store.epoch, seq, extra)
        at.new_forwarding()
        async with at.forwarded() as forwarding:
            await until(lambda: forwarding.status()["lag_rows"] == 0 and forwarding.status()["cursor"] > 0)

    assert len(set(store.series(SAMPLES))) == expected
    assert [entry.data["where"] for entry in at.store.damage.news()] == [CURSOR]


@pytest.mark.asyncio
async def test_cursor_of_an_earlier_version_goes_on_where_it_was(tmp_path: Path) -> None:
    """Its numbers and its stamps: the samples behind it come as they are, none before it comes again."""
    async with fake_store() as store, site(tmp_path, store.url) as at:
        at.scans(6)
        floor_ms = at.utc_ms
        expected = at.scans(4)
        at.store.set_cursor(CURSOR, at.store.epoch, 6, f"{floor_ms};{floor_ms - 1000},0")
        at.new_forwarding()
        async with at.forwarded() as forwarding:
            await until(lambda: forwarding.status()["lag_rows"] == 0)

    assert len(store.series(SAMPLES)) == expected
    assert min(int(line.rsplit(" ", 1)[1]) for line in store.series(SAMPLES)) == floor_ms + 250
    assert at.store.damage.count == 0
