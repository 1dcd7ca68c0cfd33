"""Routes whose JSON bodies are bounded, and read in a thread."""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from typing import Any

from fastapi import Request, Response
from fastapi.routing import APIRoute

from faultml.service.context import service_of
from faultml.service.json_bodies import read_json


class BoundedRoute(APIRoute):
    """A route whose JSON body is read by `read_json`, in a thread."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """As FastAPI asks for it."""
        handler = super().get_route_handler()

        async def bounded(request: Request) -> Response:
            return await handler(_BoundedRequest(request.scope, request.receive))

        return bounded


class _BoundedRequest(Request):
    async def json(self) -> Any:
        service, body = service_of(self), await self.body()
        return await service.reading.run(read_json, body)
