"""Sealed hours to summaries: equal to those made from the records themselves, whenever and however they were built."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path

import apsw
import numpy as np
import pytest

from nightrake.domain.site import Direction
from nightrake.errors import StoreError
from nightrake.history.rows import DAY_MS, HOUR_MS, STAGES, Grain, Table, columns_of
from nightrake.history.summaries import Hour, Share, summarise
from nightrake.history.timeline import Track
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.hourbuilding import HourBuilder
from nightrake.longterm.sealing import Sealing
from nightrake.longterm.sql import fetch
from nightrake.longterm.summaries import SummaryWriting
from nightrake.longterm.summarising import Summarising, mark
from nightrake.longterm.summaryreading import SummaryReading
from nightrake.longterm.tail import Tail
from nightrake.longterm.writing import Writing
from shell.longterm.histories import MONO_NS, NOON_MS, Past, unpacked

DRIVES = ("PC1", "GT1")


@contextmanager
def worker(
    folder: Path, on_damage: Callable[[str], object] = pytest.fail
) -> Iterator[tuple[Sealing, Summarising, Writing]]:
    """What the history worker has open."""
    tail, writing = Tail(folder), Writing(folder, NOON_MS)
    writing.begin(tail.meta("epoch"), tail.span()[0], NOON_MS)
    blocks = Blocks(folder)
    try:
        yield Sealing(tail, writing), Summarising(writing.db, blocks, on_damage), writing
    finally:
        blocks.close()
        writing.close()
        tail.close()


def seal_and_build(folder: Path, *, build_each: bool) -> None:
    """Seal all there is, building after each cut or only at the end, in a new worker each time."""
    done = False
    while not done:
        with worker(folder) as (sealing, summarising, _):
            done = not sealing.seal(NOON_MS, mark)
            while (build_each or done) and summarising.work():
                pass


@contextmanager
def reading(folder: Path) -> Iterator[SummaryReading]:
    """A reader beside the worker."""
    blocks = Blocks(folder)
    try:
        yield SummaryReading(blocks)
    finally:
        blocks.close()


def hour_from_records(past: Past, drive: str, hour_utc_ms: int, segments: Sequence[int] = ()) -> Hour:
    """The hour from the records, by the watch's own codec and decoders."""
    spec = past.settings.site.drives[drive]
    tracks, mono = {}, {r.seq: r.mono_ns for r in past.records}
    for role in spec.points():
        rows = [(mono[seq], utc_ms, value, got) for seq, (utc_ms, value, got) in with_seq(past, drive, role)]
        tracks[role] = Track(
            np.zeros(len(rows), np.int64),
            np.array([m for m, *_ in rows], np.int64),
            np.array([u for _, u, *_ in rows], np.int64),
            np.array([np.nan if v is None else v for _, _, v, _ in rows], np.float64),
            np.array([g == 0 for *_, g in rows], np.bool_),
        )
    return summarise(hour_utc_ms, [Share(spec, tracks)], [(0, MONO_NS), *((0, s) for s in segments)])


def with_seq(past: Past, drive: str, role: str) -> list[tuple[int, tuple[int, object, int]]]:
    """What `Past.expected` gives, with the number of each record."""
    point = past.settings.site.drives[drive].points()[role]
    plan = past.plans[point.endpoint]
    seqs = [
        record.seq
        for record in past.records
        if record.kind == "scan" and record.endpoint == point.endpoint
        for reply in unpacked(record, plan)
        if reply.block == plan.places[point][0]
    ]
    return list(zip(seqs, past.expected(drive, role, 0, 2**50), strict=True))


def everything(folder: Path, drive: str) -> tuple[dict[Grain, Table], str]:
    """All rows of a drive, and its counts as text."""
    with reading(folder) as summaries:
        grains = {}
        for grain in Grain:
            columns = columns_of([Direction.FORWARD])
            parts = list(summaries.rows(drive, grain, columns, NOON_MS - DAY_MS, NOON_MS + 3 * DAY_MS))
            grains[grain] = {n: np.concatenate([p.table[n] for p in parts]) for n in columns}
            grains[grain]["utc_ms"] = np.concatenate([p.utc_ms for p in parts])
        day = NOON_MS // DAY_MS
        return grains, repr(summaries.entries(drive, day - 1, day + 2))


def same(a: tuple[dict[Grain, Table], str], b: tuple[dict[Grain, Table], str]) -> None:
    """Equal to the last bit."""
    for grain, table in a[0].items():
        for name, column in table.items():
            assert column.tobytes() == b[0][grain][name].tobytes(), (grain, name)
    assert a[1] == b[1]


def test_built_rows_are_those_of_the_records(tmp_path: Path) -> None:
    """Minutes and hours of drives with failures, ticks between, and half an hour's clock step."""
    past = Past()
    past.snapshot()
    past.go(4_000, 3.0)
    past.store(tmp_path)
    seal_and_build(tmp_path, build_each=True)

    hours = sorted({r.utc_ms // HOUR_MS for r in past.records})
    with reading(tmp_path) as summaries:
        assert set(DRIVES) <= set(summaries.drives())
        for drive in DRIVES:
            columns = columns_of(past.settings.site.drives[drive].directions)
            for hour in hours:
                expected = hour_from_records(past, drive, hour * HOUR_MS)
                begin, end = hour * HOUR_MS, (hour + 1) * HOUR_MS
                (minutes,) = summaries.rows(drive, Grain.MINUTE, columns, begin, end)
                (row,) = summaries.rows(drive, Grain.HOUR, columns, begin, end)
                for name in columns:
                    assert minutes.table[name].tobytes() == expected.minutes[name].tobytes(), name
                    assert row.table[name].tobytes() == expected.hour[name].tobytes(), name
                day = hour // 24
                mine = [e for utc_ms, e in summaries.entries(drive, day, day + 1) if utc_ms == begin]
                assert repr(mine) == repr(list(expected.entries))
            assert minutes.table["drive.covered_ns"].sum() > 0


def test_building_late_or_at_once_gives_the_same(tmp_path: Path) -> None:
    """After every cut with a new worker each time, or all in the end; across the end of a day, which is closed."""
    past = Past(utc_ms=NOON_MS // DAY_MS * DAY_MS + DAY_MS - 3 * HOUR_MS)
    past.snapshot()
    past.go(5 * 3_600, 20.0)
    for name in ("once", "each"):
        (tmp_path / name).mkdir()
        past.store(tmp_path / name)
        seal_and_build(tmp_path / name, build_each=name == "each")
    with worker(tmp_path / "once") as (_, _, writing):
        assert fetch(writing.db, "select count(*) from summary_due")[0][0] == 0
        assert fetch(writing.db, "select count(*) from summary_day")[0][0] > 0, "no day was closed"
        assert fetch(writing.db, "select count(*) from summary_open")[0][0] > 0, "no hour is open"

    for drive in DRIVES:
        same(everything(tmp_path / "once", drive), everything(tmp_path / "each", drive))


def test_hour_that_comes_again_is_put_into_its_closed_day(tmp_path: Path) -> None:
    """Closed day, opened for one hour: what was there before is there after, the hour is the new one."""
    past = Past(utc_ms=NOON_MS // DAY_MS * DAY_MS + DAY_MS - 2 * HOUR_MS)
    past.snapshot()
    past.go(4 * 3_600, 30.0)
    past.store(tmp_path)
    seal_and_build(tmp_path, build_each=True)
    before = everything(tmp_path, "PC1")
    hour = past.records[0].utc_ms // HOUR_MS + 1
    blocks = Blocks(tmp_path)
    with worker(tmp_path) as (_, _, writing), closing(blocks):
        writing.db.execute("begin immediate")
        empty = summarise(hour * HOUR_MS, [])
        SummaryWriting(writing.db).put_hour("PC1", hour, empty)
        writing.db.execute("commit")
        gone = everything(tmp_path, "PC1")
        writing.db.execute("begin immediate")
        SummaryWriting(writing.db).put_hour("PC1", hour, HourBuilder(blocks).hour_of("PC1", hour))
        writing.db.execute("commit")

    assert gone[0][Grain.DAY]["drive.covered_ns"][0] < before[0][Grain.DAY]["drive.covered_ns"][0]
    same(everything(tmp_path, "PC1"), before)


def test_day_is_the_sum_of_its_hours_and_the_hour_of_its_minutes(tmp_path: Path) -> None:
    """Times and counts exactly; mean and extremes as far as single precision of minutes goes."""
    past = Past(utc_ms=NOON_MS // DAY_MS * DAY_MS)
    past.snapshot()
    past.go(3 * 3_600, 10.0)
    past.store(tmp_path)
    seal_and_build(tmp_path, build_each=True)
    grains, _ = everything(tmp_path, "PC1")

    minute, hour, day = (grains[g] for g in Grain)
    for name in [n for n in day if n.endswith(("_ns", ".exact", ".n"))]:
        assert day[name].sum() == hour[name].sum() == minute[name].sum(), name
    covered = minute["drive.covered_ns"]
    assert np.array_equal(np.sum([minute[f"forward.time.{stage}_ns"] for stage in STAGES], axis=0), covered)
    n = minute["forward.all.n"]
    read = n > 0
    for coarse in (hour, day):
        rows = coarse["forward.all.n"] > 0
        total = np.dot(coarse["forward.all.mean_nm"][rows], coarse["forward.all.n"][rows])
        assert total == pytest.approx(np.dot(minute["forward.all.mean_nm"][read].astype(float), n[read]), rel=1e-6)
        assert np.nanmax(coarse["forward.all.max_nm"]) == pytest.approx(np.nanmax(minute["forward.all.max_nm"]))
        assert np.nanmin(coarse["forward.all.min_nm"]) == pytest.approx(np.nanmin(minute["forward.all.min_nm"]))


def test_oldest_minutes_go_and_hours_with_their_counts_stay(tmp_path: Path) -> None:
    """Beyond the days that are kept; a clock that was thirty years ahead for an hour makes nothing old."""
    past = Past(utc_ms=NOON_MS // DAY_MS * DAY_MS + DAY_MS - 2 * HOUR_MS)
    past.snapshot()
    past.go(28 * 3_600, 240.0)
    past.step_clock(10_950 * DAY_MS)
    past.go(3_600, 240.0)
    past.step_clock(-10_950 * DAY_MS)
    past.go(3_600, 240.0)
    past.store(tmp_path)
    seal_and_build(tmp_path, build_each=True)
    day, columns = NOON_MS // DAY_MS, ["drive.readings"]
    with worker(tmp_path) as (_, summarising, writing):
        writing.db.execute("begin immediate")
        while SummaryWriting(writing.db).close_days(day + 20_000):
            pass
        writing.db.execute("commit")
        assert summarising.retain(400.0, 4_000.0) == 0
        days = [d for d in everything(tmp_path, "PC1")[0][Grain.DAY]["utc_ms"] // DAY_MS if d < day + 5]
        assert days == [day, day + 1, day + 2]
        while summarising.retain(3.0, 4_000.0):
            pass

    with reading(tmp_path) as after:
        assert not list(after.rows("PC1", Grain.MINUTE, columns, day * DAY_MS, (day + 1) * DAY_MS))
        assert list(after.rows("PC1", Grain.MINUTE, columns, (day + 1) * DAY_MS, (day + 2) * DAY_MS))
        (hours,) = after.rows("PC1", Grain.HOUR, columns, day * DAY_MS, (day + 1) * DAY_MS)
        assert (hours.table["drive.readings"] > 0).sum() == 2
        assert after.entries("PC1", day, day + 1)


def test_late_hour_of_a_day_without_minutes_is_put_in(tmp_path: Path) -> None:
    """Its minutes are gone by retention; the hour is there, the day is right, and no blank minutes appear."""
    past = Past(utc_ms=NOON_MS // DAY_MS * DAY_MS + DAY_MS - 2 * HOUR_MS)
    past.snapshot()
    past.go(27 * 3_600, 240.0)
    past.store(tmp_path)
    seal_and_build(tmp_path, build_each=True)
    before = everything(tmp_path, "PC1")
    with worker(tmp_path) as (_, summarising, writing):
        writing.db.execute("begin immediate")
        while SummaryWriting(writing.db).close_days(2**30):
            pass
        writing.db.execute("commit")
        while summarising.retain(1.0, 4_000.0):
            pass
        writing.db.execute("begin immediate")
        for endpoint in range(1, 12):
            SummaryWriting(writing.db).mark_due(endpoint, past.records[0].utc_ms, past.records[0].utc_ms)
        writing.db.execute("commit")
        while summarising.work():
            pass

    after = everything(tmp_path, "PC1")
    for grain in (Grain.HOUR, Grain.DAY):
        for name, column in before[0][grain].items():
            assert after[0][grain][name].tobytes() == column.tobytes(), name
    assert after[1] == before[1]


@pytest.mark.parametrize("table", ["summary_day", "summary_open"])
def test_damage_is_a_sentence_and_stops_no_other_day(tmp_path: Path, table: str) -> None:
    """Flipped bits: that day is refused in words, the day beside it is read, and the worker says so and goes on."""
    past = Past(utc_ms=NOON_MS // DAY_MS * DAY_MS + DAY_MS - 2 * HOUR_MS)
    past.snapshot()
    past.go(4 * 3_600, 60.0)
    past.store(tmp_path)
    seal_and_build(tmp_path, build_each=True)
    with closing(apsw.Connection(str(tmp_path / "history.db"))) as db:
        for key, data in list(db.execute(f"select id, data from {table} where length(data) > 9")):
            spoilt = bytes(data[:-3]) + bytes((data[-3] ^ 64,)) + bytes(data[-2:])
            db.execute(f"update {table} set data = ? where id = ?", (spoilt, key))
    day = NOON_MS // DAY_MS
    bad, sound = (day, day + 1) if table == "summary_day" else (day + 1, day)
    columns = columns_of([Direction.FORWARD])
    with reading(tmp_path) as summaries:
        with pytest.raises(StoreError, match=r"check sum|cannot be read|is cut"):
            list(summaries.rows("PC1", Grain.MINUTE, columns, bad * DAY_MS, (bad + 1) * DAY_MS))
        assert list(summaries.rows("PC1", Grain.MINUTE, columns, sound * DAY_MS, (sound + 1) * DAY_MS))

    said: list[str] = []
    with worker(tmp_path, said.append) as (_, summarising, writing):
        summaries_of = SummaryWriting(writing.db, said.append)
        writing.db.execute("begin immediate")
        if table == "summary_open":
            summaries_of.close_days(day + 2)
        else:
            summaries_of.mark_due(1, past.records[0].utc_ms, past.records[0].utc_ms)
        writing.db.execute("commit")
        while summarising.work():
            pass
    assert said, "the worker came by damage and said nothing"
    assert all("damaged" in sentence for sentence in said)
