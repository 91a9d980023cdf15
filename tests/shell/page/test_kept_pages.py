"""Pages of what is kept: the list of trips as it was picked out, and what stands behind a drive's torque."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightrake.errors import StoreError
from pagewatch import serving, told_in
from shell.page.test_api import Shelf


@pytest.mark.asyncio
async def test_trips_are_asked_for_as_picked_out(tmp_path: Path, free_port: int) -> None:
    """Drive, stage and place in the list reach the reader and come back to the page; what is malformed is refused."""
    async with serving(tmp_path, free_port, reader=Shelf()) as page, page.client() as client:
        shown = told_in(await client.get("/trips?drive=PC1&stage=shutdown&skip=50"))
        wrong = [(await client.get(f"/trips?{query}")).status_code for query in ("skip=-1", f"drive={'x' * 65}")]

    assert shown["asked"] == ["PC1", "shutdown", 50, 50]
    assert (shown["drive"], shown["stage"], shown["skip"]) == ("PC1", "shutdown", 50)
    assert wrong == [422, 422]


@pytest.mark.asyncio
async def test_what_stands_behind_comes_by_itself(tmp_path: Path, free_port: int) -> None:
    """The record and the sheet of that drive; a drive that is not there is 404, a store that cannot be read 503."""
    shelf = Shelf()
    async with serving(tmp_path, free_port, reader=shelf) as page, page.client() as client:
        shown = told_in(await client.get("/drives/PC1/behind"))
        strange = await client.get("/drives/XX9/behind")
        shelf.trouble = StoreError("store.db cannot be read: disk I/O error")
        broken = await client.get("/drives/PC1/behind", headers={"Accept": "application/json"})
        drive = await client.get("/drives/PC1")

    assert (shown["where"], shown["calibration"]["asked"], shown["sheet"]["asked"]) == ("behind/PC1", ["PC1"], ["PC1"])
    assert strange.status_code == 404
    assert (broken.status_code, broken.json()["detail"]) == (503, "store.db cannot be read: disk I/O error")
    assert drive.status_code == 200


@pytest.mark.asyncio
async def test_nobody_sees_what_is_kept_without_signing_in_where_that_is_asked(tmp_path: Path, free_port: int) -> None:
    """A view that is not open gives neither trips nor records."""
    async with serving(tmp_path, free_port, reader=Shelf(), open_view=False) as page, page.client() as client:
        trips = await client.get("/trips")
        behind = await client.get("/drives/PC1/behind")

    assert (trips.status_code, trips.headers["location"]) == (303, "/sign-in?next=/trips")
    assert behind.status_code == 401
    assert "asked" not in behind.text
