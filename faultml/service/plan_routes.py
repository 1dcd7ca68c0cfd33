"""``/v1/players/{player}/plan``: which drill a player is on, and why."""

from __future__ import annotations

import datetime as dt
from functools import partial
from typing import Annotated, Any

import msgspec
from fastapi import APIRouter, Path, Query, Request

from faultml.outcomes.words import CLAIMED, POWER
from faultml.plan.of_results import plans_of_results
from faultml.plan.store_notes import read_notes
from faultml.service.answers import PlayerPlanOut
from faultml.service.context import Service, service_of
from faultml.service.describe import CARE, problems
from faultml.service.problems import Refusal

router = APIRouter(tags=["plan"])

PlayerName = Annotated[str, Path(min_length=1, max_length=1000, description="As in the recordings.")]
Day = Annotated[
    dt.date | None,
    Query(
        description="The day, an ISO date; by default today, or the last day of a season that is over or ahead."
    ),
]


@router.get(
    "/v1/players/{player:path}/plan",
    operation_id="player_plan",
    summary="A player's plan.",
    response_model=PlayerPlanOut,
    responses=problems(404, 422),
)
async def player_plan(request: Request, player: PlayerName, on: Day = None) -> dict[str, Any]:
    """State, reason and since when, from the server's results and store up to a day.

    `start`, `carry on`, `change`, `done`, `waits` or `returned`. What came later than the day is not looked at.
    """
    service = service_of(request)
    return await service.reading.run(partial(_player_plan, service, player, on))


def _player_plan(service: Service, player: str, on: dt.date | None) -> dict[str, Any]:
    notes = read_notes(service.kept_store())
    known, _ = service.known()
    today = dt.date.today()
    results = service.results()
    rows = plans_of_results(results, notes, known, service.coaching, on, today)
    for row in rows:
        if row.player == player:
            plan = {**msgspec.structs.asdict(row), "returned": list(row.returned), "ask": list(row.ask)}
            return {"player": player, "care": list(CARE), "plan": plan, "claims": _claims()}
    raise Refusal(404, "unknown-player", "Neither the results nor the store hold anybody of that name.")


def _claims() -> dict[str, Any]:
    """What a claim of change can miss: the numbers of the report's note."""
    power = [
        {"session_sd_deg": sd, "true_gain_deg": gain, "claimed": share}
        for sd, shares in CLAIMED.items()
        for gain, share in shares.items()
    ]
    return {"words": POWER, "power": power}
