"""``/v1/players/{player}/statements`` and giving a drill: what players say, and the care check before a drill is noted.

No answer repeats what was said of a player's body.
"""

from __future__ import annotations

from datetime import date
from functools import partial
from typing import TYPE_CHECKING, Any, cast

from fastapi import APIRouter, Request

from faultml.errors import InputError
from faultml.service.answers import DrillGiven, DrillNoted, Recorded, StatementIn
from faultml.service.book_routes import PlayerName
from faultml.service.bounded_route import BoundedRoute
from faultml.service.context import Service, service_of
from faultml.service.describe import problems
from faultml.service.problems import MAX_ERRORS, Refusal

if TYPE_CHECKING:
    from faultml.care.statements import About

router = APIRouter(tags=["care"], route_class=BoundedRoute)


@router.post(
    "/v1/players/{player:path}/statements",
    operation_id="record_statement",
    status_code=201,
    summary="Record what a player says of pain, earlier trouble or age.",
    response_model=Recorded,
    responses=problems(403, 404, 408, 409, 413, 415, 422),
)
async def say(request: Request, player: PlayerName, body: StatementIn) -> dict[str, Any]:
    """Statements are added and never changed. On the same day pain wins; a return lies on a later day than the pain."""
    service = service_of(request)
    return await service.reading.run(partial(_say, service, player, body))


@router.post(
    "/v1/players/{player:path}/drills",
    operation_id="give_drill",
    status_code=201,
    summary="Note that a player was given a drill.",
    response_model=DrillNoted,
    responses=problems(403, 404, 408, 409, 413, 415, 422),
)
async def give(request: Request, player: PlayerName, body: DrillGiven) -> dict[str, Any]:
    """Asks the care check first: 409 where the player is paused, or where something has to be asked first.

    An answer in `hurts` other than `none` is recorded as said today.
    """
    service = service_of(request)
    return await service.reading.run(partial(_give, service, player, body))


def _say(service: Service, player: str, body: StatementIn) -> dict[str, Any]:
    from faultml.care.record import record
    from faultml.care.statements import Statement, latest_day

    store, today, about = service.kept_store(), date.today(), cast("About", body.about)
    statement = Statement(
        player=player,
        about=about,
        said_on=_day(body.said_on, latest_day(about, today)),
        value=body.value,
        by=body.by,
        role=body.role,
        advice=body.advice,
        guardian=body.guardian,
    )
    try:
        record(store, [statement], service.known_in_store(player).body(player), today)
    except InputError as error:
        if error.code == "forgotten-player":
            raise
        # What is expected may be said; what was found is about somebody's body.
        raise Refusal(422, error.code, f"{error.code}: expected {error.expected}.") from error
    return {"recorded": True}


def _give(service: Service, player: str, body: DrillGiven) -> dict[str, Any]:
    from faultml.coaching.giving import CARE, Giving, check_giving, note_givings, note_pain
    from faultml.plan.day import day_of_results
    from faultml.plan.store_notes import read_notes

    store, today = service.kept_store(), date.today()
    known, recorded = service.known()
    note_pain(store, [{"player": player, "hurts": body.hurts}], today)  # whatever becomes of the drill
    day = "" if body.since else day_of_results(service.results(), read_notes(store), today).day.isoformat()
    cells = {
        "player": player,
        "drill": body.drill,
        "fault": body.fault,
        "since": body.since or day,
        "balls_a_week": "" if body.balls_a_week is None else str(body.balls_a_week),
        "hurts": body.hurts,
    }
    read = check_giving(cells, known, recorded, service.coaching, today)
    if not isinstance(read, Giving):
        errors = [("body", f"/{each.column}", f"expected {each.expected}") for each in read[:MAX_ERRORS]]
        codes = {each.code for each in read}
        if codes <= CARE:
            code = min(codes)
            raise Refusal(409, code, "Care stands against it; no drill was noted.", errors=errors)
        raise Refusal(422, "bad-drill", "Nothing was noted.", errors=errors)
    new = note_givings(store, [read], today)
    return {
        "player": player,
        "drill": read.drill.id,
        "name": read.drill.name,
        "fault": read.given.fault,
        "since": read.given.since,
        "dose": read.dose,
        "new": bool(new),
    }


def _day(written: str, today: date) -> date:
    if not written:
        return today
    try:
        return date.fromisoformat(written)
    except ValueError as error:
        errors = [("body", "/said_on", "expected an ISO date such as 2031-04-05")]
        raise Refusal(422, "bad-date", "Nothing was recorded.", errors=errors) from error
