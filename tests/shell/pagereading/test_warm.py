"""What is kept at hand of the hot tail gives the same readings as reading all of it, however sealing goes on."""

from __future__ import annotations

import random
import shutil
from pathlib import Path

import pytest

from nightrake.longterm import warm
from nightrake.longterm.reading import History, Samples
from nightrake.longterm.warm import WarmHistory
from shell.longterm.histories import Past, forget_tail, seal

DRIVES = (("PC1", "position"), ("PC1", "running"), ("SC2", "contact:forward/alarm/A"), ("SCR1", "position"))


def readings(found: list[Samples]) -> list[tuple[int, str, int, str]]:
    """Every reading: stamp, value, quality, settings."""
    return [
        (int(utc_ms), repr(float(value)), int(quality), some.digest)
        for some in found
        for utc_ms, value, quality in zip(some.utc_ms, some.value, some.quality, strict=True)
    ]


def same(folder: Path, mine: WarmHistory, low: int, high: int) -> int:
    """Both give the same of some points; how many readings that were."""
    count = 0
    with History(folder) as plain:
        for drive, role in DRIVES:
            expected = readings(list(plain.samples(drive, role, low, high)))
            assert readings(list(mine.samples(drive, role, low, high))) == expected
            count += len(expected)
            assert mine.roles(drive) == plain.roles(drive)
        assert mine.drives() == plain.drives()
    return count


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_same_readings_while_the_store_grows_and_is_sealed(tmp_path: Path, seed: int) -> None:
    """Inputs come, some are sealed and dropped, settings change, the clock is set: any period, time and again."""
    past, chance, begin = Past(seed=seed), random.Random(seed), 0
    past.snapshot()
    past.go(60)
    past.store(tmp_path)
    first_ms = past.records[0].utc_ms
    with WarmHistory(tmp_path) as mine:
        for turn in range(8):
            begin = len(past.records)
            if turn == 3:
                past.reload("other")
            if turn == 5:
                past.step_clock(chance.choice((-90_000, 3_700_000)))
            past.go(chance.randint(5, 120))
            past.store(tmp_path, begin)
            if turn in (2, 4, 7):
                seal(tmp_path)
                forget_tail(tmp_path, past.records[-1].seq - 50 if turn != 4 else 0)
            low = first_ms + chance.randint(-10_000, 200_000)
            assert same(tmp_path, mine, low, low + chance.randint(1, 400_000)) >= 0
            assert same(tmp_path, mine, 0, 2**60) > 100


def test_only_what_is_new_is_packed_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Scans are packed once when there are enough of them, and given up when they are sealed."""
    monkeypatch.setattr(warm, "FRESH", 40)
    past = Past(seed=4)
    past.snapshot()
    past.go(200)
    past.store(tmp_path)
    with WarmHistory(tmp_path) as mine:
        assert same(tmp_path, mine, 0, 2**60) > 100
        (plc,) = {spec.points()["position"].endpoint for spec in [past.settings.site.drives["PC1"]]}
        held = mine._plcs[plc]
        assert held.count > 100
        packed = list(held.pieces)
        begin = len(past.records)
        past.go(10)
        past.store(tmp_path, begin)
        assert same(tmp_path, mine, 0, 2**60) > 100
        assert mine._plcs[plc].pieces[: len(packed)] == packed
        seal(tmp_path)
        assert same(tmp_path, mine, 0, 2**60) > 100
        assert mine._plcs[plc].pieces == []


def test_too_many_scans_are_read_as_they_are(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where sealing lags far behind, memory stays bounded and the readings are right all the same."""
    monkeypatch.setattr(warm, "MOST", 50)
    past = Past(seed=5)
    past.snapshot()
    past.go(200)
    past.store(tmp_path)
    with WarmHistory(tmp_path) as mine:
        assert same(tmp_path, mine, 0, 2**60) > 100
        assert all(plc.count <= 50 for plc in mine._plcs.values())


def test_settings_that_cannot_be_read_cost_only_what_was_recorded_under_them(tmp_path: Path) -> None:
    """The drives are those of all other settings, and a sentence says what is left out."""
    import apsw

    past = Past(seed=6)
    past.snapshot()
    past.go(30)
    past.store(tmp_path)
    db = apsw.Connection(str(tmp_path / "store.db"))
    db.execute("insert into settings values('f00', 1, '{}')")
    db.execute("insert into settings values('f00/built', 1, '{broken')")
    db.close()
    with WarmHistory(tmp_path) as mine:
        assert "PC1" in mine.drives()
        assert len(list(mine.samples("PC1", "position", 0, 2**60))) > 0
        (fault,) = mine.unreadable()
        assert "cannot be read" in fault


def test_store_that_was_put_in_the_place_of_another(tmp_path: Path) -> None:
    """A store whose life began anew is read from its own beginning."""
    for name, seed in (("one", 7), ("two", 8)):
        past = Past(seed=seed)
        past.snapshot()
        past.go(60)
        past.store(tmp_path / name)
    with WarmHistory(tmp_path / "one") as mine:
        assert same(tmp_path / "one", mine, 0, 2**60) > 50
    shutil.copy(tmp_path / "two" / "store.db", tmp_path / "one" / "store.db")
    with WarmHistory(tmp_path / "one") as mine:
        assert same(tmp_path / "two", mine, 0, 2**60) > 50
