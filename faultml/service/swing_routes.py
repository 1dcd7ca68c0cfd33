"""``/v1/assess``: swings in, what is known of them out."""

from __future__ import annotations

from typing import Any

import msgspec
import pyarrow as pa
from fastapi import APIRouter, Request, Response

from faultml.assessing import AssessedSwings, assess_swings
from faultml.errors import InputError
from faultml.recordings.problems import problems_frame
from faultml.results import SWINGS
from faultml.service.answers import FAULT_COLUMNS, PROBLEM_COLUMNS, Assessed, AssessIn, records
from faultml.service.bodies import JSON, PARQUET, read_body
from faultml.service.context import Service, service_of
from faultml.service.describe import binary, json_answer, json_body, problems

router = APIRouter(tags=["swings"])

_BODY = {
    "required": True,
    "content": {JSON: json_body(AssessIn), **{kind: binary() for kind in PARQUET}},
}


@router.post(
    "/v1/assess",
    operation_id="assess",
    summary="Assess one or many swings.",
    responses={
        200: json_answer(Assessed, "Every swing, in the order asked."),
        **problems(403, 408, 413, 415, 422),
    },
    openapi_extra={"requestBody": _BODY},
    response_class=Response,
)
async def assess(request: Request) -> Response:
    """Swings as JSON, or as Parquet in the season table's format. Nothing of them is kept."""
    service = service_of(request)
    body = await request.body()
    kind = request.headers.get("content-type", "")
    return Response(await service.assessing.run(_answer, service, body, kind), media_type=JSON)


def _answer(service: Service, body: bytes, kind: str) -> bytes:
    try:
        table = read_body(body, kind, service.settings.limits)
        assessed = assess_swings(table, assessor=service.assessor)
    except pa.ArrowException as error:
        raise InputError("wrong-type", expected="the season table") from error
    return msgspec.json.encode(assessed_answer(service, assessed))


def assessed_answer(service: Service, assessed: AssessedSwings) -> dict[str, Any]:
    """An answer as `faultml.service.answers.Assessed`."""
    swings = records(assessed.swings, SWINGS)
    faults = records(assessed.faults, FAULT_COLUMNS)
    each = len(service.assessor.catalogue.ids)
    for at, swing in enumerate(swings):
        swing["faults"] = faults[at * each : (at + 1) * each]
    return {
        "model": service.model.model_dump(),
        "catalogue_owner": service.assessor.catalogue.owner,
        "swings": swings,
        "problems": records(problems_frame(assessed.problems), PROBLEM_COLUMNS),
    }
