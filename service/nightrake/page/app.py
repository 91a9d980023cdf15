"""The web application: routes, problems, compression, and the shields around all of it."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from fastapi.responses import Response
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request

from nightrake import __version__
from nightrake.domain.cleantext import clean
from nightrake.page.api import api
from nightrake.page.budget import Budget
from nightrake.page.entrance import entrance
from nightrake.page.keptapi import kept_api
from nightrake.page.pages import pages, shown, wants_json
from nightrake.page.problems import MEDIA_TYPE, Problem, problem_body
from nightrake.page.shapes import ProblemBody
from nightrake.page.shields import FAULT, App, Shields
from nightrake.page.streams import streams
from nightrake.page.visits import Room, visit_of

WORDS = {404: "there is no such page", 405: "this is not used that way here"}
"""For what the router refuses."""
REPORTS_A_MINUTE = 10
DESCRIPTION = (
    "What the operator's page shows and does, for programs. Times are UTC in ms since 1970, units stand in the names. "
    "A command needs a session (POST /sign-in), its token as X-CSRF-Token, and the page's address as Origin. "
    "Errors are problem details (RFC 9457)."
)


def application(
    room: Room,
    now_ms: Callable[[], int],
    now_s: Callable[[], float] = time.monotonic,
    still_wanted: Callable[[], object] = lambda: None,
) -> App:
    """The whole application, to be served.

    Args:
        room: What answers are made from. now_ms: UTC. now_s: Monotonic.
        still_wanted: Called while somebody listens.
    """
    app = Described(
        title="nightrake", version=__version__, description=DESCRIPTION,
        docs_url=None, redoc_url=None, openapi_url="/api/openapi.json", redirect_slashes=False,
    )  # fmt: skip
    app.state.room, app.state.now_ms, app.state.still_wanted = room, now_ms, still_wanted
    app.state.reports, app.state.busy = Budget(REPORTS_A_MINUTE, now_s), {}
    app.include_router(api)
    app.include_router(kept_api)
    app.include_router(streams)
    app.include_router(entrance)
    app.include_router(pages)
    app.add_exception_handler(Problem, _on_problem)
    app.add_exception_handler(HTTPException, _on_http)
    app.add_exception_handler(RequestValidationError, _on_invalid)
    app.add_exception_handler(Exception, _on_fault)
    app.add_middleware(GZipMiddleware, minimum_size=600, compresslevel=5)
    return Shields(app, room.place, room.log)


def _answer(request: Request, status: int, detail: str, headers: dict[str, str]) -> Response:
    """A problem; for somebody who reads, as a page."""
    path = request.url.path
    if path.startswith(("/api/", "/live", "/static/")) or wants_json(request) or request.method != "GET":
        return Response(problem_body(status, detail), status, headers, MEDIA_TYPE)
    title = "This is not there" if status == 404 else "This did not work"
    more = {"status": status, "title": title, "text": detail}
    answer = shown(request, visit_of(request), "error", more, status)
    answer.headers.update(headers)
    return answer


async def _on_problem(request: Request, problem: Exception) -> Response:
    assert isinstance(problem, Problem)
    return _answer(request, problem.status, problem.detail, problem.headers)


async def _on_http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    detail = WORDS.get(error.status_code, clean(str(error.detail)))
    return _answer(request, error.status_code, detail, dict(error.headers or {}))


async def _on_fault(request: Request, error: Exception) -> Response:  # noqa: ARG001  the shields log it
    return Response(problem_body(500, FAULT), 500, media_type=MEDIA_TYPE)


async def _on_invalid(request: Request, error: Exception) -> Response:
    """The first mistake, in one sentence."""
    assert isinstance(error, RequestValidationError)
    first = error.errors()[0]
    loc = first["loc"]
    if loc[:2] == ("body", "args") and len(loc) > 2:  # the first of the kinds that it may be would be named alone
        return _answer(request, 422, clean(f"'{loc[2]}' is a text, a number or a list of texts"), {})
    where = ".".join(str(p) for p in first["loc"] if p not in ("query", "body", "path")) or "the body"
    return _answer(request, 422, clean(f"{where}: {first['msg']}"), {})


class Described(FastAPI):
    """OpenAPI with the problem's shape, and without FastAPI's own of invalid requests, which are problems here."""

    def openapi(self) -> dict[str, Any]:
        """The document; made once."""
        schema = super().openapi()
        parts = schema.setdefault("components", {}).setdefault("schemas", {})
        parts["ProblemBody"] = ProblemBody.model_json_schema()
        for name in ("HTTPValidationError", "ValidationError"):
            parts.pop(name, None)
        for path in schema["paths"].values():
            for one in path.values():
                told = one["responses"].get("422")
                if told is not None and "application/json" in told.get("content", {}):
                    problem = {"$ref": "#/components/schemas/ProblemBody"}
                    told["content"] = {MEDIA_TYPE: {"schema": problem}}
                    told["description"] = "What was asked is not well formed."
        return schema
