"""Where the store lies is told to no browser: missing, damaged and full of paths; the log has each sentence whole."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from creepfiles import leave, trends
from nightrake.workers.pagereading import ReadingProcess
from pagewatch import Served, listening, serving

SPAN = "begin=1764000000000&end=1764003600000"
PATHS = (
    f"/api/v1/history?drive=PC1&signal=torque&{SPAN}",
    "/api/v1/signals?drive=PC1",
    f"/api/v1/marks?drive=PC1&{SPAN}",
    "/api/v1/trips",
    "/api/v1/journal",
    "/api/v1/calibration/PC1",
    "/api/v1/sheet/PC1",
    "/api/v1/creep",
    "/api/v1/creep/PC1",
    "/",
    "/alarms",
    "/trips",
    "/creep",
    "/drives/PC1",
    "/drives/PC1/behind",
    "/drives/PC1/creep",
)


@asynccontextmanager
async def reading(folder: Path, port: int) -> AsyncIterator[tuple[Served, list[str]]]:
    """A page over that store; the lines of its log."""
    log = list[str]()
    reader = ReadingProcess(str(folder), log=log.append)
    try:
        async with serving(folder, port, reader=reader) as page:
            yield page, log
    finally:
        await reader.close()


def missing(folder: Path) -> None:
    """There is no store."""


def damaged(folder: Path) -> None:
    """No file is what it should be."""
    for name in ("store.db", "history.db"):
        (folder / name).write_bytes(b"SQLite format 3\0" + bytes(range(256)) * 64)
    leave(folder, b"{")
    (folder / "trips").mkdir()


def no_file(folder: Path) -> None:
    """A folder stands in the place of each."""
    for name in ("store.db", "history.db", "learning", "reports", "trips"):
        (folder / name).mkdir()
    (folder / "learning" / "trends.json").mkdir()


@pytest.mark.asyncio
@pytest.mark.parametrize("state", [missing, damaged, no_file])
async def test_no_answer_names_the_folder(tmp_path: Path, free_port: int, state: Callable[[Path], None]) -> None:
    """Whatever is wrong with the store; what cannot be read is 503, and says which file; the log says where."""
    folder = tmp_path / "state of fennmark"
    folder.mkdir()
    state(folder)
    async with reading(folder, free_port) as (page, log), page.client() as client:
        answers = {path: await client.get(path) for path in PATHS}

    told = {path: answer.text for path, answer in answers.items()}
    assert [path for path, text in told.items() if str(tmp_path) in text or "/state of" in text] == []
    refused = [a.json()["detail"] for path, a in answers.items() if a.status_code == 503 and path.startswith("/api/")]
    assert any("store.db" in text for text in refused), told
    assert any(line.startswith(f"{folder}") for line in log)


@pytest.mark.asyncio
async def test_log_is_not_filled_by_those_who_ask(tmp_path: Path, free_port: int) -> None:
    """Fifty askers, one line."""
    async with reading(tmp_path, free_port) as (page, log), page.client() as client:
        for _ in range(50):
            assert (await client.get("/api/v1/signals?drive=PC1")).status_code == 503

    assert len(log) == 1


@pytest.mark.asyncio
async def test_what_the_watch_says_is_told_without_it(tmp_path: Path, free_port: int) -> None:
    """A link's detail, a notice, an answer to a command: live, and to programs."""
    leave(tmp_path, trends(beware=[f"GT1: {tmp_path}/history.db: cannot be read"]))
    where = f"{tmp_path}/store.db: the disk is full"
    async with reading(tmp_path, free_port) as (page, _), page.client() as client:
        page.watch.answer = lambda args: {"ok": False, "text": where, "durable": True}
        async with listening(page, "/live") as stream:
            page.watch.say(
                {"service": {"links": {"disk": {"up": False, "detail": where}}}, "alarms": [{"text": where}]}
            )
            told = ""
            while "disk is full" not in told:
                told += json.dumps(await anext(stream))
        told += (await client.get("/api/v1/alarms")).text + (await client.get("/api/v1/creep")).text

    assert "store.db: the disk is full" in told
    assert "GT1: history.db: cannot be read" in told
    assert str(tmp_path) not in told
