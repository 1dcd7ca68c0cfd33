"""``/v1/labels``: the coach's verdicts, in the store that the server was started with."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request

from faultml.results import Results
from faultml.service.answers import LabelIn, Labels, LabelsIn, LabelsKept
from faultml.service.bounded_route import BoundedRoute
from faultml.service.context import Service, service_of
from faultml.service.describe import problems
from faultml.service.problems import MAX_ERRORS, Refusal

router = APIRouter(tags=["labels"], route_class=BoundedRoute)

Who = Annotated[str | None, Query(max_length=1000)]


@router.get(
    "/v1/labels",
    operation_id="labels",
    summary="Verdicts that were kept.",
    response_model=Labels,
    responses=problems(404, 422),
)
async def kept(
    request: Request,
    player: Who = None,
    coach: Who = None,
    history: Annotated[
        bool, Query(description="Every verdict ever given, not only those that hold.")
    ] = False,
    offset: Annotated[int, Query(ge=0, le=10**9)] = 0,
) -> dict[str, Any]:
    """In the order of time, from `offset` on, as many as one answer may hold."""
    service = service_of(request)
    return await service.reading.run(partial(_kept, service, player, coach, history, offset))


@router.post(
    "/v1/labels",
    operation_id="keep_labels",
    summary="Keep verdicts, all of them or none.",
    response_model=LabelsKept,
    responses=problems(403, 404, 408, 409, 413, 415, 422),
)
async def keep(request: Request, body: LabelsIn) -> dict[str, Any]:
    """A later verdict of the same coach holds instead of an earlier one, which stays on record."""
    service = service_of(request)
    most = service.settings.limits.max_labels
    if len(body.labels) > most:
        errors = [("body", "/labels", f"at most {most} verdicts")]
        raise Refusal(422, "too-many-labels", "Too many verdicts in one request.", errors=errors)
    return await service.reading.run(_keep, service, body.labels)


def _kept(
    service: Service, player: str | None, coach: str | None, history: bool, offset: int
) -> dict[str, Any]:
    from faultml.labels import verdicts

    table = verdicts(service.kept_store(), player=player, coach=coach, history=history)
    part = table.iloc[offset : offset + service.settings.limits.max_labels]
    rows = part.astype(object).where(part.notna(), None).to_dict("records")
    return {"total": len(table), "labels": rows}


def _keep(service: Service, labels: list[LabelIn]) -> dict[str, Any]:
    from faultml.labels.verdict import Seen, Verdict, check, keep

    store, catalogue = service.kept_store(), service.assessor.catalogue
    seen = Seen(catalogue, _known(service))
    given = [Verdict(**label.model_dump()) for label in labels]
    errors = [
        ("body", f"/labels/{at}/{wrong.column}", f"expected {wrong.expected}")
        for at, verdict in enumerate(given)
        for wrong in check(verdict, seen)
    ]
    if errors:
        raise Refusal(422, "bad-verdict", "Nothing was kept.", errors=errors[:MAX_ERRORS])
    added = keep(store, given, catalogue)
    return {"added": added.added, "already": added.already}


def _known(service: Service) -> Results | None:
    """The results that each verdict must be about, where the server was started with some."""
    return service.results() if service.settings.results is not None else None
