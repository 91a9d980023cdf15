"""Creep over HTTP: who may see it, what is asked of the reader, reports as downloads that can do nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from creepfiles import leave, trends
from nightrake.errors import StoreError
from nightrake.workers.pagereading import ReadingProcess
from pagewatch import serving, signed_in, told_in
from shell.page.test_api import Shelf

PATHS = ("/creep", "/drives/PC1/creep", "/creep/reports/creep-2026-11-23.html", "/api/v1/creep", "/api/v1/creep/PC1")
REPORT = PATHS[2]


@pytest.mark.asyncio
async def test_pages_ask_the_reader(tmp_path: Path, free_port: int) -> None:
    """The ranking from a place on; one drive's part; a drive that the site has not is 404."""
    async with serving(tmp_path, free_port, reader=Shelf()) as page, page.client() as client:
        ranking = told_in(await client.get("/creep?skip=100"))
        part = told_in(await client.get("/drives/PC1/creep"))
        strange = [(await client.get(path)).status_code for path in ("/drives/XX9/creep", "/api/v1/creep/XX9")]
        wrong = (await client.get("/creep?skip=-1")).status_code

    assert (ranking["where"], ranking["creep"]["asked"]) == ("creep", ["creep", 100, 100])
    assert (part["where"], part["creep"]["asked"]) == ("drivecreep/PC1", ["PC1"])
    assert strange == [404, 404]
    assert wrong == 422


@pytest.mark.asyncio
async def test_what_cannot_be_read_is_a_sentence(tmp_path: Path, free_port: int) -> None:
    """The ranking's page stands and says why; pieces and programs get 503."""
    shelf = Shelf()
    shelf.trouble = StoreError("the store gave no answer within 10 s")
    async with serving(tmp_path, free_port, reader=shelf) as page, page.client() as client:
        ranking = await client.get("/creep")
        others = [await client.get(path, headers={"Accept": "application/json"}) for path in PATHS[1:]]
    async with serving(tmp_path, free_port) as page, page.client() as client:
        nobody = [(await client.get(path)).status_code for path in PATHS]

    assert (ranking.status_code, told_in(ranking)["why_not"]) == (200, "the store gave no answer within 10 s")
    assert {(a.status_code, a.json()["detail"]) for a in others} == {(503, "the store gave no answer within 10 s")}
    assert nobody == [200, 503, 503, 503, 503]


@pytest.mark.asyncio
async def test_who_may_not_look_gets_none_of_it(tmp_path: Path, free_port: int) -> None:
    """Where the view is not open: the way to the sign-in, or 401; after it all of them."""
    async with serving(tmp_path, free_port, reader=Shelf(), open_view=False) as page, page.client() as client:
        before = [await client.get(path) for path in PATHS]
        await signed_in(client)
        after = [(await client.get(path)).status_code for path in PATHS]

    assert [a.status_code for a in before] == [303, 401, 401, 401, 401]
    assert not any("asked" in a.text for a in before)
    assert after == [200] * 5


@pytest.mark.asyncio
async def test_report_is_a_download_that_can_do_nothing(tmp_path: Path, free_port: int) -> None:
    """Kept to disk under its own name; shown all the same, it has no script, no form, no origin of ours."""
    leave(tmp_path, trends(), ("2026-11-23",))
    reader = ReadingProcess(str(tmp_path))
    try:
        async with serving(tmp_path, free_port, reader=reader) as page, page.client() as client:
            report = await client.get(REPORT)
            ranking = (await client.get("/api/v1/creep")).json()
            drive = (await client.get("/api/v1/creep/PC1")).json()
    finally:
        await reader.close()

    assert (report.status_code, report.headers["content-type"]) == (200, "text/html; charset=utf-8")
    assert report.headers["content-disposition"] == 'attachment; filename="creep-2026-11-23.html"'
    policy = report.headers.get_list("content-security-policy")
    assert policy == ["sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:"]
    assert report.headers["x-content-type-options"] == "nosniff"
    assert "Report of 2026-11-23" in report.text
    assert [r["name"] for r in ranking["reports"]] == ["creep-2026-11-23.html"]
    assert [s["drive"] for s in ranking["sides"]] == ["PC1", "PC2", "SC1", "GT1"]
    assert len(drive["sides"][0]["days"]["utc_ms"]) == 400


@pytest.mark.asyncio
@pytest.mark.parametrize(
    "name",
    [
        "..%2flearning%2ftrends.json",
        "..%2f..%2fetc%2fpasswd",
        "%2e%2e",
        ".creep-2026-11-23.html.new",
        "creep-2026-11-23.html%00",
        "creep-2026-11-23.html%0d%0aSet-Cookie:%20a=b",
        "creep-2026-11-23.htm",
        "creep-2026-11-24.html",
        "page.db",
    ],
)
async def test_no_name_leads_elsewhere(tmp_path: Path, free_port: int, name: str) -> None:
    """Only what the list has, by its whole name."""
    leave(tmp_path, trends(), ("2026-11-23",))
    reader = ReadingProcess(str(tmp_path))
    try:
        async with serving(tmp_path, free_port, reader=reader) as page, page.client() as client:
            answer = await client.get(f"/creep/reports/{name}")
    finally:
        await reader.close()

    assert answer.status_code == 404
    assert "set-cookie" not in answer.headers or "a=b" not in answer.headers["set-cookie"]
