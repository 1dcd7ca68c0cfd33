"""The app: its routes, its request guard and its errors put together."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from typing import Any

from fastapi import APIRouter, FastAPI, Request, Response

from faultml import __version__
from faultml.service import (
    book_routes,
    care_routes,
    label_routes,
    plan_routes,
    practice_routes,
    problems,
    season_routes,
    swing_routes,
)
from faultml.service.answers import AssessIn, Health, Ready
from faultml.service.context import Service, service_of
from faultml.service.describe import SUMMARY, TITLE
from faultml.service.describe import problems as problem_responses
from faultml.service.logs import Event, write
from faultml.service.metrics import MEDIA_TYPE
from faultml.service.problems import ProblemDocument, Refusal
from faultml.service.request_guard import OPEN_PATHS, RequestGuard
from faultml.service.settings import Settings

health = APIRouter(tags=["health"])
figures = APIRouter()


def create_app(settings: Settings) -> FastAPI:
    """The HTTP service.

    Parameters
    ----------
    settings
        Where things lie, who may ask, and every limit.

    Raises
    ------
    FaultmlError
        Where the model, the catalogue, the results or the store cannot be used.
    """
    # No pages of documentation: they would fetch their scripts from elsewhere.
    app = FastAPI(
        title=TITLE,
        summary=SUMMARY,
        version=__version__,
        lifespan=_lifespan,
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
    )
    app.state.service = Service(settings)
    routers = [
        health, swing_routes.router, season_routes.router, book_routes.router, care_routes.router, plan_routes.router,
        label_routes.router, practice_routes.router,
    ]  # fmt: skip
    if app.state.service.metrics is not None:
        routers.append(figures)
    for router in routers:
        app.include_router(router)
    problems.install(app, [*app.routes, *(route for router in routers for route in router.routes)])
    app.add_middleware(RequestGuard, service=app.state.service)
    _describe(app)
    return app


@health.get(
    "/healthz",
    operation_id="healthz",
    summary="The program runs.",
    response_model=Health,
    responses=problem_responses(),
)
async def healthz() -> dict[str, Any]:
    """Needs no token."""
    return {"status": "ok", "version": __version__}


@figures.get("/metrics", include_in_schema=False)
async def metrics(request: Request) -> Response:
    """Figures of this server for Prometheus."""
    service = service_of(request)
    assert service.metrics is not None
    return Response(await service.reading.run(service.metrics.text), media_type=MEDIA_TYPE)


@health.get(
    "/readyz",
    operation_id="readyz",
    summary="The model is ready.",
    response_model=Ready,
    responses=problem_responses(),
)
async def readyz(request: Request) -> dict[str, Any]:
    """Which model it is, by its hash; 503 until it is ready. Needs no token."""
    service = service_of(request)
    if not service.ready:
        raise Refusal(503, "not-ready", "The model is being made ready.", retry_s=2.0)
    return {"status": "ready", "version": __version__, "model": service.model.model_dump()}


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    service: Service = app.state.service
    service.start()
    write(Event("start"))
    tasks = [
        asyncio.create_task(each)
        for each in (service.jobs.run(), service.jobs.sweep(), service.assessing.run(service.warm))
    ]
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
        for task in tasks:
            with suppress(asyncio.CancelledError, Refusal):
                await task
        service.close()
        write(Event("stop"))


def _describe(app: FastAPI) -> None:
    """Complete the description: what is read and written by hand, and the token that all but two routes may ask for."""
    plain = app.openapi

    def openapi() -> dict[str, Any]:
        description = plain()
        components = description.setdefault("components", {})
        for model in (AssessIn, ProblemDocument):
            schema = model.model_json_schema(ref_template="#/components/schemas/{model}")
            components["schemas"] |= {**schema.pop("$defs"), model.__name__: schema}
        for name in ("HTTPValidationError", "ValidationError"):
            components["schemas"].pop(name, None)
        components["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
        for path, methods in description["paths"].items():
            for method in methods.values():
                method["security"] = [{}] if path in OPEN_PATHS else [{"token": []}, {}]
        return description

    app.openapi = openapi  # type: ignore[method-assign]
