"""Signing in, changing the person, signing out."""

from __future__ import annotations

from urllib.parse import parse_qs

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response

from nightrake.domain.cleantext import clean
from nightrake.page import tokens
from nightrake.page.pages import shown, wants_json
from nightrake.page.problems import Problem
from nightrake.page.sessions import FAMILIAR_DAYS
from nightrake.page.shapes import SessionView, answers
from nightrake.page.visits import (
    NOT_OVER_PLAIN,
    Visit,
    check_csrf,
    check_known,
    cookie_of,
    csrf_of,
    room_of,
    session_view,
    visit_of,
)

entrance = APIRouter()


@entrance.get("/sign-in", include_in_schema=False)
async def sign_in_form(request: Request, next: str = "/", person: str = "") -> Response:
    """The form."""
    more = {"refused": "", "person": clean(person, 64), "next": _inside(next)}
    return shown(request, visit_of(request), "sign-in", more)


FORM = "Fields `person`, `password`, `csrf` (of the session), `next`, urlencoded; with `Accept: application/json`."


@entrance.post(
    "/sign-in",
    include_in_schema=True,
    summary="Sign in, or change the person",
    description=FORM,
    response_model=SessionView,
    responses=answers(None, 403, 429, 503),
)
async def sign_in(request: Request) -> Response:
    """Sign in, or change the person."""
    visit, form = visit_of(request), await _form(request)
    person, onward = form.get("person", ""), _inside(form.get("next", "/"))
    try:
        if not visit.may_sign_in:
            raise Problem(403, NOT_OVER_PLAIN)
        check_csrf(request, visit, form.get("csrf", ""))
        check_known(request)
        browser, password = _browser_of(request, visit), form.get("password", "")
        session_id = await room_of(request).sign_in.enter(person, password, visit.address, visit.session, browser)
    except Problem as problem:
        if wants_json(request):
            raise
        more = {"refused": problem.detail, "person": clean(person, 64), "next": onward}
        answer = shown(request, visit, "sign-in", more, problem.status)
        answer.headers.update(problem.headers)
        return answer
    return _entered(request, visit, session_id, browser, onward)


def _browser_of(request: Request, visit: Visit) -> str:
    """The id by which this browser is known from then on: the one that it has, if it came from here."""
    browser = cookie_of(request, tokens.BROWSER, visit.secure)
    return browser if browser and room_of(request).sessions.knows(browser) else tokens.new_id()


def _entered(request: Request, visit: Visit, session_id: str, browser: str, onward: str) -> Response:
    room = room_of(request)
    if visit.session is not None:
        room.hub.end_sessions([visit.session.key], "another person has signed in here")
    found = room.sessions.find(session_id, room.directory)
    now = visit._replace(session_id=session_id, session=found[0], person=found[1]) if found else visit
    if wants_json(request):
        answer: Response = JSONResponse(session_view(request, now, csrf_of(request, now)[0]))
    else:
        answer = RedirectResponse(onward, 303)
    answer.headers.append("set-cookie", tokens.set_cookie(tokens.SESSION, session_id, visit.secure, None))
    answer.headers.append("set-cookie", tokens.set_cookie(tokens.FORM, "", visit.secure, 0))
    age_s = FAMILIAR_DAYS * 86_400
    answer.headers.append("set-cookie", tokens.set_cookie(tokens.BROWSER, browser, visit.secure, age_s))
    return answer


@entrance.post(
    "/sign-out",
    include_in_schema=True,
    summary="Sign out here, or everywhere",
    status_code=204,
    description="Fields `csrf`, and `everywhere` = 1 for every session of the person; with `Accept: application/json`.",
    responses={403: answers(None, 403)[403]},
)
async def sign_out(request: Request) -> Response:
    """End this session, or all of the person's."""
    visit, room, form = visit_of(request), room_of(request), await _form(request)
    cookie = cookie_of(request, tokens.SESSION, visit.secure)
    session = room.sessions.on_record(cookie)
    if session is not None:
        whose = visit._replace(session_id=cookie)
        check_csrf(request, whose, form.get("csrf", "") or request.headers.get("x-csrf-token", ""))
        everywhere = form.get("everywhere", "") == "1"
        keys = await room.sign_in.leave(session, visit.address, everywhere=everywhere)
        room.hub.end_sessions(keys, "this sign-in has ended")
    answer: Response = Response(status_code=204) if wants_json(request) else RedirectResponse("/", 303)
    answer.headers.append("set-cookie", tokens.set_cookie(tokens.SESSION, "", visit.secure, 0))
    return answer


async def _form(request: Request) -> dict[str, str]:
    """Fields of an urlencoded form; of a repeated one the first.

    Raises:
        Problem: It is none.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise Problem(415, "a form is sent as application/x-www-form-urlencoded")
    try:
        text = (await request.body()).decode()
        fields = parse_qs(text, keep_blank_values=True, errors="strict", max_num_fields=20)
    except ValueError as error:
        raise Problem(422, "the form is not well formed") from error
    return {name: values[0] for name, values in fields.items()}


def _inside(path: str) -> str:
    """A path of ours to go on to; anything else is the overview."""
    plain = path.startswith("/") and not path.startswith("//") and path.isascii() and path.isprintable()
    return path if plain and "\\" not in path and len(path) <= 500 else "/"
