"""The HTTP API of what is live, and commands: ``/api/v1/...``. Whatever goes wrong is a problem (RFC 9457)."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Annotated, Any, TypeVar

from fastapi import APIRouter, Header, Path, Query, Request
from fastapi.responses import JSONResponse, Response

from nightrake.domain.cleantext import clean
from nightrake.errors import ControlError
from nightrake.page import shapes, tokens
from nightrake.page.people import People
from nightrake.page.problems import Problem
from nightrake.page.scene import Scene
from nightrake.page.shapes import CommandBody, Done, SessionView, answers
from nightrake.page.torquebar import UNIT
from nightrake.page.visits import (
    NOT_OVER_PLAIN,
    SIGN_IN_FIRST,
    check_csrf,
    check_known,
    csrf_of,
    looker,
    room_of,
    session_view,
    visit_of,
)

api = APIRouter(prefix="/api/v1")

T = TypeVar("T")
Drive = Annotated[str, Path(max_length=64, description="Id of a drive.")]
OneDrive = Annotated[str, Query(max_length=64, description="Id of a drive.")]
UtcMs = Annotated[int, Query(ge=0, lt=2**53, description="UTC in ms since 1970.")]
COMMANDS = 8
"""Commands of one session that are under way at once."""
GONE_TURNS = 5
"""Of the event loop: read, its end, TLS between them, and the rest to spare."""


def known_drive(scene: Scene, drive: str) -> str:
    """The drive, if the site has it.

    Raises:
        Problem: 404.
    """
    if drive not in scene.ids:
        raise Problem(404, f"no drive '{clean(drive, 64)}' at this site")
    return drive


def seen_drive(scene: Scene, drive: str) -> str:
    """The same, where there is something to show of it.

    Raises:
        Problem: 404; or 503 while the watch has told nothing of it yet.
    """
    known_drive(scene, drive)
    if drive not in scene.drives:
        raise Problem(503, scene.away.why if scene.away is not None else f"nothing is known of {drive} yet")
    return drive


def watch_problem(error: ControlError) -> Problem:
    """What the watch said, as a problem."""
    return Problem(503 if error.nobody else 409, str(error))


@api.get("/session", summary="Who is signed in, and what they may", response_model=SessionView)
async def session(request: Request) -> Response:
    """Also for somebody who is not signed in; then ``csrf`` is for the sign-in form."""
    visit = visit_of(request)
    csrf, fresh = csrf_of(request, visit)
    answer = JSONResponse(session_view(request, visit, csrf))
    if fresh:
        answer.headers.append("set-cookie", tokens.set_cookie(tokens.FORM, fresh, visit.secure, None))
    return answer


@api.get("/site", summary="The site, its drives and people", responses=answers(shapes.SITE))
async def site(request: Request) -> dict[str, Any]:
    """As the settings in force have it; ``away`` says since when nothing is live, if so."""
    looker(request)
    scene = room_of(request).scene
    away = scene.away
    return {**scene.site, "away": None if away is None else away._asdict()}


@api.get("/drives", summary="Every drive as it stands", responses=answers([shapes.DRIVE], 503))
async def drives(request: Request) -> list[dict[str, Any]]:
    """In the site's order; 503 while the watch is away, since then nothing is known of now."""
    return list((await live_scene(request)).drives.values())


@api.get("/drives/{drive}", summary="One drive as it stands", responses=answers(shapes.DRIVE, 404, 503))
async def one_drive(request: Request, drive: Drive) -> dict[str, Any]:
    """Torque, position, stages, quality."""
    scene = await live_scene(request)
    return scene.drives[seen_drive(scene, drive)]


@api.get("/alarms", summary="Every alarm that is not at rest", responses=answers([shapes.ALARM], 503))
async def alarms(request: Request) -> list[dict[str, Any]]:
    """What calls first, then by priority."""
    return (await live_scene(request)).alarms


async def live_scene(request: Request) -> Scene:
    """The scene, whole and live.

    Raises:
        Problem: 503 where it is not.
    """
    looker(request)
    room = room_of(request)
    await room.feed.wanted()
    if room.scene.away is not None:
        raise Problem(503, room.scene.away.why)
    return room.scene


@api.get("/lockout/{drive}", summary="A drive's lockout as it stands", responses=answers(shapes.LOCKOUT, 404, 409, 503))
async def lockout(request: Request, drive: Drive) -> dict[str, Any]:
    """What has been reported, and all that stands against a release."""
    looker(request)
    room = room_of(request)
    try:
        return await room.lockouts.of(known_drive(room.scene, drive))
    except ControlError as error:
        raise watch_problem(error) from error


@api.post(
    "/commands",
    summary="Give a command as the person who is signed in",
    response_model=Done,
    responses=answers({"ok": True, "text": "acknowledged", "durable": True}, 401, 403, 409, 422, 503),
)
async def commands(
    request: Request,
    body: CommandBody,
    token: Annotated[str, Header(alias="X-CSRF-Token", max_length=200, description="`csrf` of the session.")] = "",
) -> dict[str, Any]:
    """It takes the path of every command: the watch looks up the role, decides, and journals it with the person."""
    visit, room = visit_of(request), room_of(request)
    if visit.session is None or visit.person is None:
        check_known(request)
        raise Problem(401, SIGN_IN_FIRST if visit.may_sign_in else NOT_OVER_PLAIN)
    check_csrf(request, visit, token)
    if await _has_gone(request):
        raise Problem(503, "whoever asked has gone, so it was not done")
    busy: dict[bytes, int] = request.app.state.busy
    if busy.get(visit.session.key, 0) >= COMMANDS:
        raise Problem(429, "commands of this session are still under way; wait for their answers")
    busy[visit.session.key] = busy.get(visit.session.key, 0) + 1
    try:
        done = await room.watch.command(visit.person.id, body.what, body.drive, body.direction, body.args)
        room.lockouts.forget()
    except ControlError as error:
        raise watch_problem(error) from error
    finally:
        busy[visit.session.key] -= 1
        if not busy[visit.session.key]:
            del busy[visit.session.key]
    people = People(room.scene.site.get("people") or {})
    if not done.get("ok"):
        raise Problem(409, _words(people, done, "the watch refused without a reason"))
    return {"ok": True, "text": _words(people, done, ""), "durable": bool(done.get("durable"))}


async def _has_gone(request: Request) -> bool:
    """Whether the browser left before we got to it, as it does after a time: we were stopped, or the line was.

    It has told its person that no answer came. What must not be done any more came together with its end, so a few
    turns of the event loop are enough to see that.
    """
    for _ in range(GONE_TURNS):
        await asyncio.sleep(0)
    return await request.is_disconnected()


def _words(people: People, done: Mapping[str, Any], none: str) -> str:
    """The watch's sentence as the page has names and units."""
    return people.in_words(str(done.get("text", none))).replace("kN.m", UNIT)
