"""What every route's description shares: problem documents, bodies that are read by hand, and fixed sentences."""

from __future__ import annotations

from typing import Any, Final

from pydantic import BaseModel

from faultml.service.problems import MEDIA_TYPE, ProblemDocument

TITLE: Final = "faultml"
SUMMARY: Final = "Lead-wrist swing faults and drills, over HTTP."

CARE: Final = (
    "No drill while hand, wrist, forearm or elbow hurts, is numb, clicks or is weak, nor with pain elsewhere, until"
    " a return to practice is recorded by name. See a clinician.",
    "Stop any drill that hurts.",
    "Age and earlier trouble rule drills out: only a player's own drills take that into account.",
)
"""Goes with every answer that holds drills."""

_DESCRIPTIONS: Final = {
    400: "The request cannot be read.",
    401: "The token is missing or another.",
    403: "A page of another site asks.",
    404: "There is no such thing.",
    408: "The body did not arrive in time.",
    409: "It stands against what was agreed (the player has asked to be forgotten), or care stands against it.",
    413: "The body is too large.",
    415: "The body is of another type.",
    421: "The Host header names another server.",
    422: "Something in it is not as described; `errors` names each field.",
    429: "Too much of one client at once.",
    503: "Too much at once of all, or it took too long. Try again after Retry-After.",
}


def problems(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """The problem documents a route may answer with, beside those that any may."""
    listed = sorted({400, 401, 421, 429, 503, *statuses})
    schema = {"$ref": f"#/components/schemas/{ProblemDocument.__name__}"}
    return {
        status: {"description": _DESCRIPTIONS[status], "content": {MEDIA_TYPE: {"schema": schema}}}
        for status in listed
    }


def json_answer(model: type[BaseModel], description: str) -> dict[str, Any]:
    """The description of an answer that is written by hand."""
    return {"model": model, "description": description}


def json_body(model: type[BaseModel]) -> dict[str, Any]:
    """Schema of a body that is read by hand."""
    return {"schema": {"$ref": f"#/components/schemas/{model.__name__}"}}


def binary() -> dict[str, Any]:
    """Schema of a file."""
    return {"schema": {"type": "string", "format": "binary"}}
