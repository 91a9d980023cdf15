"""Another calibration record: from readings while they are kept, from counts once they are gone; shown, written."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import apsw
import numpy as np
import pytest

from nightrake.cli.historian_recompute import Asked, run_recompute
from nightrake.control.client import ControlClient
from nightrake.domain.site import CalibrationCurve, Direction
from nightrake.errors import ControlError, NightrakeError
from nightrake.history.rows import DAY_MS, HOUR_MS, Grain, Table, columns_of
from nightrake.journal.lock import take_lock
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.hourbuilding import HourBuilder
from nightrake.longterm.recomputing import DayMade, Recomputing, Wish, apply, carry_out, wish_of
from nightrake.longterm.summaries import SummaryWriting
from nightrake.longterm.writing import Writing
from shell.longterm.apartworker import Worker
from shell.longterm.histories import CONFIG, NOON_MS, Past
from shell.longterm.test_summarising import everything, reading, same, seal_and_build, worker

BEGIN_MS = NOON_MS // DAY_MS * DAY_MS + DAY_MS - 3 * HOUR_MS
HOUR = BEGIN_MS // HOUR_MS
SIDE = Direction.FORWARD


@pytest.fixture
def past(tmp_path: Path) -> Past:
    """Five hours around midnight, summarised; the arm well within its span."""
    made = Past(utc_ms=BEGIN_MS)
    made.snapshot()
    made.go(5 * 3_600, 20.0)
    made.store(tmp_path)
    seal_and_build(tmp_path, build_each=True)
    return made


def steeper(past: Past) -> CalibrationCurve:
    """PC1's record, everything a tenth more."""
    curve = past.settings.site.drives["PC1"].calibrations[SIDE]
    return replace(
        curve,
        ref="PC1-corrected",
        digest="c" * 64,
        torque_nm=tuple(t * 1.1 for t in curve.torque_nm),
        coefficients=tuple(c * 1.1 for c in curve.coefficients),
    )


def wish_for(past: Past, curve: CalibrationCurve, hours: int = 5) -> Wish:
    """All of the period."""
    return Wish("PC1", curve, HOUR, HOUR + hours)


def made_anew(folder: Path, past: Past, wish: Wish) -> list[DayMade]:
    """The days that a recomputation makes."""
    with closing(Blocks(folder)) as blocks:
        return list(Recomputing(blocks, pytest.fail).days(wish, past.settings.site.drives["PC1"]))


def write(folder: Path, wish: Wish, days: Iterator[DayMade]) -> int:
    """As the one writer."""
    with closing(Writing(folder, NOON_MS)) as writing:
        return apply(writing.db, wish, days, NOON_MS, "eng1")


def forget_readings(folder: Path) -> None:
    """As retention does."""
    with closing(apsw.Connection(str(folder / "history.db"))) as db:
        for table in ("column_data", "block", "cut"):
            db.execute(f"delete from {table}")


def rows(folder: Path, grain: Grain) -> Table:
    """All rows of PC1."""
    with reading(folder) as summaries:
        columns = columns_of([SIDE])
        parts = list(summaries.rows("PC1", grain, columns, BEGIN_MS, BEGIN_MS + 5 * HOUR_MS))
        return {name: np.concatenate([p.table[name] for p in parts]) for name in columns}


def test_dry_run_says_what_changes_and_writes_nothing(past: Past, tmp_path: Path) -> None:
    """A tenth more torque everywhere: mean and highest by a tenth, the number of readings as before."""
    before = everything(tmp_path, "PC1")
    days = made_anew(tmp_path, past, wish_for(past, steeper(past)))

    assert [day.day for day in days] == [HOUR // 24, HOUR // 24 + 1]
    assert sum(day.from_readings for day in days) == 5
    for day in days:
        assert day.change.is_any
        assert day.change.after.n == day.change.before.n > 0
        assert day.change.after.mean_nm == pytest.approx(1.1 * day.change.before.mean_nm, rel=1e-3)
        assert day.change.after.max_nm == pytest.approx(1.1 * day.change.before.max_nm, rel=1e-3)
    same(everything(tmp_path, "PC1"), before)


def test_readings_and_counts_come_to_the_same_hours(past: Past, tmp_path: Path) -> None:
    """With all readings, and after they are gone; and minutes change only where readings are kept."""
    wish = wish_for(past, steeper(past))
    old = rows(tmp_path, Grain.MINUTE)
    kept = made_anew(tmp_path, past, wish)
    forget_readings(tmp_path)
    gone = made_anew(tmp_path, past, wish)

    assert sum(day.from_counts for day in gone) == 5
    for one, other in zip(kept, gone, strict=True):
        assert repr(one.change) == repr(other.change)
        for at in one.hours:
            for name, column in one.hours[at].hour.items():
                assert other.hours[at].hour[name] == pytest.approx(column, rel=1e-9, nan_ok=True), name
    write(tmp_path, wish, iter(gone))
    after = rows(tmp_path, Grain.MINUTE)
    assert all(after[name].tobytes() == old[name].tobytes() for name in old)
    assert rows(tmp_path, Grain.HOUR)["forward.all.mean_nm"][0] == pytest.approx(
        kept[0].hours[HOUR % 24].hour["forward.all.mean_nm"][0]
    )


def test_back_under_the_first_record_everything_is_as_it_was(past: Past, tmp_path: Path) -> None:
    """There and back: rows, counts and days are equal to the last bit."""
    before = everything(tmp_path, "PC1")
    first = past.settings.site.drives["PC1"].calibrations[SIDE]
    for curve in (steeper(past), first):
        wish = wish_for(past, curve)
        assert write(tmp_path, wish, iter(made_anew(tmp_path, past, wish))) == 2
        changed = everything(tmp_path, "PC1")
        assert (changed[1] == before[1]) == (curve is first)

    same(everything(tmp_path, "PC1"), before)


def test_hour_built_again_later_uses_the_new_record(past: Past, tmp_path: Path) -> None:
    """A late block must not bring the old torque back; hours outside of the period keep theirs."""
    wish = wish_for(past, steeper(past), hours=2)
    write(tmp_path, wish, iter(made_anew(tmp_path, past, wish)))
    before = everything(tmp_path, "PC1")
    with worker(tmp_path) as (_, summarising, writing):
        writing.db.execute("begin immediate")
        for endpoint in range(1, 10):
            SummaryWriting(writing.db).mark_due(endpoint, BEGIN_MS, BEGIN_MS + 4 * HOUR_MS)
        writing.db.execute("commit")
        while summarising.work():
            pass

    same(everything(tmp_path, "PC1"), before)
    with closing(Blocks(tmp_path)) as blocks:
        refs = [[c.ref for c in HourBuilder(blocks).recalibrated("PC1", BEGIN_MS + h * HOUR_MS)] for h in range(4)]
    assert refs == [["PC1-corrected"], ["PC1-corrected"], [], []]


def test_month_that_fails_leaves_the_months_before_whole(past: Past, tmp_path: Path) -> None:
    """What is written and the record that it holds by are one: never one without the other."""
    wish = wish_for(past, steeper(past))
    days = made_anew(tmp_path, past, wish)

    def failing() -> Iterator[DayMade]:
        yield days[0]
        yield days[1]._replace(day=days[0].day + 31)
        raise OSError("the disk is gone")

    with pytest.raises(OSError, match="gone"):
        write(tmp_path, wish, failing())
    with closing(apsw.Connection(str(tmp_path / "history.db"))) as db:
        kept = list(db.execute("select from_utc_ms, to_utc_ms, actor from recalibration"))
    assert kept == [(BEGIN_MS, (days[0].day + 31) * DAY_MS, "eng1")]
    hours = rows(tmp_path, Grain.HOUR)["forward.all.mean_nm"]
    assert hours[0] == pytest.approx(days[0].hours[HOUR % 24].hour["forward.all.mean_nm"][0])


def test_worker_carries_out_what_it_is_asked(past: Past, tmp_path: Path) -> None:
    """The same rows as the command writes itself, and a sentence."""
    wish, other = wish_for(past, steeper(past)), tmp_path / "other"
    other.mkdir()
    (other / "history.db").write_bytes((tmp_path / "history.db").read_bytes())
    write(tmp_path, wish, iter(made_anew(tmp_path, past, wish)))
    with closing(Writing(other, NOON_MS)) as writing, closing(Blocks(other)) as blocks:
        said = carry_out(writing.db, blocks, wish.text(), NOON_MS, "eng1")

    assert said == "2 days of PC1 forward were written under record PC1-corrected."
    same(everything(other, "PC1"), everything(tmp_path, "PC1"))


def test_wish_survives_its_way_as_text(past: Past) -> None:
    """Over the control socket and to the worker; what is none is refused."""
    wish = wish_for(past, steeper(past))

    assert wish_of(wish.text()) == wish
    for text in ("", "{}", "[]", '{"drive": "PC1"}'):
        with pytest.raises(ValueError, match=r"wish|Expecting"):
            wish_of(text)


# --- the command ------------------------------------------------------------------------------------------------------


def ask(folder: Path, **changes: object) -> int:
    """Run the command on the example's settings and this store."""
    asked = Asked("PC1", "2026-09-20T00:00Z", "", "", "", write=False)._replace(**changes)  # type: ignore[arg-type]
    sets: dict[str, str | int | float] = {"store.dir": str(folder), "control.socket": str(folder / "control")}
    return run_recompute(CONFIG, sets, asked)


def test_command_under_the_same_record_changes_nothing(
    past: Past, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """And says so; written, it is still the same."""
    before = everything(tmp_path, "PC1")

    assert ask(tmp_path) == 0
    out = capsys.readouterr().out
    assert "0 of them change" in out
    assert "Nothing was written; --write keeps it." in out
    assert max(len(line) for line in out.splitlines()) <= 80
    assert ask(tmp_path, write=True) == 0
    assert "2 days were written. No watch runs: the next one puts that into the journal." in capsys.readouterr().out
    same(everything(tmp_path, "PC1"), before)
    with closing(Worker(tmp_path)) as worker:
        left = worker.hear(lambda said: "untold" in said)["untold"]
    assert isinstance(left, dict)
    assert wish_of(left["recompute"]).drive == "PC1"
    assert "2 days of PC1 forward were written" in left["text"]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"drive": "PC9"}, "there is no drive 'PC9'"),
        ({"begin": "yesterday"}, "--from 'yesterday': expected a time"),
        ({"begin": "2026-09-22", "end": "2026-09-21"}, "is not before --to"),
        ({"begin": "2027-01-01"}, "has no summaries from 2027-01-01"),
        ({"as_of": "soon"}, "expected a day such as"),
        ({"as_of": "2020-01-01"}, "no calibration record in force on 2020-01-01"),
        ({"direction": "reverse"}, "no reverse calibration record in force now"),
        ({"direction": "up"}, "expected forward or reverse"),
    ],
)
def test_mistakes_of_the_command_are_sentences(
    past: Past, tmp_path: Path, changes: dict[str, object], words: str
) -> None:
    """What is wrong and what to do."""
    with pytest.raises(NightrakeError, match=words):
        ask(tmp_path, **changes)


def test_drive_that_was_taken_out_is_recomputed_from_a_copy_of_the_settings(
    past: Past, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command says how, and so it goes."""
    without = shutil.copytree(CONFIG, tmp_path / "without")
    drives = (without / "drives.toml").read_text()
    begin = drives.index("[drive.PC1]")
    (without / "drives.toml").write_text(drives[:begin] + drives[drives.index("[drive.PC2]") :])
    for record in (without / "calibration").glob("PC1-*"):
        record.unlink()
    sets: dict[str, str | int | float] = {"store.dir": str(tmp_path)}
    asked = Asked("PC1", "2026-09-20T00:00Z", "", "", "", write=False)

    with pytest.raises(NightrakeError, match="no longer in the settings; put its table"):
        run_recompute(without, sets, asked)
    assert run_recompute(shutil.copytree(CONFIG, tmp_path / "copy"), sets, asked) == 0
    assert "0 of them change" in capsys.readouterr().out


def test_store_that_a_watch_holds_is_left_to_it(past: Past, tmp_path: Path) -> None:
    """There is one writer: the command asks the watch, and writes nothing itself when that does not answer."""
    before = everything(tmp_path, "PC1")
    with closing(take_lock(tmp_path)), pytest.raises(ControlError):
        ask(tmp_path, write=True)
    with pytest.raises(ControlError):
        ControlClient(tmp_path / "control")

    same(everything(tmp_path, "PC1"), before)


def test_no_history_is_a_sentence(tmp_path: Path) -> None:
    """Before anything was sealed."""
    with pytest.raises(NightrakeError, match="no readable history"):
        ask(tmp_path)
