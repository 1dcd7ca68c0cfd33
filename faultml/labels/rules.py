"""The figures behind agreement and the next list (`labels.toml`), typed and checked."""

from __future__ import annotations

from functools import lru_cache
from importlib import resources
from typing import Annotated, Literal

import msgspec

from faultml.errors import CatalogueError

Share = Annotated[float, msgspec.Meta(gt=0, lt=1)]
Count = Annotated[int, msgspec.Meta(gt=0)]


class AgreementRules(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """From how many answers on a kappa is told, and how its interval is drawn."""

    min_swings: Count
    min_golfers: Annotated[int, msgspec.Meta(ge=2)]
    draws: Count
    interval: Share
    max_undefined_share: Share
    seed: int


class NextRules(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How long a list is, how mixed, and how many swings are weighed for it."""

    swings: Count
    faults: Count
    max_share_of_one_golfer: Share
    pool_of_one_golfer: Count
    pool: Count
    unseen: Annotated[float, msgspec.Meta(ge=0)]


class Published(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What other raters reached: lowest and highest kappa."""

    words: str
    kappa: tuple[float, float]
    source: str


class OtherRules(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """From how many swings and golfers on a fault outside the catalogue can be learned."""

    min_swings: Count
    min_golfers: Count


class QueueRules(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How often a question is repeated unannounced, how long after, and how many swings are chosen at once."""

    repeat_every: Annotated[int, msgspec.Meta(ge=2)]
    repeat_after: Count
    ahead: Count


class LabelRules(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
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
    text = resources.files(__package__).joinpath("labels.toml").read_text(encoding="utf-8")
    try:
        return msgspec.toml.decode(text, type=LabelRules)
    except msgspec.MsgspecError as error:
        raise CatalogueError(
            "bad-rules", where="labels.toml", expected="the schema of LabelRules", found=str(error)
        ) from error
