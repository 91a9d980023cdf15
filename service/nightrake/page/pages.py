"""The pages themselves, their static files, and what browsers report."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Mapping
from html import escape
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from nightrake.domain.cleantext import clean
from nightrake.errors import ControlError, NightrakeError
from nightrake.page import tokens
from nightrake.page.api import seen_drive
from nightrake.page.creep import PAGE as RANKED
from nightrake.page.keptapi import NO_READER, read
from nightrake.page.ports import Reader
from nightrake.page.problems import Problem
from nightrake.page.tripviews import PAGE as TRIPS
from nightrake.page.visits import (
    NOT_OVER_PLAIN,
    SIGN_IN_FIRST,
    Room,
    Visit,
    check_known,
    csrf_of,
    menu_for,
    room_of,
    visit_of,
)

pages = APIRouter(include_in_schema=False)

ROWS, ROWS_S = 50, 0.5
"""Journal rows on a page, and how long it waits for them."""
WITH_DRIVE = ("drive", "lockout")
PLACES = ("overview", "alarms", "trips", "trip", "creep", *WITH_DRIVE)

OF_REPORTS = "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:"
"""What a report may do, should a browser show it after all: be seen."""

_TRIP = re.compile(r"[A-Za-z0-9._-]{1,120}")
_REPORT = re.compile(r"creep-[0-9]{4}-[0-9]{2}-[0-9]{2}\.html")


def is_place(kind: str, one: str) -> bool:
    """Whether there is such a page to listen for: each is kept up to date for a while, so nobody invents any."""
    if kind == "trip":
        return bool(_TRIP.fullmatch(one))
    return kind in PLACES and bool(one) == (kind in WITH_DRIVE)


def kept_as(where: str) -> str:
    """The page that one is kept up to date as: of every trip the same changes, for the record itself does not.

    So nobody makes us keep pages of trips that they invent.
    """
    return "trips" if where.startswith("trip/") else where


def wants_json(request: Request) -> bool:
    """Whether a script asks, and not somebody who reads."""
    accept = request.headers.get("accept", "")
    return "json" in accept and "text/html" not in accept


def shown(request: Request, visit: Visit, where: str, more: Mapping[str, Any], status: int = 200) -> Response:
    """A page."""
    room = room_of(request)
    csrf, fresh = csrf_of(request, visit) if visit.session_id or where == "sign-in" else ("", "")
    query = request.url.query
    given = {
        "path": request.url.path + (f"?{query}" if query else ""),
        "people": menu_for(request, visit),
        "since": room.hub.mark_of(kept_as(where)) if where.partition("/")[0] in PLACES else "",
        "may_sign_in": visit.may_sign_in,
        "cannot_sign_in": "" if visit.may_sign_in else NOT_OVER_PLAIN,
        **more,
    }
    answer = HTMLResponse(room.look.page(where, room.scene, visit.who, csrf, given), status)
    if fresh:
        answer.headers.append("set-cookie", tokens.set_cookie(tokens.FORM, fresh, visit.secure, None))
    return answer


async def _show(request: Request, where: str, more: Mapping[str, Any] | None = None) -> Response:
    """A page that shows the site; where that needs a sign-in, the way there."""
    visit, room = visit_of(request), room_of(request)
    if visit.person is None and request.headers.get("sec-fetch-site") == "cross-site":
        return _once_more(request)
    if visit.person is None and not room.open_view:
        check_known(request)
        onward = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse(f"/sign-in?next={quote(onward)}", 303)
    await room.feed.wanted()
    if where.partition("/")[0] in WITH_DRIVE:
        seen_drive(room.scene, where.partition("/")[2])
    return shown(request, visit, where, more or {})


def _once_more(request: Request) -> Response:
    """Somebody followed a link in a message: their browser keeps the session to itself until a page of ours asks."""
    address = escape(quote(request.url.path) + (f"?{request.url.query}" if request.url.query else ""))
    return HTMLResponse(f'<!doctype html><title>nightrake</title><meta http-equiv="refresh" content="0;url={address}">')


@pages.get("/")
async def overview(request: Request) -> Response:
    """Every drive, worst first."""
    return await _show(request, "overview")


@pages.get("/alarms")
async def alarms(request: Request) -> Response:
    """Alarms."""
    return await _show(request, "alarms", {"rows": await _rows(request, "")})


@pages.get("/drives/{drive}")
async def drive(request: Request, drive: str) -> Response:
    """One drive."""
    return await _show(request, f"drive/{drive}", {"rows": await _rows(request, drive)})


@pages.get("/drives/{drive}/behind")
async def behind(request: Request, drive: str) -> Response:
    """What stands behind its torque, a piece of its page that comes after it: reading a data sheet takes a moment."""
    reader = _reader_of(request)
    await room_of(request).feed.wanted()
    seen_drive(room_of(request).scene, drive)
    told = {"calibration": await read(reader.calibration(drive)), "sheet": await read(reader.sheet(drive))}
    return shown(request, visit_of(request), f"behind/{drive}", told)


@pages.get("/lockout/{drive}")
async def lockout(request: Request, drive: str) -> Response:
    """A drive's lockout, step by step."""
    room, held = room_of(request), None
    if drive in room.scene.ids and (room.open_view or visit_of(request).person is not None):
        try:
            held = await room.lockouts.of(drive)
        except ControlError:
            held = None  # the page says that the watch is away
    return await _show(request, f"lockout/{drive}", {"lockout": held})


@pages.get("/trips")
async def trips(
    request: Request,
    drive: Annotated[str, Query(max_length=64)] = "",
    stage: Annotated[str, Query(max_length=16)] = "",
    skip: Annotated[int, Query(ge=0, lt=2**31)] = 0,
) -> Response:
    """Kept trips, a page of them."""
    reader = room_of(request).reader
    asked = {"drive": drive, "stage": stage, "skip": skip}
    if reader is None or not _may_look(request):
        return await _show(request, "trips", {**asked, "trips": None, "why_not": NO_READER})
    try:
        kept = await reader.trips(drive, stage, skip, TRIPS)
    except (NightrakeError, LookupError) as error:
        return await _show(request, "trips", {**asked, "trips": None, "why_not": str(error.args[0])})
    return await _show(request, "trips", {**kept, **asked, "why_not": ""})


@pages.get("/trips/{trip}")
async def trip(request: Request, trip: str) -> Response:
    """One trip."""
    reader = room_of(request).reader
    if not _may_look(request):
        return await _show(request, f"trip/{trip}")
    if reader is None:
        raise Problem(503, NO_READER)
    return await _show(request, f"trip/{trip}", {"trip": await read(reader.trip(trip))})


@pages.get("/creep")
async def creep(request: Request, skip: Annotated[int, Query(ge=0, lt=2**31)] = 0) -> Response:
    """Who will reach the alarm first, a page of them."""
    reader = room_of(request).reader
    if reader is None or not _may_look(request):
        return await _show(request, "creep", {"creep": None, "why_not": NO_READER})
    try:
        told = json.loads(await reader.creep(skip, RANKED))
    except (NightrakeError, LookupError) as error:
        return await _show(request, "creep", {"creep": None, "why_not": str(error.args[0])})
    return await _show(request, "creep", {"creep": told, "why_not": ""})


@pages.get("/drives/{drive}/creep")
async def drive_creep(request: Request, drive: str) -> Response:
    """Creep of one drive, a piece of its page that comes after it."""
    reader = _reader_of(request)
    await room_of(request).feed.wanted()
    seen_drive(room_of(request).scene, drive)
    told = json.loads(await read(reader.creep_of(drive)))
    return shown(request, visit_of(request), f"drivecreep/{drive}", {"creep": told})


@pages.get("/creep/reports/{name}")
async def creep_report(request: Request, name: str) -> Response:
    """A weekly report, to be kept: it is a page of its own with pictures, and must not act as one of ours."""
    reader = _reader_of(request)
    if not _REPORT.fullmatch(name):
        raise Problem(404, "there is no such report of creep")
    told = await read(reader.creep_report(name))
    headers = {"content-disposition": f'attachment; filename="{name}"', "content-security-policy": OF_REPORTS}
    return Response(told["html"], headers=headers, media_type="text/html")


@pages.get("/help")
async def explained(request: Request) -> Response:
    """What the marks mean."""
    return shown(request, visit_of(request), "help", {})


def _may_look(request: Request) -> bool:
    return room_of(request).open_view or visit_of(request).person is not None


def _reader_of(request: Request) -> Reader:
    """Who reads what is kept, for somebody who may see it."""
    if not _may_look(request):
        raise Problem(401, SIGN_IN_FIRST)
    reader = room_of(request).reader
    if reader is None:
        raise Problem(503, NO_READER)
    return reader


async def _rows(request: Request, drive: str) -> list[dict[str, Any]]:
    """Recent rows of the journal; none where they cannot be read at once, for the page shows what is live."""
    reader = room_of(request).reader
    if reader is None or not _may_look(request):
        return []
    try:
        async with asyncio.timeout(ROWS_S):
            return list((await reader.journal(drive, 0, ROWS))["rows"])
    except (NightrakeError, LookupError, TimeoutError):
        return []


# --- what is there besides ---


@pages.get("/static/{digest}/{name:path}")
async def static(request: Request, digest: str, name: str) -> Response:
    """A static file: for a year under the digest of now, not kept at all under an older one."""
    statics = room_of(request).statics
    file = statics.find(name)
    if file is None:
        raise Problem(404, f"there is no file '{clean(name, 80)}'")
    kept = "public, max-age=31536000, immutable" if digest == statics.digest else "no-store"
    headers = {"cache-control": kept, "vary": "accept-encoding"}
    if file.packed and "gzip" in request.headers.get("accept-encoding", ""):
        return Response(file.packed, headers={**headers, "content-encoding": "gzip"}, media_type=file.media_type)
    return Response(file.plain, headers=headers, media_type=file.media_type)


@pages.post("/csp")
async def report(request: Request) -> Response:
    """A browser says that it kept a page from doing something: one line of the log, a few a minute."""
    room: Room = room_of(request)
    counts = request.app.state.reports
    if counts.take():
        try:
            told = json.loads(await request.body())
            facts = told.get("csp-report", told) if isinstance(told, dict) else {}
            facts = facts if isinstance(facts, dict) else {}
        except (ValueError, RecursionError):
            facts = {}
        words = [clean(str(facts.get(k, "")), 120) for k in ("document-uri", "effective-directive", "blocked-uri")]
        room.log(f"a browser reports a breach of the content policy: {' | '.join(words)}")
    return Response(status_code=204)
