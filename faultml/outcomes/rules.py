"""The figures behind changes and drill effects (`outcomes.toml`), typed and checked."""

from __future__ import annotations

from functools import lru_cache
from importlib import resources
from typing import Annotated, Literal

import msgspec

from faultml.errors import CatalogueError

Share = Annotated[float, msgspec.Meta(ge=0, le=1)]
Positive = Annotated[float, msgspec.Meta(gt=0)]
Count = Annotated[int, msgspec.Meta(gt=0)]
Factor = Annotated[float, msgspec.Meta(gt=1)]


class _Record(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Base: no unknown field is let through, nothing changes later."""


class ClaimRules(_Record, frozen=True):
    """From when on a change is claimed."""

    min_swings: Count
    min_controls: Count
    single_reading_deg: Positive
    session_part: Share
    min_deg: Positive
    interval: Share


class Correlation(_Record, frozen=True):
    """A correlation of sessions that follow each other, and its prior weight."""

    value: Annotated[float, msgspec.Meta(ge=0, lt=1)]
    weight: Positive


class GroupRules(_Record, frozen=True):
    """What is thought of a group before its own sessions have their say."""

    inside_deg: float
    typical_sd_deg: Positive
    between_deg: Positive
    session_deg: Positive
    correlation: Annotated[tuple[Correlation, ...], msgspec.Meta(min_length=1)]
    factor: Factor
    swings_known: Positive


class RateRules(_Record, frozen=True):
    """How a share of swings compares with degrees."""

    degrees_per_percent: Positive
    typical: Share


class TrendRules(_Record, frozen=True):
    """What changes without a drill."""

    sd_deg: Positive
    factor: Factor
    scatter_known: Positive


class EffectRules(_Record, frozen=True):
    """What a drill may bring before anybody has tried it."""

    hoped_deg: Positive
    prior_sd_deg: Positive
    response_deg: Positive
    factor: Factor
    min_players: Count
    max_share: Share


class OutcomeRules(_Record, frozen=True):
    """The content of `outcomes.toml`."""

    schema: Literal[1]
    claim: ClaimRules
    group: GroupRules
    rate: RateRules
    trend: TrendRules
    effect: EffectRules


@lru_cache(maxsize=1)
def load_outcome_rules() -> OutcomeRules:
    """The rules of the package; raises `CatalogueError` where they do not fit their schema."""
    text = resources.files(__package__).joinpath("outcomes.toml").read_text(encoding="utf-8")
    try:
        return msgspec.toml.decode(text, type=OutcomeRules)
    except msgspec.MsgspecError as error:
        raise CatalogueError(
            "bad-rules", where="outcomes.toml", expected="the schema of OutcomeRules", found=str(error)
        ) from error
