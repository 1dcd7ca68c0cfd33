"""The figures behind agreement and the next list (`labels.toml`), typed and checked."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated, Literal

import msgspec

from faultml.rules_file import Count, InnerShare, NotNegative, Record, load_data


class AgreementRules(Record, frozen=True):
    """From how many answers on a kappa is reported, and how its interval is drawn."""

    min_swings: Count
    min_golfers: Annotated[int, msgspec.Meta(ge=2)]
    draws: Count
    interval: InnerShare
    max_undefined_share: InnerShare
    seed: int


class NextRules(Record, frozen=True):
    """How long a list is, how mixed, and how many swings are weighed for it."""

    swings: Count
    faults: Count
    max_share_of_one_golfer: InnerShare
    pool_of_one_golfer: Count
    pool: Count
    unseen: NotNegative


class Published(Record, frozen=True):
    """What other raters reached: lowest and highest kappa."""

    words: str
    kappa: tuple[float, float]
    source: str


class OtherRules(Record, frozen=True):
    """From how many swings and golfers on a fault outside the catalogue can be learned."""

    min_swings: Count
    min_golfers: Count


class QueueRules(Record, frozen=True):
    """How often a question is repeated unannounced, how long after, and how many swings are chosen at once."""

    repeat_every: Annotated[int, msgspec.Meta(ge=2)]
    repeat_after: Count
    ahead: Count


class LabelRules(Record, frozen=True):
    """Everything in `labels.toml`."""

    schema: Literal[1]
    agreement: AgreementRules
    next: NextRules
    other: OtherRules
    queue: QueueRules
    published: tuple[Published, ...]


@lru_cache(maxsize=1)
def load_label_rules() -> LabelRules:
    """The package's own `labels.toml`.

    Raises
    ------
    CatalogueError
        ``bad-rules`` where it does not fit its schema.
    """
    return load_data(__package__, "labels.toml", LabelRules)
