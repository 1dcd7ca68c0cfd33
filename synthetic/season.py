"""A synthetic season: golfers, sessions, swings and what is no swing, as recordings, with the truth kept apart."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray

from faultml.faults.catalogue import Catalogue
from faultml.recordings.swings import SwingBatch
from faultml.synthetic.clock import CLOCK_S
from faultml.synthetic.golfers import Golfers, draw_golfers
from faultml.synthetic.latent import draw_motion
from faultml.synthetic.motion import Motion, SwingPlan
from faultml.synthetic.nonswings import DEAD_CHANNEL, MOVEMENTS, NON_SWINGS
from faultml.synthetic.other_activities import LEARNED, draw_other_activities
from faultml.synthetic.padding import concatenate, stack
from faultml.synthetic.patterns import load_patterns
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.sensors import Recorded, draw_recorder, kill_channels, record
from faultml.synthetic.shapes import smooth_step, wobble
from faultml.synthetic.tables import draw_roster, season_table, truth_table

Array = NDArray[np.float64]

_N_GOLFER_NUMBERS: Final = 64


@dataclass(frozen=True)
class GolferSeason:
    """One golfer's recordings and truth.

    Attributes
    ----------
    batch
        What the recorder left.
    truth
        One row a recording: ids, ``kind`` ("full" or a kind of non-swing), true landmark times on the recording's
        clock, ``measure_<fault>``, ``guard_<fault>``, ``size_<fault>``, ``saved_late``.
    phase_deg
        ``(n_recordings, 3, n_phases)`` true curves on the phase grid; NaN for non-swings.
    """

    batch: SwingBatch
    truth: pd.DataFrame
    phase_deg: Array


@dataclass(frozen=True)
class SyntheticSeason:
    """A whole season and its roster."""

    batch: SwingBatch
    truth: pd.DataFrame
    phase_deg: Array
    roster: pd.DataFrame


def draw_season(catalogue: Catalogue, recipe: Recipe, *, jobs: int = 1) -> SyntheticSeason:
    """The whole season in memory; golfers are drawn in parallel and come out in order."""
    golfers = roster_golfers(catalogue, recipe)
    parts = list(iterate_golfers(catalogue, recipe, golfers, jobs=jobs))
    return SyntheticSeason(
        batch=concatenate([part.batch for part in parts]),
        truth=pd.concat([part.truth for part in parts], ignore_index=True),
        phase_deg=np.concatenate([part.phase_deg for part in parts]),
        roster=draw_roster(golfers, recipe),
    )


def roster_golfers(catalogue: Catalogue, recipe: Recipe) -> Golfers:
    """The golfers behind a recipe."""
    golfers = draw_golfers(
        catalogue,
        recipe.golfers,
        np.random.default_rng([recipe.seed, 0]),
        clean_share=recipe.clean_share,
        style_scale=recipe.style_scale,
        slow_start_share=recipe.slow_start_share,
    )
    named = golfers.table["player"].to_numpy(object).copy()
    named[: len(recipe.names)] = recipe.names[: len(named)]
    return replace(golfers, table=golfers.table.assign(player=named))


def iterate_golfers(
    catalogue: Catalogue, recipe: Recipe, golfers: Golfers, *, jobs: int = 1
) -> Iterator[GolferSeason]:
    """Each golfer's season in turn; a golfer's swings depend on the seed and the golfer alone."""
    tasks = (delayed(draw_golfer_season)(catalogue, recipe, golfers, index) for index in range(len(golfers)))
    yield from Parallel(n_jobs=jobs, return_as="generator")(tasks)


def draw_golfer_season(
    catalogue: Catalogue,
    recipe: Recipe,
    golfers: Golfers,
    index: int,
    *,
    change: Callable[[Motion, np.random.Generator], Motion] | None = None,
) -> GolferSeason:
    """The season of one golfer of the roster; `change` makes another motion of the true one before it is recorded."""
    random = np.random.default_rng([recipe.seed, 1, index])
    count = recipe.sessions * recipe.swings
    session = np.repeat(np.arange(recipe.sessions), recipe.swings)
    lesson = int(random.integers(1, recipe.sessions)) if recipe.sessions > 2 else recipe.sessions
    size = _fault_sizes(catalogue, recipe, golfers, index, session, lesson, random)
    plan = SwingPlan(
        table=golfers.table.iloc[[index] * count].reset_index(drop=True),
        style_deg=np.repeat(golfers.style_deg[[index]], count, axis=0),
        range_deg=np.repeat(golfers.range_deg[[index]], count, axis=0),
        size=size,
        golfer_random=np.repeat(random.normal(0, recipe.style_scale, (1, _N_GOLFER_NUMBERS)), count, axis=0),
    )
    motion = draw_motion(catalogue, plan, random)
    if change is not None:
        motion = change(motion, random)
    angles_deg, kind = _replace_non_swings(motion, recipe, random)
    angles_deg = _surround(angles_deg, motion, np.isin(kind, ["full", DEAD_CHANNEL]), random)
    recorded = _record_sessions(angles_deg, motion, kind, session, recipe, random)
    recorded = kill_channels(recorded, np.flatnonzero(kind == DEAD_CHANNEL), random)
    table = season_table(catalogue, recipe, golfers, index, session, lesson, motion, kind, recorded, random)
    batch = SwingBatch(
        table=table,
        t_s=recorded.t_s,
        angles_deg=recorded.angles_deg,
        n_samples=np.isfinite(recorded.t_s).sum(axis=1),
    )
    full = kind == "full"
    return GolferSeason(
        batch=batch,
        truth=truth_table(catalogue, table, kind, motion, size, recorded),
        phase_deg=np.where(full[:, None, None], motion.phase_deg, np.nan),
    )


def _fault_sizes(
    catalogue: Catalogue,
    recipe: Recipe,
    golfers: Golfers,
    index: int,
    session: NDArray[np.int64],
    lesson: int,
    random: np.random.Generator,
) -> Array:
    """``(n_swings, n_faults)`` sizes past the edge: drifting over sessions, smaller after a lesson, sometimes back."""
    worst = golfers.fault_size[index]
    softness = catalogue.softness_by_fault
    repeatability = float(golfers.table["repeatability"].iloc[index])
    if recipe.shuffle_faults:
        patterns = load_patterns()
        low = np.array([patterns[fault].size.low for fault in catalogue.ids])
        high = np.array([patterns[fault].size.high for fault in catalogue.ids])
        share = random.beta(1.3, 1.5, (len(session), len(worst)))
        shown = random.random((len(session), len(worst))) < 0.75
        return np.where(np.isfinite(worst) & shown, low + share * (high - low), np.nan)
    level = 1 + np.cumsum(random.normal(0, 0.08, (recipe.sessions, len(worst))), axis=0)
    taught = int(np.nanargmax(worst / softness)) if np.isfinite(worst).any() else 0
    holds = random.random() < 0.7
    after = np.arange(recipe.sessions) >= lesson
    relapsed = np.arange(recipe.sessions) >= lesson + 2
    level[after, taught] *= random.uniform(0.05, 0.4)
    if not holds:
        level[relapsed, taught] *= 4.0
    own = random.normal(0, 0.6, (len(session), len(worst))) * repeatability * softness
    return worst * np.clip(level, 0, 1.2)[session] - softness * (1 - np.clip(level, 0, 1))[session] + own


def _replace_non_swings(
    motion: Motion, recipe: Recipe, random: np.random.Generator
) -> tuple[Array, NDArray[np.object_]]:
    count = len(motion.d_deg)
    kind = np.full(count, "full", dtype=object)
    replaced = np.flatnonzero(random.random(count) < recipe.non_swing_share)
    weights = np.array(list(NON_SWINGS.values()))
    kind[replaced] = random.choice(list(NON_SWINGS), len(replaced), p=weights / weights.sum())
    angles_deg = motion.angles_deg
    for name, make in MOVEMENTS.items():
        rows = np.flatnonzero(kind == name)
        if len(rows):
            angles_deg[rows] = make(_rows(motion, rows), random)
    if recipe.other_activity_share:
        foreign = random.random(count) < recipe.other_activity_share
        kind = np.where(foreign, random.choice(LEARNED, count), kind)
        for name in np.unique(kind[foreign]):
            rows = np.flatnonzero(foreign & (kind == name))
            angles_deg[rows] = draw_other_activities(name, len(rows), random)
    return angles_deg, kind


def _rows(motion: Motion, rows: NDArray[np.int64]) -> Motion:
    return Motion(**{name: getattr(motion, name)[rows] for name in motion.__dataclass_fields__})


def _surround(
    angles_deg: Array, motion: Motion, full: NDArray[np.bool_], random: np.random.Generator
) -> Array:
    """What happens about a full swing: a waggle before the still address, the club let down after the finish."""
    count = len(angles_deg)
    still_s = random.uniform(0.25, 0.8, count)
    waggles = full & (random.random(count) < 0.3)
    window = smooth_step(CLOCK_S[None], np.full(count, -2.9), np.full(count, -2.6))
    window = window * (1 - smooth_step(CLOCK_S[None], -still_s - 0.4, -still_s))
    amplitude = random.uniform(1, 9, (count, 3)) * waggles[:, None]
    angles_deg = angles_deg + wobble(CLOCK_S, amplitude, random, 0.7, 2.0) * window[:, None]

    lets_down = full & (random.random(count) < 0.4)
    finish = motion.landmarks_s[:, 3]
    down_from = finish + random.uniform(0.05, 0.5, count)
    share = (
        smooth_step(CLOCK_S[None], down_from, down_from + random.uniform(0.5, 1.2, count))
        * lets_down[:, None]
    )
    at_address = motion.address_deg[:, :, None] + random.normal(0, 8, (count, 3, 1))
    angles_deg = angles_deg + share[:, None] * (at_address - angles_deg)
    sway = wobble(CLOCK_S, np.full((count, 3), 0.25), random, 0.1, 0.6)
    return angles_deg + sway


def _record_sessions(
    angles_deg: Array,
    motion: Motion,
    kind: NDArray[np.object_],
    session: NDArray[np.int64],
    recipe: Recipe,
    random: np.random.Generator,
) -> Recorded:
    """One recorder for the season, put on anew each session."""
    recorder = draw_recorder(
        random, mounting_scale=recipe.mounting_scale, noise_scale=recipe.noise_scale, rate_hz=recipe.rate_hz
    )
    count = len(kind)
    address_s, tail_s = random.uniform(*recorder.address_s, count), random.uniform(*recorder.tail_s, count)
    full = np.isin(kind, ["full", DEAD_CHANNEL])
    impact, finish = motion.landmarks_s[:, 2], motion.landmarks_s[:, 3]
    first_s = -np.minimum(address_s, 2.4)
    last_s = np.where(full, np.maximum(impact + tail_s, impact + 0.15), random.uniform(1.2, 4.5, count))
    slow = np.isin(kind, ["half_speed", "broken_off", "chip"])
    last_s = np.minimum(np.where(slow, np.maximum(last_s, 1.7 * finish), last_s), CLOCK_S[-1] - 0.1)
    contact = np.where(full | np.isin(kind, ["chip", "putt"]), impact, np.nan)
    parts = []
    for number in np.unique(session):
        rows = np.flatnonzero(session == number)
        worn = draw_recorder(random, mounting_scale=recipe.mounting_scale)
        parts.append(
            record(
                angles_deg[rows],
                first_s[rows],
                last_s[rows],
                contact[rows],
                replace(recorder, mounting=worn.mounting),
                random,
            )
        )
    return Recorded(
        t_s=stack([part.t_s for part in parts]),
        angles_deg=stack([part.angles_deg for part in parts]),
        impact_s=np.concatenate([part.impact_s for part in parts]),
        start_s=np.concatenate([part.start_s for part in parts]),
    )
