"""Faults, drills, and the drills of one player."""

from __future__ import annotations

from dataclasses import asdict
from datetime import date
from functools import partial
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request

from faultml.coaching.care_now import drills_now
from faultml.report.listing import Entry, entries
from faultml.service.answers import DRILL_COLUMNS, Entries, PlayerDrills, records
from faultml.service.context import Service, service_of
from faultml.service.describe import CARE, problems
from faultml.service.problems import Refusal

router = APIRouter(tags=["book"])

PlayerName = Annotated[str, Path(min_length=1, max_length=1000, description="As in the recordings.")]
EdgesOf = Annotated[str, Query(max_length=1000, description="Tell the edges that hold for this player.")]


@router.get(
    "/v1/faults",
    operation_id="faults",
    summary="Every fault of the catalogue.",
    response_model=Entries,
    responses=problems(422),
)
async def faults(request: Request, player: EdgesOf = "") -> dict[str, Any]:
    """How each is measured, where its edge is and whose that is, and what it does to the ball."""
    service = service_of(request)
    return _entries(service, "faults", service.assessor.catalogue.digest, player)


@router.get(
    "/v1/drills",
    operation_id="drills",
    summary="Every drill of the book.",
    response_model=Entries,
    responses=problems(),
)
async def drills(request: Request) -> dict[str, Any]:
    """Steps, window, dose and re-test of each. Which one a player may do, the player's own drills tell."""
    service = service_of(request)
    return _entries(service, "drills", service.coaching.book.digest)


@router.get(
    "/v1/players/{player:path}/drills",
    operation_id="player_drills",
    summary="A player's drills.",
    response_model=PlayerDrills,
    responses=problems(404, 422),
)
async def player_drills(request: Request, player: PlayerName) -> dict[str, Any]:
    """From the results the server was started with, else from the season that was classified last.

    The care check is asked again, with what roster and store say now. Rank 1 is the one to work on next; where `care`
    is `show`, something has to be asked before it is given. Rank 0 means none: `reason` and `notes` say why.
    """
    service = service_of(request)
    return await service.reading.run(partial(_player_drills, service, player))


def _player_drills(service: Service, player: str) -> dict[str, Any]:
    results = service.results()
    rows = results.drills
    rows = rows[rows["player"] == player]
    if not len(rows):
        raise Refusal(404, "unknown-player", "The results hold nobody of that name.")
    book = {entry.id: _as_dict(entry) for entry in entries(service.coaching) if entry.part == "drills"}
    known, _ = service.known()
    players = results.players
    now = drills_now(players[players["player"] == player], rows, known, service.coaching, date.today())
    drills = records(now, DRILL_COLUMNS)
    for row in drills:
        row["book"] = book.get(row["drill"])
    finished = str(results.run.get("finished", ""))
    return {"player": player, "classified_at": finished, "care": list(CARE), "drills": drills}


def _entries(service: Service, part: str, digest: str, player: str = "") -> dict[str, Any]:
    chosen = [_as_dict(entry) for entry in entries(service.coaching, player) if entry.part == part]
    owner = service.assessor.catalogue.owner
    return {"owner": owner, "sha256": digest, "care": list(CARE), "entries": chosen}


def _as_dict(entry: Entry) -> dict[str, Any]:
    return {**asdict(entry), "lines": dict(entry.lines)}
