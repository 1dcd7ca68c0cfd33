"""Errors as problem documents (RFC 9457): a status, a stable code, what was expected, and which fields are wrong."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from http import HTTPStatus
from math import ceil
from typing import Any, Final

import msgspec
from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel
from pydantic_core import ErrorDetails
from starlette.exceptions import HTTPException
from starlette.routing import BaseRoute, Match

from faultml.errors import CatalogueError, FaultmlError, StoreError

MEDIA_TYPE: Final = "application/problem+json"
MAX_ERRORS: Final = 20

_AGAIN_S: Final = {"store-busy": 10.0, "missing-table": 1.0, "damaged-results": 1.0}
"""Codes of what may be over after so long: a writer is at work, or results are just being replaced."""

_MISSING: Final = {"unknown-player", "no-such-path", "not-a-results-folder"}
_CONFLICT: Final = {"forgotten-player"}


class FieldError(BaseModel):
    """What is wrong with one field."""

    part: str
    """``body``, ``query``, ``path`` or ``header``."""
    pointer: str
    """JSON pointer (RFC 6901) into the body, or ``/name`` of a parameter."""
    detail: str


class ProblemDocument(BaseModel):
    """A problem, as RFC 9457 has it; ``type`` is always ``about:blank``, ``code`` says what it is."""

    type: str
    title: str
    status: int
    code: str
    detail: str
    errors: list[FieldError] = []


class Refusal(HTTPException):
    """A request that is not answered.

    Parameters
    ----------
    status
        HTTP status.
    code
        Stable, machine-readable.
    detail
        One sentence for a person; repeats nothing that is about a player.
    errors
        Which fields are wrong: ``part, pointer, detail``.
    retry_s
        After how long the same request may be answered, as far as is known; None: not by waiting.
    """

    def __init__(
        self,
        status: int,
        code: str,
        detail: str,
        *,
        errors: Sequence[tuple[str, str, str]] = (),
        headers: Mapping[str, str] | None = None,
        retry_s: float | None = None,
    ) -> None:
        again = {} if retry_s is None else {"retry-after": str(max(ceil(retry_s), 1))}
        super().__init__(status, detail, {**again, **(headers or {})})
        self.code = code
        self.errors = errors


def document(refusal: Refusal) -> tuple[bytes, dict[str, str]]:
    """The problem document of a refusal, and the headers that go with it."""
    parts = ("part", "pointer", "detail")
    content = {
        "type": "about:blank",
        "title": HTTPStatus(refusal.status_code).phrase,
        "status": refusal.status_code,
        "code": refusal.code,
        "detail": refusal.detail,
        "errors": [dict(zip(parts, each, strict=True)) for each in refusal.errors],
    }
    return msgspec.json.encode(content), {**(refusal.headers or {}), "content-type": MEDIA_TYPE}


def response(refusal: Refusal) -> Response:
    """The answer that says a refusal."""
    body, headers = document(refusal)
    return Response(body, refusal.status_code, headers)


def invalid(errors: Sequence[ErrorDetails | Mapping[str, Any]], part: str = "") -> Refusal:
    """A refusal from what pydantic found wrong; `part` where the places do not begin with it."""
    reported = []
    for error in errors[:MAX_ERRORS]:
        place = list(error["loc"])
        where = part or str(place.pop(0))
        if error["type"] == "json_invalid":
            place = []
        reported.append((where, "".join(f"/{_escaped(step)}" for step in place), str(error["msg"])))
    more = f", the first {MAX_ERRORS} of {len(errors)} reported" if len(errors) > MAX_ERRORS else ""
    fields = "1 field is" if len(errors) == 1 else f"{len(errors)} fields are"
    return Refusal(422, "invalid", f"{fields} not as described{more}.", errors=reported)


def of_error(error: FaultmlError) -> Refusal:
    """A refusal from a typed error of the library; paths of this machine are kept back."""
    words = [f"expected {error.expected}"] if error.expected else []
    if isinstance(error, CatalogueError | StoreError) or error.code in _AGAIN_S:
        status = 503
        words = []
    elif error.code in _MISSING:
        status, words = 404, []
    else:
        status = 409 if error.code in _CONFLICT else 422
        words += [f"found {error.found}"] if error.found else []
    sentence = f"{error.code}: {', '.join(words)}." if words else f"{error.code}."
    return Refusal(status, error.code, sentence, retry_s=_AGAIN_S.get(error.code))


def install(app: FastAPI, routes: Sequence[BaseRoute]) -> None:
    """Answer every error of an app, which has these routes, with a problem document."""

    async def refused(request: Request, error: Exception) -> Response:
        if isinstance(error, Refusal):
            return response(error)
        assert isinstance(error, HTTPException)
        code = HTTPStatus(error.status_code).phrase.lower().replace(" ", "-")
        details = {404: "There is nothing here.", 405: "This cannot be done here."}
        detail = details.get(error.status_code, str(error.detail))
        headers = error.headers
        if error.status_code == 405:  # the router names the methods of the first route that fits, not of all
            headers = {"allow": ", ".join(_allowed(routes, request))}
        return response(Refusal(error.status_code, code, detail, headers=headers))

    async def wrong(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        return response(invalid(error.errors()))

    async def typed(request: Request, error: Exception) -> Response:
        assert isinstance(error, FaultmlError)
        return response(of_error(error))

    app.add_exception_handler(HTTPException, refused)
    app.add_exception_handler(RequestValidationError, wrong)
    app.add_exception_handler(FaultmlError, typed)


def _allowed(routes: Sequence[BaseRoute], request: Request) -> list[str]:
    """Every method that a request's path may be asked with."""
    fitting = [route for route in routes if route.matches(request.scope)[0] is not Match.NONE]
    methods = {method for route in fitting for method in getattr(route, "methods", None) or ()}
    return sorted(methods | ({"HEAD"} if "GET" in methods else set()))


def _escaped(step: object) -> str:
    return str(step).replace("~", "~0").replace("/", "~1")
