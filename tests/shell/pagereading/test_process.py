"""The reading process and who asks it: real processes over a real store; a fake peer where it must misbehave."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import signal
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import psutil
import pytest
import pytest_asyncio

from nightrake.errors import StoreError
from nightrake.page.ports import ASKER, Asker
from nightrake.workers import pagereading
from nightrake.workers.pagereading import ReadingProcess
from nightrake.workers.pageturns import OF_ONE
from recordeddays import CONFIG, NOON_MS, RecordedDay

HOUR_MS = 3_600_000


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of ten minutes."""
    folder = tmp_path_factory.mktemp("minutes")
    RecordedDay(folder, period_s=5.0).run(lambda day: day.seconds(600))
    return folder


@pytest_asyncio.fixture
async def reader(made: Path) -> AsyncIterator[ReadingProcess]:
    """Of that store, ended afterwards."""
    found = ReadingProcess(str(made), str(CONFIG))
    yield found
    await found.close()


def told_of(pid: int, name: str) -> int:
    """A number that the kernel has of a process."""
    return int(Path(f"/proc/{pid}/{name}").read_text(encoding="ascii"))


def files_in(folder: Path) -> dict[str, bytes]:
    """Every file with its content."""
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def pid_of(reader: ReadingProcess) -> int:
    """Of the process that runs now."""
    assert reader._process is not None
    return reader._process.pid


@pytest.mark.asyncio
async def test_every_question_is_answered(reader: ReadingProcess) -> None:
    """Each of the questions that a page has, of a site whose settings are the example's."""
    history = json.loads(await reader.history("PC1", "torque", NOON_MS, NOON_MS + HOUR_MS, 200))
    assert any(v is not None for v in history["columns"]["mean"])
    assert "torque" in [s["name"] for s in (await reader.signals("PC1"))["signals"]]
    assert (await reader.marks("PC1", NOON_MS, NOON_MS + HOUR_MS))["notes"] == []
    assert (await reader.trips())["trips"] == []
    assert (await reader.journal("", 0, 5))["rows"][0]["event"] == "stopped"
    (direction,) = (await reader.calibration("PC1"))["directions"]
    assert direction["record"]["made_by"] == "F. Example"
    assert len(direction["record"]["points"]) >= 10
    assert direction["record"]["fit"]["form"] == "straight line"
    sheet = await reader.sheet("PC1")
    assert {"Load and set points", "Device"} <= {s["title"] for s in sheet["sections"]}
    assert "isolate, lock out" in sheet["cautions"][-1]
    with pytest.raises(LookupError, match="there is no trip record 'x'"):
        await reader.trip("x")
    with pytest.raises(LookupError, match="there is no trip record 'x'"):
        await reader.trip_readings("x", 0, 0, 10)
    assert reader.starts == 1


@pytest.mark.asyncio
async def test_it_is_the_last_to_get_the_processor(reader: ReadingProcess) -> None:
    """At least fifteen behind whoever is live, and the first to end when memory runs short."""
    await reader.begin()
    assert psutil.Process(pid_of(reader)).nice() >= min(19, os.nice(0) + 15)
    assert told_of(pid_of(reader), "oom_score_adj") == 1000


@pytest.mark.asyncio
async def test_questions_at_once_each_get_their_own_answer(reader: ReadingProcess) -> None:
    """Thirty at a time over one process, among them some that are refused."""
    drives = ["PC1", "nobody", "SC1", "GT1", "PC2"] * 6
    asked = (reader.history(d, "torque", NOON_MS, NOON_MS + HOUR_MS, 50) for d in drives)
    found = await asyncio.gather(*asked, return_exceptions=True)
    for drive, one in zip(drives, found, strict=True):
        if drive == "nobody":
            assert isinstance(one, LookupError)
        else:
            assert isinstance(one, bytes)
            assert json.loads(one)["drive"] == drive
    assert reader.starts == 1


@pytest.mark.asyncio
async def test_who_goes_away_leaves_the_next_answer_right(reader: ReadingProcess) -> None:
    """A browser that has gone while its answer was made: the process stays, and no answer is taken for another's."""
    await reader.begin()
    gone = [asyncio.create_task(reader.history("PC1", "torque", NOON_MS, NOON_MS + HOUR_MS, 100)) for _ in range(5)]
    await asyncio.sleep(0)
    for one in gone:
        one.cancel()
    assert json.loads(await reader.history("SC1", "torque", NOON_MS, NOON_MS + HOUR_MS, 50))["drive"] == "SC1"
    assert reader.starts == 1


@pytest.mark.asyncio
async def test_killed_process_costs_one_answer(reader: ReadingProcess) -> None:
    """kill -9 under a question: whoever asked is told so in a sentence, the next question starts another."""
    await reader.begin()
    os.kill(pid_of(reader), signal.SIGSTOP)
    asked = asyncio.create_task(reader.signals("PC1"))
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    os.kill(pid_of(reader), signal.SIGKILL)
    with pytest.raises(StoreError, match="has ended; ask again"):
        await asked
    assert (await reader.signals("PC1"))["drive"] == "PC1"
    assert reader.starts == 2


@pytest.mark.asyncio
async def test_one_that_takes_too_long_is_killed_and_begun_anew(made: Path) -> None:
    """A process that stands still: one sentence, and the next question is answered by another one."""
    reader = ReadingProcess(str(made), answer_s=1.0)
    try:
        await reader.begin()
        first = pid_of(reader)
        os.kill(first, signal.SIGSTOP)
        with pytest.raises(StoreError, match="no answer within 1 s"):
            await reader.signals("PC1")
        assert not psutil.pid_exists(first)
        assert (await reader.signals("PC1"))["drive"] == "PC1"
        assert reader.starts == 2
    finally:
        await reader.close()


@pytest.mark.asyncio
async def test_start_goes_on_while_nobody_can_wait_for_it_any_more(
    reader: ReadingProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a busy machine it takes a minute: who asks meanwhile is told so, and it is not begun anew."""
    monkeypatch.setattr(pagereading, "AWAITED_S", 0.001)
    with pytest.raises(StoreError, match="still being started; ask again"):
        await reader.signals("PC1")
    with pytest.raises(StoreError, match="still being started; ask again"):
        await reader.signals("PC1")
    monkeypatch.undo()
    assert (await reader.signals("PC1"))["drive"] == "PC1"
    assert reader.starts == 1


@pytest.mark.asyncio
async def test_too_many_questions_are_refused_at_once(reader: ReadingProcess) -> None:
    """What may wait is bounded."""
    await reader.begin()
    os.kill(pid_of(reader), signal.SIGSTOP)
    waiting = [asyncio.create_task(reader.signals("PC1")) for _ in range(OF_ONE)]
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    with pytest.raises(StoreError, match="too many questions"):
        await reader.signals("PC1")
    os.kill(pid_of(reader), signal.SIGCONT)
    assert all(one["drive"] == "PC1" for one in await asyncio.gather(*waiting))


@pytest.mark.asyncio
async def test_it_ends_with_its_page(made: Path) -> None:
    """Its standard input is closed, by whatever end of the page: the process is gone, and nothing holds the store."""
    reader = ReadingProcess(str(made))
    await reader.begin()
    process = psutil.Process(pid_of(reader))
    await reader.close()
    assert not process.is_running()


@pytest.mark.asyncio
async def test_one_that_cannot_be_started(made: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sentence, and not a start for every question."""
    monkeypatch.setattr(pagereading, "MODULE", "nightrake.workers.no_such_module")
    reader = ReadingProcess(str(made))
    for _ in range(3):
        with pytest.raises(StoreError, match=r"could not be started|has just ended"):
            await reader.signals("PC1")
    assert reader.starts == 1
    await reader.close()


@pytest.mark.asyncio
async def test_store_is_as_it_was(made: Path, tmp_path: Path) -> None:
    """Nothing is written: neither a table, nor a row, nor a file beside SQLite's own."""
    shutil.copy(made / "store.db", tmp_path)
    before = files_in(tmp_path)["store.db"]
    reader = ReadingProcess(str(tmp_path), str(CONFIG))
    await reader.history("PC1", "torque", NOON_MS, NOON_MS + HOUR_MS, 200)
    await reader.journal("", 0, 50)
    await reader.trips()
    await reader.close()
    after = files_in(tmp_path)
    assert after["store.db"] == before
    assert set(after) <= {"store.db", "store.db-wal", "store.db-shm"}


SLOW_UNLESS_HURRIED = """#!{python}
import sys
print('{{"ready":true}}', flush=True)
for line in sys.stdin:
    if "hurry" not in line:
        wanted = sys.stdin.readline() if "slow" in line else ""
        body = '{{"hurried": %s}}' % ("true" if "hurry" in wanted else "false")
        print('{{"ok":true,"size":%d}}' % len(body), flush=True)
        print(body, end="", flush=True)
"""


@pytest.mark.asyncio
async def test_who_keeps_others_waiting_is_told_to_hurry(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A question that would take long, and somebody else's that comes meanwhile: the first is cut short."""
    program = tmp_path / "reader"
    program.write_text(SLOW_UNLESS_HURRIED.format(python=sys.executable))
    program.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(program))
    reader = ReadingProcess(str(tmp_path))
    try:
        await reader.begin()
        slow = asyncio.create_task(reader.signals("slow"))
        await asyncio.sleep(0)
        ASKER.set(Asker("10.0.0.9"))
        quick = await reader.signals("quick")
        first = await slow
    finally:
        await reader.close()

    assert (first, quick) == ({"hurried": True}, {"hurried": False})
    assert reader.starts == 1


# --- calibration and sheets -------------------------------------------------------------------------------------------


@pytest.mark.asyncio
async def test_record_that_was_changed_is_not_believed(made: Path, tmp_path: Path) -> None:
    """The file is not what the watch took: its curve is shown as the watch has it, and a sentence says why no more."""
    shutil.copytree(CONFIG, tmp_path / "config")
    file = tmp_path / "config" / "calibration" / "PC1-forward-2026-03-14.toml"
    file.write_text(file.read_text().replace("F. Example", "N. Obody"))
    for config, words in ((str(tmp_path / "config"), "was changed since"), ("", "settings folder is not known")):
        reader = ReadingProcess(str(made), config)
        told = await reader.calibration("PC1")
        await reader.close()
        assert words in told["notes"][0]
        record = told["directions"][0]["record"]
        assert "made_by" not in record
        assert record["ref"] == "PC1-forward-2026-03-14"
        assert len(record["curve"]["torque_nm"]) == 2
        assert record["uncertainty"]["position_mm"][0] == record["curve"]["position_mm"][0]


@pytest.mark.asyncio
async def test_drive_without_record_or_specification(reader: ReadingProcess) -> None:
    """Every drive of the site is answered; what is not there is said."""
    for drive in ("PC1", "PC2", "SC1", "SC2", "GT1", "SCR1"):
        told, sheet = await reader.calibration(drive), await reader.sheet(drive)
        assert told["directions"]
        assert sheet["sections"] or "has no specification" in sheet["notes"][0]
    with pytest.raises(LookupError, match="no drive 'X'"):
        await reader.sheet("X")
