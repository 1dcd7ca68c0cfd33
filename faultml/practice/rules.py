"""The figures of practice (`practice.toml`), typed and checked."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated, Literal

import msgspec

from faultml.errors import CatalogueError
from faultml.rules_file import Count, InnerShare, Positive, Record, Share, load_data

Shares = Annotated[tuple[Share, ...], msgspec.Meta(min_length=2)]


class StreamRules(Record, frozen=True):
    """How samples are framed, and what is wrong with them."""

    frame_s: Positive
    lost_s: Positive
    silent_s: Positive
    late_share: InnerShare
    late_of: Count
    turn_deg: Positive
    turn_quiet_deg: Positive
    dead_s: Positive
    drift_deg: Positive
    drift_s: Positive
    min_rate_hz: Positive


class StopRules(Record, frozen=True):
    """When the wrist stands still, and when it is too fast for a rehearsal."""

    stop_s: Positive
    still_deg: Positive
    rough_factor: Positive
    split_deg: Positive
    fast_dps: Positive
    swing_dps: Positive
    settle_s: Positive


class RepetitionRules(Record, frozen=True):
    """What a repetition is."""

    setup_deg: Positive
    near_deg: Positive
    moved_setups: Count
    agree_deg: Positive
    setup_again_s: Positive
    min_s: Positive
    max_s: Positive
    hold_end_s: Positive
    after_last_s: Positive
    max_turns: Count
    max_turns_per_s: Positive
    turn_deg: Positive


class StationRules(Record, frozen=True):
    """How a stop is recognised as a station."""

    max_distance: Positive
    passing_distance: Positive
    home_deg: Positive
    near_distance: Positive
    judged_weight: InnerShare
    outward_weight: Positive
    outward_per_deg: Positive


class CueRules(Record, frozen=True):
    """When a cue sounds."""

    on_deg: Positive
    on_s: Positive
    doubt_share: InnerShare
    base_doubt_deg: tuple[Positive, Positive, Positive]
    mounting_sd_deg: Positive
    stop_s: Positive


class SetRules(Record, frozen=True):
    """How much feedback a set has, and when."""

    result_after_s: Positive
    enough: InnerShare
    min_judged: Count
    days: Shares
    live_sets: Count
    counts_from: InnerShare
    rest_s: Positive
    mistake_s: Positive


class PracticeRules(Record, frozen=True):
    """All figures of practice."""

    schema: Literal[1]
    stream: StreamRules
    stops: StopRules
    repetition: RepetitionRules
    stations: StationRules
    cue: CueRules
    set: SetRules


@lru_cache(maxsize=1)
def load_practice_rules() -> PracticeRules:
    """The figures of the package; raises `CatalogueError` where they contradict each other."""
    rules = load_data(__package__, "practice.toml", PracticeRules)
    shares = rules.set.days
    if shares[0] != 1 or list(shares) != sorted(set(shares), reverse=True):
        raise CatalogueError(
            "bad-rules", where="practice.toml", expected="set.days to fall from 1", found=str(shares)
        )
    if rules.repetition.near_deg <= rules.repetition.setup_deg:
        raise CatalogueError("bad-rules", where="practice.toml", expected="near_deg over setup_deg")
    return rules
