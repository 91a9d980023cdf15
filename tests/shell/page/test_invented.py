"""What nobody has and somebody asks for all the same: it makes no work that stays, and gets one clear sentence."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from nightrake.page.scene import Changes, Scene
from pagewatch import UTC_MS, Piece, PlainLook, drive_view, listening, serving, signed_in

INVENTED = 12


async def next_parts(stream: Any) -> Any:
    """The next parts that a stream tells."""
    async with asyncio.timeout(8.0):
        async for name, data in stream:
            if name == "parts":
                return data
    raise AssertionError("the stream ended before parts came")


@pytest.mark.asyncio
async def test_trips_that_are_made_up_are_kept_up_to_date_as_one(
    tmp_path: Path, free_port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However many trips are listened for, of each change one page of trips is rendered, for they show the same."""
    rendered: list[str] = []
    plain = PlainLook.parts

    def parts(look: PlainLook, where: str, scene: Scene, changes: Changes) -> Sequence[Piece]:
        rendered.append(where)
        return plain(look, where, scene, changes)

    monkeypatch.setattr(PlainLook, "parts", parts)
    told = list[Any]()
    async with contextlib.AsyncExitStack() as stack:
        page = await stack.enter_async_context(serving(tmp_path, free_port))
        paths = [f"/live?where=trip/invented-{n}" for n in range(INVENTED)]
        streams = [await stack.enter_async_context(listening(page, path)) for path in paths]
        told += [await next_parts(stream) for stream in streams]
        rendered.clear()
        page.watch.say({"at": UTC_MS + 500, "drives": {"PC1": {**drive_view("PC1"), "area": "west"}}})
        told += [await next_parts(stream) for stream in streams]

    assert len(told) == 2 * INVENTED
    assert rendered == ["trips"]


@pytest.mark.asyncio
@pytest.mark.parametrize("value", ["[1]", "[[1]]", '{"a": 1}', "1e400"])
async def test_argument_of_no_kind_is_told_which_kinds_there_are(tmp_path: Path, free_port: int, value: str) -> None:
    """All of them: a number that is missing from the sentence would be taken for wrong."""
    body = f'{{"what": "standby", "drive": "PC1", "args": {{"reason": "x", "for_s": {value}}}}}'
    async with serving(tmp_path, free_port) as page, page.client() as client:
        headers = {"X-CSRF-Token": (await signed_in(client))["csrf"], "Content-Type": "application/json"}
        answer = await client.post("/api/v1/commands", content=body, headers=headers)

    assert answer.status_code == 422
    assert answer.json()["detail"] == "'for_s' is a text, a number or a list of texts"
