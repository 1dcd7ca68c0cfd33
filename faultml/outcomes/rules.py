"""The figures behind changes and drill effects (`outcomes.toml`), typed and checked."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated, Literal

import msgspec

from faultml.rules_file import Count, Positive, Record, Share, load_data

Factor = Annotated[float, msgspec.Meta(gt=1)]


class ClaimRules(Record, frozen=True):
    """From when on a change is claimed."""

    min_swings: Count
    min_controls: Count
    single_reading_deg: Positive
    session_part: Share
    min_deg: Positive
    interval: Share


class Correlation(Record, frozen=True):
    """A correlation of sessions that follow each other, and its prior weight."""

    value: Annotated[float, msgspec.Meta(ge=0, lt=1)]
    weight: Positive


class GroupRules(Record, frozen=True):
    """What is thought of a group before its own sessions have their say."""

    inside_deg: float
    typical_sd_deg: Positive
    between_deg: Positive
    session_deg: Positive
    correlation: Annotated[tuple[Correlation, ...], msgspec.Meta(min_length=1)]
    factor: Factor
    swings_known: Positive


class RateRules(Record, frozen=True):
    """How a share of swings compares with degrees."""

    degrees_per_percent: Positive
    typical: Share


class TrendRules(Record, frozen=True):
    """What changes without a drill."""

    sd_deg: Positive
    factor: Factor
    scatter_known: Positive


class EffectRules(Record, frozen=True):
    """What a drill may bring before anybody has tried it."""

    hoped_deg: Positive
    prior_sd_deg: Positive
    response_deg: Positive
    factor: Factor
    min_players: Count
    max_share: Share


class OutcomeRules(Record, frozen=True):
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
    return load_data(__package__, "outcomes.toml", OutcomeRules)
