"""The stream of events behind every page, also for programs."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from nightrake.domain.cleantext import clean
from nightrake.page.api import seen_drive
from nightrake.page.live import TURN_S, Live
from nightrake.page.pages import WITH_DRIVE, is_place, kept_as
from nightrake.page.problems import Problem
from nightrake.page.shapes import answers
from nightrake.page.visits import looker, room_of

streams = APIRouter()


class EventStream(Response):
    """For the documentation."""

    media_type = "text/event-stream"


DESCRIPTION = (
    "Server-sent events. The whole picture first, then what changed; several changes come as one. "
    "`site` {digest, epoch}, `drives` {id: drive}, "
    "`values` {id: [torque_nm, uncertainty_nm, kind, position_mm, read_utc_ms]}, `alarms` [...], `service` {...}, "
    "`rows` [journal rows]; `off` {since, why}: nothing is live until `back`; "
    "`alive` {utc_ms, line_ms} at least each 5 s, with the ms since this stream began, so that delay can be told; "
    "`again`: load anew; `ended` {why}. "
    "With `where` (for the page itself) `parts` [{id, html, order}] come in place of `drives`, after the mark `since`."
)
EXAMPLE = 'event: alive\ndata: {"utc_ms":1764140400000,"line_ms":4000}\n\n'


@streams.get(
    "/live",
    summary="Everything that changes, as it changes",
    description=DESCRIPTION,
    response_class=EventStream,
    responses=answers(None, 401, 404, 429, 503) | {200: {"content": {"text/event-stream": {"example": EXAMPLE}}}},
)
async def live(
    request: Request,
    where: Annotated[str, Query(max_length=200)] = "",
    drive: Annotated[str, Query(max_length=64)] = "",
    since: Annotated[str, Query(max_length=64)] = "",
    turn: Annotated[bool, Query(description="It ends by itself after some seconds.")] = False,
) -> Response:
    """The stream of events."""
    visit, room = looker(request), room_of(request)
    await room.feed.wanted()
    kind, _, one = where.partition("/")
    if where and not is_place(kind, one):
        raise Problem(404, f"there is no page '{clean(where, 64)}'")
    if drive or kind in WITH_DRIVE:
        seen_drive(room.scene, drive or one)
    key = visit.session.key if visit.session is not None and not room.open_view else None
    since = request.headers.get("last-event-id", "") or since
    listener = room.hub.join(kept_as(where), drive, visit.address, key, since[:64], known=visit.session is not None)

    def trouble() -> str:
        lost = key is not None and room.sessions.held(key, room.directory) is None
        return "this sign-in has ended" if lost else ""

    most_s = TURN_S if turn else None
    return Live(room.hub, listener, request.app.state.now_ms, trouble, request.app.state.still_wanted, most_s)
