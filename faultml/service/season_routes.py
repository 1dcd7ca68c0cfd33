"""``/v1/seasons``: a season is uploaded, classified in its turn, and its results are fetched."""

from __future__ import annotations

import pathlib
from datetime import date
from functools import partial
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response
from fastapi.responses import FileResponse, JSONResponse

from faultml.coaching.care_now import drills_now
from faultml.coaching.explain import EXPLANATIONS_FILE
from faultml.quality.watched import Watch, read_watch
from faultml.results import REPORT_FILE, read_results
from faultml.results.columns import RUN_FILE
from faultml.results.tables import table_parts
from faultml.service.answers import JobOut, JobsOut
from faultml.service.bodies import PARQUET
from faultml.service.context import Service, service_of, uploader
from faultml.service.describe import binary, problems
from faultml.service.jobs import RESULT_FILES, ResultFile
from faultml.service.problems import Refusal
from faultml.service.uploads import CSV, MULTIPART, ROSTER_PART, SEASON_PART, store_upload

router = APIRouter(tags=["seasons"])

JobName = Annotated[str, Path(pattern="^[A-Za-z0-9_-]{10,64}$", description="As the upload was answered.")]

_WITH_DRILLS = ("drills.parquet", EXPLANATIONS_FILE, REPORT_FILE)
_ASKED = ["player", "rank", "drill", "care", "dose", "reason"]
_PLACES = ("roster", "store")

REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; sandbox"
)

_FILE = {"type": "string", "format": "binary"}
_FORM = {
    "type": "object",
    "properties": {SEASON_PART: {"type": "array", "items": _FILE, "minItems": 1}, ROSTER_PART: _FILE},
    "required": [SEASON_PART],
}
_BODY = {
    "required": True,
    "content": {MULTIPART: {"schema": _FORM}, **{kind: binary() for kind in (*PARQUET, *CSV)}},
}
_ANY = {kind.partition(";")[0]: binary() for kind in RESULT_FILES.values()}


@router.post(
    "/v1/seasons",
    operation_id="upload_season",
    status_code=202,
    summary="Upload a season to be classified.",
    response_model=JobOut,
    responses=problems(403, 408, 413, 415, 422),
    openapi_extra={"requestBody": _BODY},
)
async def upload(request: Request, response: Response) -> dict[str, Any]:
    """A season table as one Parquet or long CSV file, or a form with several and a roster.

    Without a roster nobody has said whether anything hurts, and every drill says: ask first.
    """
    service = service_of(request)
    jobs, disk = service.jobs, service.reading
    name = await disk.run(jobs.new, *uploader(request, service))
    try:
        await store_upload(request, jobs.folder(name), service.settings.limits, disk)
        job = await disk.run(jobs.submit, name)
    except BaseException:
        jobs.discard(name)
        raise
    jobs.wake()
    response.headers["location"] = f"/v1/seasons/{name}"
    return jobs.as_dict(job)


@router.get(
    "/v1/seasons",
    operation_id="seasons",
    summary="Every season that is kept.",
    response_model=JobsOut,
    responses=problems(),
)
async def show_all(request: Request) -> dict[str, Any]:
    """In the order of uploads, those of other servers that share the spool included."""
    service = service_of(request)
    found = await service.reading.run(service.jobs.all)
    return {"seasons": [service.jobs.as_dict(job) for job in found]}


@router.get(
    "/v1/seasons/{season}",
    operation_id="season",
    summary="How far a season is.",
    response_model=JobOut,
    responses=problems(404, 422),
)
async def show(request: Request, season: JobName) -> dict[str, Any]:
    """State, progress, what is wrong in the files, and which results there are."""
    service = service_of(request)
    return service.jobs.as_dict(await service.reading.run(service.jobs.get, season))


@router.delete(
    "/v1/seasons/{season}",
    operation_id="remove_season",
    status_code=204,
    summary="Remove a season and everything of it.",
    responses=problems(403, 404, 422),
)
async def remove(request: Request, season: JobName) -> None:
    """Ends it where it runs."""
    service = service_of(request)
    await service.reading.run(service.jobs.get, season)
    service.jobs.stop(season)
    await service.reading.run(service.jobs.discard, season)


@router.get(
    "/v1/seasons/{season}/results/{file}",
    operation_id="season_result",
    summary="Fetch one file of a season's results.",
    response_class=FileResponse,
    responses={200: {"description": "The file.", "content": _ANY}, **problems(404, 409, 422)},
)
async def result(request: Request, season: JobName, file: ResultFile) -> Response:
    """The tables are described in docs/columns.md; the page comes as a file to be saved.

    What holds drills is asked of care again: 409 where that has changed since the season was classified.
    """
    service = service_of(request)
    job = await service.reading.run(service.jobs.get, season)
    results = service.jobs.results(job)
    path = results / file
    if path.is_dir():  # a table of one part
        path = table_parts(path)[0]
    if not job.done or not path.is_file():
        raise _not_there()
    if file in _WITH_DRILLS and await service.reading.run(partial(_care_changed, service, results)):
        detail = "Care says something else now: ask for each player's drills, or send the season again."
        raise Refusal(409, "care-changed", detail)
    if file == RUN_FILE:  # where things lie on this machine is nobody else's business
        run = {name: value for name, value in read_results(results).run.items() if name not in _PLACES}
        return JSONResponse(run, headers={"content-disposition": f'attachment; filename="{file}"'})
    headers = {"content-security-policy": REPORT_POLICY} if file == REPORT_FILE else {}
    return FileResponse(path, media_type=RESULT_FILES[file], filename=file, headers=headers)


@router.get(
    "/v1/seasons/{season}/watch",
    operation_id="season_watch",
    summary="Whether a season is like what the model knows.",
    response_model=Watch,
    responses=problems(404, 422),
)
async def watch(request: Request, season: JobName) -> Watch:
    """For each kind of recorder: which features are unlike training, and what a retraining would need."""
    service = service_of(request)
    job = await service.reading.run(service.jobs.get, season)
    if not job.done:
        raise _not_there()
    return await service.reading.run(lambda: read_watch(read_results(service.jobs.results(job)).run))


def _care_changed(service: Service, folder: pathlib.Path) -> bool:
    """Whether care says something else of any drill than when the results were written."""
    results = read_results(folder)
    known, _ = service.known_of(results, uploaded=True)
    now = drills_now(results.players, results.drills, known, service.coaching, date.today())
    served = [frame[_ASKED].astype(str).to_numpy().tolist() for frame in (results.drills, now)]
    return served[0] != served[1]


def _not_there() -> Refusal:
    return Refusal(404, "no-such-result", "It is not there, or not yet.")
