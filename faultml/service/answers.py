"""What is asked and answered, as types: swings and verdicts in, tables out with the columns of the results."""

from __future__ import annotations

from collections.abc import Mapping
from types import GenericAlias
from typing import Annotated, Any, Final, Literal, Optional

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, create_model

from faultml.plan.table import PLANS
from faultml.results import FAULTS, SWINGS
from faultml.results.tables import Kind

MAX_LABELS: Final = 10_000
"""Of the contract; a server's own limit is lower."""

Samples = list[float | None]
Text = Annotated[str, Field(max_length=1000)]
Words = Annotated[str, Field(max_length=500)]
Id = Annotated[str, Field(min_length=1, max_length=200)]


class Strict(BaseModel):
    """What is asked; an unknown field is an error and not passed over."""

    # No NaN, no infinity, no 1e999: JSON has none of them, and null says what is missing.
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class SwingIn(Strict):
    """A swing, with the names, units and signs of the season table. A sample that is missing is null."""

    t_s: Samples = Field(description="Sample times, s, strictly increasing.")
    flexion_deg: Samples = Field(description="Lead wrist, degrees: + flexion (bowed), - extension (cupped).")
    ulnar_deg: Samples = Field(description="Degrees: + ulnar (unhinged), - radial deviation (hinged).")
    pronation_deg: Samples | None = Field(
        None, description="Forearm, degrees: + pronation; null: not recorded."
    )
    impact_s: float | None = Field(None, description="Contact, s, where the recorder marks it.")
    impact_sd_s: float | None = Field(None, description="How surely it is marked, SD, s, 0 to 0.1.")
    impact_from: Literal["recorder", "shock", "coach"] | None = Field(
        None, description="What marked it; null: the recorder."
    )
    mounting_sd_deg: float | None = Field(
        None, description="How surely the sensor's turn is known, SD, degrees."
    )
    declared_rate_hz: float | None = Field(None, description="Samples a second that the recorder states.")
    player: Text | None = None
    session: Text | None = None
    swing: Text | None = None
    hand: Literal["right", "left"] | None = None
    club: Text | None = None
    context: Literal["play", "practice", "retest"] | None = None
    shot: list[Text] | None = Field(
        None, max_length=50, description="What the ball did: words of the season table."
    )


class AssessIn(Strict):
    """Swings to assess."""

    swings: list[SwingIn] = Field(min_length=1)


class LabelIn(Strict):
    """A coach's verdict on one fault of one swing."""

    player: Id
    session: Id
    swing: Id
    fault: Id
    verdict: Literal["yes", "no", "unsure", "retract"]
    coach: Id
    severity: float | None = Field(None, description="How far past the edge, in the fault's unit.")
    unit: Literal["", "deg", "share"] = ""
    occasion: Id = "1"
    when: str = Field("", description="ISO 8601, UTC; empty: now.", max_length=40)
    comment: str = Field("", max_length=2000)


class LabelsIn(Strict):
    """Verdicts to keep, all of them or none."""

    labels: list[LabelIn] = Field(min_length=1, max_length=MAX_LABELS)


class LabelsKept(BaseModel):
    """How many verdicts were new, and how many only said what already held."""

    added: int
    already: int


class Label(BaseModel):
    """A verdict that was kept."""

    player: str
    session: str
    swing: str
    fault: str
    verdict: str
    severity: float | None
    unit: str
    coach: str
    occasion: str
    when: str
    comment: str


class Labels(BaseModel):
    """A part of the verdicts; `total` of all."""

    total: int
    labels: list[Label]


class StatementIn(Strict):
    """What a player says of pain, earlier trouble or age, or a return to practice."""

    about: Words = Field(
        description="pain, none, practised, return, birth_year, experienced, name (the roster's name is nobody"
        " recorded), or a history: ulnar_history, thumb_history, elbow_history, nerve_history, hamate_history."
    )
    value: Words = Field(
        "", description="Where it hurts; `yes` or `no` to a history or `experienced`; the year of birth."
    )
    said_on: str = Field("", description="ISO date; empty: today.", max_length=10)
    by: Words = Field("", description="Who records it.")
    role: Words = Field("", description="Of a return: as what, a role of docs/care.md such as coach.")
    advice: Words = Field("", description="Of a return: on whose advice, `role` or `role: name`.")
    guardian: Words = Field("", description="Of a return: the guardian of a player under 16.")


class Recorded(BaseModel):
    """It was recorded."""

    recorded: bool


class DrillGiven(Strict):
    """A drill to be given."""

    drill: Text = Field(description="Its id or its name.")
    fault: Text = Field("", description="For which fault; empty: the drill's first.")
    since: Text = Field(
        "", description="ISO date or session; empty: the day of the plan, as `GET .../plan` has it."
    )
    balls_a_week: Annotated[int, Field(gt=0, lt=100_000)] | None = None
    hurts: Text = Field("", description="`none` where the player was asked today; empty where nobody asked.")


class DrillNoted(BaseModel):
    """A drill that was noted, and how much of it care allows."""

    player: str
    drill: str
    name: str
    fault: str
    since: str
    dose: str
    new: bool


class ModelOut(BaseModel):
    """Which model answered."""

    name: str
    version: str
    sha256: str


class Health(BaseModel):
    """The program runs."""

    status: Literal["ok"]
    version: str


class Ready(BaseModel):
    """The model is loaded, and every kernel compiled."""

    status: Literal["ready"]
    version: str
    model: ModelOut


class EntryOut(BaseModel):
    """A fault or a drill as the coach reads it; `lines` says everything about it by its label."""

    id: str
    part: Literal["faults", "drills"]
    name: str
    words: str
    lines: dict[str, str | list[str]]


class Entries(BaseModel):
    """Faults or drills, whose they are, and what holds for everybody who practises."""

    owner: str
    sha256: str
    care: list[str]
    entries: list[EntryOut]


_TYPES: Final[dict[Kind, Any]] = {
    "text": str,
    "number": Optional[float],  # noqa: UP045 - a value, not an annotation
    "whole": Optional[int],  # noqa: UP045
    "flag": bool,
    "words": list[str],
    "numbers": list[float],
}

IDS: Final = ("player", "session", "swing")
FAULT_COLUMNS: Final = {name: kind for name, kind in FAULTS.items() if name not in IDS}
DRILL_COLUMNS: Final[dict[str, Kind]] = {
    "rank": "whole",
    "drill": "text",
    "priority": "number",
    "care": "text",
    "confidence": "text",
    "notes": "words",
    "faults": "words",
    **dict.fromkeys(("window_fault", "window_channel", "window_reference", "window_from", "window_to"), "text"),
    **dict.fromkeys(("window_must", "window_side"), "text"),
    **dict.fromkeys(("window_bound_deg", "window_guard_deg", "window_max_sd"), "number"),
    **dict.fromkeys(("dose", "retest", "retest_due", "reason"), "text"),
}  # fmt: skip
PROBLEM_COLUMNS: Final[dict[str, Kind]] = {
    **dict.fromkeys((*IDS, "code", "expected", "found"), "text"),
}


def _model(name: str, doc: str, columns: Mapping[str, Kind], **more: Any) -> Any:
    fields: dict[str, Any] = {column: (_TYPES[kind], ...) for column, kind in columns.items()}
    return create_model(name, __doc__=doc, **fields, **more)


def _many(model: Any) -> Any:
    return GenericAlias(list, (model,))


FaultOut = _model("FaultOut", "A row of the table ``faults``.", FAULT_COLUMNS)
SwingOut = _model(
    "SwingOut", "A row of the table ``swings``, with its rows of ``faults``.", SWINGS,
    faults=(_many(FaultOut), ...),
)  # fmt: skip
ProblemOut = _model("ProblemOut", "Something wrong with a swing as it was sent.", PROBLEM_COLUMNS)
Assessed = create_model(
    "Assessed",
    __doc__="Every swing, in the order asked; one that could not be assessed says why.",
    model=(ModelOut, ...),
    catalogue_owner=(str, ...),
    swings=(_many(SwingOut), ...),
    problems=(_many(ProblemOut), ...),
)
DrillOut = _model(
    "DrillOut", "A row of the table ``drills``, with the drill as the book has it (null where there is none).",
    DRILL_COLUMNS, book=(Optional[EntryOut], ...),  # noqa: UP045
)  # fmt: skip
PlayerDrills = create_model(
    "PlayerDrills",
    __doc__="A player's drills, rank 1 the one to work on next; rank 0 is none, and its reason and notes say why.",
    player=(str, ...),
    classified_at=(str, ...),
    care=(list[str], ...),
    drills=(_many(DrillOut), ...),
)

PlanOut = _model("PlanOut", "A row of the table ``plans``.", PLANS)


class ClaimedOut(BaseModel):
    """How often a true gain is claimed: share of players in simulated groups of 12, three sessions a side."""

    session_sd_deg: float
    true_gain_deg: float
    claimed: float


class ClaimsOut(BaseModel):
    """What a claim of change can miss, in words and numbers, as the report says it."""

    words: str
    power: list[ClaimedOut]


PlayerPlanOut = create_model(
    "PlayerPlanOut",
    __doc__="Which drill a player is on on a day: state, reason, since when, and what is counted.",
    player=(str, ...),
    care=(list[str], ...),
    plan=(PlanOut, ...),
    claims=(ClaimsOut, ...),
)


class JobProblem(BaseModel):
    """How often something is wrong in the files, in the order in which they were found."""

    file: str
    code: str
    count: int


class JobOut(BaseModel):
    """A season that was uploaded."""

    id: str
    state: Literal["waiting", "running", "done", "failed", "interrupted"]
    progress: float = Field(description="Share of the swings that have been assessed.")
    swings: int
    assessed: int
    problems: list[JobProblem]
    reason: str = Field(description="Why it failed, or what a person should know; else empty.")
    results: list[str] = Field(description="Names of the results that are there.")
    uploaded_at: str = Field(description="ISO 8601, UTC.")
    ended_at: str = Field(description="ISO 8601, UTC; empty until it has ended.")


class JobsOut(BaseModel):
    """Every season that is kept, in the order of uploads."""

    seasons: list[JobOut]


def records(frame: pd.DataFrame, columns: Mapping[str, Kind]) -> list[dict[str, Any]]:
    """Rows of a result table as JSON takes them: null for what is not a number, "" for no text, lists for words."""
    listed: dict[str, list[Any]] = {}
    for name, kind in columns.items():
        column = frame[name]
        if kind == "number":
            listed[name] = [
                value if np.isfinite(value) else None for value in column.to_numpy(float).tolist()
            ]
        elif kind == "whole":
            listed[name] = [None if pd.isna(value) else int(value) for value in column]
        elif kind == "flag":
            listed[name] = column.to_numpy(bool).tolist()
        elif kind == "text":
            listed[name] = [value if isinstance(value, str) else "" for value in column]
        else:
            listed[name] = [list(value) for value in column]
    return [dict(zip(listed, row, strict=True)) for row in zip(*listed.values(), strict=True)]
