"""The HTTP API of what is kept: history, trips, journal, calibration, data sheets. Shapes: see `ports.Reader`."""

from __future__ import annotations

from collections.abc import Awaitable
from typing import Annotated, Any, TypeVar

from fastapi import APIRouter, Path, Query, Request
from fastapi.responses import Response

from nightrake.errors import NightrakeError
from nightrake.page import shapes
from nightrake.page.api import Drive, OneDrive, UtcMs, known_drive
from nightrake.page.ports import Reader
from nightrake.page.problems import Problem
from nightrake.page.shapes import answers
from nightrake.page.visits import looker, room_of

kept_api = APIRouter(prefix="/api/v1")

T = TypeVar("T")
Trip = Annotated[str, Path(max_length=128, description="Name of a trip, as the list has it.")]
NO_READER = "what is kept cannot be read now; the process that reads it does not run"
COLUMNS, READINGS = 2000, 40_000
"""At most in one answer."""


def reader_of(request: Request) -> Reader:
    """Who reads what is kept.

    Raises:
        Problem: 401 where looking needs a sign-in; 503 while nobody reads.
    """
    looker(request)
    reader = room_of(request).reader
    if reader is None:
        raise Problem(503, NO_READER)
    return reader


async def read(asked: Awaitable[T]) -> T:
    """What a reader gives.

    Raises:
        Problem: 404 where there is no such thing; 503 where it cannot be read.
    """
    try:
        return await asked
    except LookupError as error:
        raise Problem(404, str(error.args[0]) if error.args else "there is no such thing") from error
    except NightrakeError as error:
        raise Problem(503, str(error)) from error


@kept_api.get("/history", summary="One signal over time", responses=answers(shapes.HISTORY, 404, 422, 503))
async def history(
    request: Request,
    drive: OneDrive,
    signal: Annotated[str, Query(max_length=64, description="As `signals` lists them; for instance torque_nm.")],
    begin: UtcMs,
    end: UtcMs,
    columns: Annotated[int, Query(ge=1, le=COLUMNS, description="At most so many columns.")] = 1000,
) -> Response:
    """Min, mean and max of each column, from readings or summaries, whichever fits."""
    _check_span(begin, end)
    return _json(await read(reader_of(request).history(drive, signal, begin, end, columns)))


@kept_api.get("/signals", summary="What is recorded of a drive", responses=answers(shapes.SIGNALS, 404, 503))
async def signals(request: Request, drive: OneDrive) -> dict[str, Any]:
    """Signals with their units, set points, and since when there are readings."""
    return await read(reader_of(request).signals(drive))


@kept_api.get("/marks", summary="Events of a drive, to be marked on a chart", responses=answers(shapes.MARKS, 404, 503))
async def marks(request: Request, drive: OneDrive, begin: UtcMs, end: UtcMs) -> dict[str, Any]:
    """Between two times."""
    _check_span(begin, end)
    return await read(reader_of(request).marks(drive, begin, end))


@kept_api.get("/trips", summary="Kept trips, the newest first", responses=answers(shapes.TRIPS, 404, 503))
async def trips(
    request: Request,
    drive: OneDrive = "",
    stage: Annotated[str, Query(max_length=16, description="alarm or shutdown; empty for both.")] = "",
    skip: Annotated[int, Query(ge=0, lt=2**31)] = 0,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> dict[str, Any]:
    """Page by page."""
    return await read(reader_of(request).trips(drive, stage, skip, limit))


@kept_api.get("/trips/{trip}", summary="One trip", responses=answers(shapes.TRIP, 404, 503))
async def trip(request: Request, trip: Trip) -> dict[str, Any]:
    """What happened around it, and under which set points and calibration."""
    return await read(reader_of(request).trip(trip))


@kept_api.get("/trips/{trip}/readings", summary="A trip at full rate", responses=answers(shapes.READINGS, 404, 503))
async def trip_readings(
    request: Request,
    trip: Trip,
    begin: UtcMs = 0,
    end: UtcMs = 0,
    columns: Annotated[int, Query(ge=1, le=READINGS, description="Thinned where there are more readings.")] = 4000,
) -> Response:
    """The seconds before and after; a part of them between two times."""
    return _json(await read(reader_of(request).trip_readings(trip, begin, end, columns)))


@kept_api.get("/journal", summary="Rows of the journal, the newest first", responses=answers(shapes.ROWS, 404, 503))
async def journal(
    request: Request,
    drive: OneDrive = "",
    before: Annotated[int, Query(ge=0, lt=2**63, description="Rows below this number; 0 = the newest.")] = 0,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> dict[str, Any]:
    """Page by page, with their words."""
    return await read(reader_of(request).journal(drive, before, limit))


CALIBRATION = answers(shapes.RECORD, 404, 503)


@kept_api.get("/calibration/{drive}", summary="The calibration behind the torque", responses=CALIBRATION)
async def calibration(request: Request, drive: Drive) -> dict[str, Any]:
    """The record in force of each direction."""
    return await read(reader_of(request).calibration(drive))


@kept_api.get("/sheet/{drive}", summary="A drive's data sheet", responses=answers(shapes.SHEET, 404, 503))
async def sheet(request: Request, drive: Drive) -> dict[str, Any]:
    """As `nightrake specify` prints it."""
    return await read(reader_of(request).sheet(drive))


@kept_api.get("/creep", summary="Torque creep of every drive", responses=answers(shapes.CREEP, 404, 503))
async def creep(request: Request) -> Response:
    """As it was judged last, the first to reach its alarm point first; an estimate, and no judgement of safety."""
    return _json(await read(reader_of(request).creep()))


@kept_api.get("/creep/{drive}", summary="A drive's torque creep", responses=answers(shapes.CREEP_OF, 404, 503))
async def creep_of(request: Request, drive: Drive) -> Response:
    """Each direction that was judged, with its days."""
    reader = reader_of(request)
    return _json(await read(reader.creep_of(known_drive(room_of(request).scene, drive))))


def _check_span(begin: int, end: int) -> None:
    if end <= begin:
        raise Problem(422, "'end' is after 'begin'")


def _json(text: bytes) -> Response:
    return Response(text, media_type="application/json")
