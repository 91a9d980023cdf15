"""The creep pages under attack: other methods, names that lead elsewhere, many askers, a file that changes."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from creepfiles import leave, side, steady, trends
from nightrake.page.lasthours import COLUMNS
from nightrake.workers.pagereading import ReadingProcess
from pagewatch import serving

PATHS = ("/creep", "/drives/PC1/creep", "/creep/reports/creep-2026-11-23.html", "/api/v1/creep", "/api/v1/creep/PC1")
ELSEWHERE = (
    "..%2f..%2fetc%2fpasswd", "%2e%2e%2f%2e%2e", "PC1%00", "PC1%2f..%2fSC1", "%ff%fe", "pc1", "PC1%20", "PC",
    "PC1%0d%0aSet-Cookie:%20a=b", "x" * 2_000, "__proto__", "%F0%9F%92%A9", "PC1;drop", "{{7*7}}",
)  # fmt: skip
SIDES = 600


class Asked(ReadingProcess):
    """Notes what it is asked for, but the last hours of the site's drives: those are filled without anybody asking."""

    def __init__(self, state_dir: str) -> None:
        super().__init__(state_dir)
        self.beside_hours: list[tuple[str, Mapping[str, Any]]] = []

    async def _ask(self, what: str, args: Mapping[str, Any]) -> bytes:
        if (what, args.get("drive"), args.get("columns")) not in {("history", d, COLUMNS) for d in ("PC1", "SC1")}:
            self.beside_hours.append((what, args))
        return await super()._ask(what, args)


@pytest.mark.asyncio
@pytest.mark.parametrize("method", ["HEAD", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
async def test_other_methods_do_nothing(tmp_path: Path, free_port: int, method: str) -> None:
    """Nothing is written here, and whatever only looks has to be asked for as such: 405, in a sentence."""
    leave(tmp_path, trends(), ("2026-11-23",))
    reader = Asked(str(tmp_path))
    try:
        async with serving(tmp_path, free_port, reader=reader) as page, page.client() as client:
            answers = [await client.request(method, path) for path in PATHS]
    finally:
        await reader.close()

    assert {a.status_code for a in answers} == {405}
    assert all("GET" in a.headers["allow"] for a in answers)
    assert reader.beside_hours == []


@pytest.mark.asyncio
async def test_no_name_of_a_drive_leads_elsewhere(tmp_path: Path, free_port: int) -> None:
    """Drives are those of the site, by their whole id; a drive of the file that the site has not is none either."""
    leave(tmp_path, trends(side("GONE1"), side("../x")))
    reader = Asked(str(tmp_path))
    try:
        async with serving(tmp_path, free_port, reader=reader) as page, page.client() as client:
            names = (*ELSEWHERE, "GONE1", "..%2fx")
            ways = ("/drives/{}/creep", "/api/v1/creep/{}")
            found = {way.format(n): await client.get(way.format(n)) for n in names for way in ways}
    finally:
        await reader.close()

    wrong = {path: a.status_code for path, a in found.items() if a.status_code not in (400, 404, 414, 422)}
    assert wrong == {}
    assert not any("a=b" in a.headers.get("set-cookie", "") for a in found.values())
    assert reader.beside_hours == []


@pytest.mark.asyncio
async def test_crowd_of_askers_keeps_nobody_from_the_overview(tmp_path: Path, free_port: int) -> None:
    """Ninety requests for a large ranking at once: each is answered or told why not, and the rest goes on."""
    one = steady(days=None)
    leave(tmp_path, trends(*({**one, "drive": f"R{n}"} for n in range(SIDES))))
    reader = ReadingProcess(str(tmp_path))
    try:
        async with serving(tmp_path, free_port, reader=reader) as page, page.client() as client, page.client() as other:
            crowd = [asyncio.create_task(client.get(PATHS[n % len(PATHS)])) for n in range(90)]
            overview = await other.get("/")
            early = sum(task.done() for task in crowd)
            answers = await asyncio.gather(*crowd)
    finally:
        await reader.close()

    assert overview.status_code == 200
    assert early < len(crowd), "the overview did not wait for all of them"
    assert {a.status_code for a in answers} <= {200, 404, 429, 503}
    assert answers[0].status_code == 200
    assert reader.starts == 1


@pytest.mark.asyncio
async def test_file_that_is_written_meanwhile_is_never_half_shown(tmp_path: Path, free_port: int) -> None:
    """Replaced, cut, gone and back between questions: the one or the other judgement, or a sentence."""
    reader = ReadingProcess(str(tmp_path))
    file = leave(tmp_path, trends())
    whole = file.read_bytes()
    seen = set()
    try:
        async with serving(tmp_path, free_port, reader=reader) as page, page.client() as client:
            for cut in (len(whole), len(whole) // 2, 0, len(whole) - 1, len(whole)):
                file.write_bytes(whole[:cut])
                told = (await client.get("/api/v1/creep")).json()
                seen.add((cut == len(whole), len(told["sides"]), len(told["notes"])))
            file.unlink()
            gone = (await client.get("/api/v1/creep")).json()
    finally:
        await reader.close()

    assert seen == {(True, 4, 0), (False, 0, 1)}
    assert (gone["judged_utc_ms"], gone["sides"]) == (None, [])
