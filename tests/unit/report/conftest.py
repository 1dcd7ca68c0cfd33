"""Made-up result tables of a made-up academy, so that the page is tested without a model or a generator."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pytest
from care_fakes import TODAY, known_of
from scipy.interpolate import PchipInterpolator
from scipy.stats import norm

from faultml.channels import CHANNELS
from faultml.coaching.book import load_book
from faultml.coaching.closures import sum_closures
from faultml.coaching.prescribe import prescribe
from faultml.coaching.retest import read_retests
from faultml.coaching.rules import Coaching, load_rules
from faultml.coaching.summary import summarise
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.faults.measure import PHASE_GRID, evaluate_all, late_save
from faultml.report.page import render_report
from faultml.report.source import ReportSource

ANCHORS = (0.0, 0.35, 0.5, 0.8, 1.0, 1.3, 1.6, 2.0, 2.3, 3.0)
NEUTRAL = {
    "flexion_deg": (0, 1, 2, 4, 4, 5, 9, 14, 8, -12),
    "ulnar_deg": (0, -12, -19, -27, -29, -31, -24, 3, 6, -14),
    "pronation_deg": (0, 14, 22, 30, 30, 28, 18, 0, -22, -34),
}
"""Degrees relative to address at each anchor for a swing that leaves every corridor alone."""

STYLES: dict[str, dict[str, Sequence[float]]] = {
    "neutral": {},
    "bowed_top_saved": {
        "flexion_deg": (0, 9, 15, 31, 37, 36, 28, 9, -4, -15),
        "pronation_deg": (0, 14, 22, 30, 30, 28, 20, 2, -4, -12),
    },
    "cupped": {"flexion_deg": (0, -8, -12, -22, -27, -24, -14, -1, -9, -22)},
    "casting": {
        "ulnar_deg": (0, -12, -19, -27, -29, -22, -9, 2, 6, -14),
        "flexion_deg": (0, 1, 2, 4, 4, 3, 0, -9, -20, -25),
    },
    "shut_roller": {
        "flexion_deg": (0, 13, 17, 22, 22, 22, 22, 20, 12, -8),
        "pronation_deg": (0, 10, 14, 20, 22, 16, -4, -33, -48, -55),
    },
    "deep_cup": {"flexion_deg": (0, -10, -16, -32, -40, -36, -18, 4, -6, -20)},
    "raised": {"ulnar_deg": (0, -10, -16, -22, -24, -26, -16, 19, 20, -6)},
}
MISSES = {
    "bowed_top_saved": "hook",
    "cupped": "slice",
    "casting": "thin",
    "shut_roller": "hook",
    "raised": "fat",
}


@dataclass
class MadePlayer:
    """One made-up player: everything that shapes the tables."""

    player: str
    style: str = "neutral"
    sessions: Sequence[str] = ("2031-04-02", "2031-04-16", "2031-05-07", "2031-05-28")
    swings_per_session: int = 12
    hand: str = "right"
    pronation: bool = True
    shots: bool = True
    refused: int = 1
    scatter: float = 0.15
    roster: dict[str, object] = field(default_factory=dict)
    clubs: Sequence[str] = ("7-iron", "driver")


@dataclass
class MadeTables:
    """The frames a results folder holds, before coaching."""

    swings: pd.DataFrame
    faults: pd.DataFrame
    curves: pd.DataFrame
    roster: pd.DataFrame


def _swing_curves(player: MadePlayer, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    count = player.swings_per_session * len(player.sessions)
    strength = np.repeat(np.linspace(1.0, 0.75, len(player.sessions)), player.swings_per_session)
    curves = np.empty((count, len(CHANNELS), len(PHASE_GRID)))
    for index, channel in enumerate(CHANNELS):
        neutral = np.array(NEUTRAL[channel], dtype=float)
        style = np.array(STYLES[player.style].get(channel, NEUTRAL[channel]), dtype=float)
        share = strength[:, None] + rng.normal(0, player.scatter, (count, 1))
        targets = neutral + share * (style - neutral) + rng.normal(0, 2.0, (count, len(ANCHORS)))
        targets[:, 0] = 0
        curves[:, index] = PchipInterpolator(ANCHORS, targets, axis=1)(PHASE_GRID)
    if not player.pronation:
        curves[:, 2] = np.nan
    address = np.array([-20.0, 4.0, 12.0]) + rng.normal(0, 1.2, (count, 3))
    return curves, address


def _ids(player: MadePlayer) -> pd.DataFrame:
    rows = [
        (player.player, session, f"{n + 1:03d}")
        for session in player.sessions
        for n in range(player.swings_per_session)
    ]
    return pd.DataFrame(rows, columns=["player", "session", "swing"])


def _one_player(player: MadePlayer, catalogue: Catalogue, rng: np.random.Generator) -> MadeTables:
    curves, address = _swing_curves(player, rng)
    ids = _ids(player)
    measures = evaluate_all(catalogue, curves)
    edges = np.array([catalogue.edge(fault, player.player).value for fault in catalogue.ids])
    past = (measures - edges) * catalogue.signs
    probability = norm.cdf(past / catalogue.softness_by_fault)
    saved, _, _ = late_save(catalogue, curves)
    missed = rng.random(len(ids)) < 0.45
    word = MISSES.get(player.style, "straight")
    shot = [[word] if miss else ["straight"] for miss in missed] if player.shots else [[] for _ in missed]
    swings = ids.assign(
        hand=player.hand,
        club=[player.clubs[n % len(player.clubs)] for n in range(len(ids))],
        context="play",
        shot=shot,
        assessed=True,
        reason="",
        findings=[["pronation-missing"] if not player.pronation else [] for _ in range(len(ids))],
        takeaway_s=0.8,
        top_s=1.62,
        impact_s=1.89,
        finish_s=2.6,
        takeaway_sd_s=0.02,
        top_sd_s=0.012,
        impact_sd_s=0.003,
        finish_sd_s=0.05,
        impact_marked=True,
        impact_from="recorder",
        coach_landmarks=[[] for _ in range(len(ids))],
        tempo=3.0 + rng.normal(0, 0.2, len(ids)),
        address_flexion_deg=address[:, 0],
        address_ulnar_deg=address[:, 1],
        address_pronation_deg=address[:, 2] if player.pronation else np.nan,
        late_save=saved,
        late_save_probability=saved.astype(float),
    )
    for phase, bend, roll in (("backswing", 18, -14), ("downswing", 6, 21), ("release", -9, 16)):
        swings[f"closure_{phase}_bend_deg"] = bend * rng.normal(1, 0.2, len(ids))
        swings[f"closure_{phase}_roll_deg"] = (
            roll * rng.normal(1, 0.2, len(ids)) if player.pronation else np.nan
        )
    refused = player.refused
    if refused:
        swings.loc[: refused - 1, "assessed"] = False
        swings.loc[: refused - 1, "reason"] = "not-a-full-swing"
        numeric = swings.select_dtypes("number").columns
        swings.loc[: refused - 1, numeric] = np.nan
    faults = _long_faults(ids, measures, probability, past, catalogue, player, swings["assessed"].to_numpy())
    chosen = np.flatnonzero(swings["assessed"].to_numpy())[:: max(1, len(ids) // 12)][:12]
    grid = np.arange(0, len(PHASE_GRID), 4)
    drawn = ids.loc[chosen].assign(
        club=swings.loc[chosen, "club"], shot=swings.loc[chosen, "shot"], tags=[[] for _ in chosen]
    )
    drawn["phase"] = [PHASE_GRID[grid].tolist()] * len(chosen)
    for index, channel in enumerate(CHANNELS):
        missing = index == 2 and not player.pronation
        drawn[channel] = [None if missing else curves[row, index, grid].round(1).tolist() for row in chosen]
    roster = pd.DataFrame(
        [{"player": player.player, "hand": player.hand, "level": "club", "under_16": "no", **player.roster}]
    )
    return MadeTables(swings, faults, drawn.reset_index(drop=True), roster)


def _long_faults(
    ids: pd.DataFrame,
    measures: np.ndarray,
    probability: np.ndarray,
    past: np.ndarray,
    catalogue: Catalogue,
    player: MadePlayer,
    assessed: np.ndarray,
) -> pd.DataFrame:
    frames = []
    for index, fault in enumerate(catalogue.faults):
        known = assessed & np.isfinite(measures[:, index])
        chance = np.where(known, probability[:, index], np.nan)
        severity = np.where(known, np.maximum(past[:, index], 0), np.nan)
        wide = catalogue.softness_by_fault[index]
        edge = catalogue.edge(fault.id, player.player)
        reason = np.where(
            assessed,
            "" if player.pronation or not fault.needs_pronation else "no-forearm-rotation",
            "not-a-full-swing",
        )
        frames.append(
            ids.assign(
                fault=fault.id,
                status=np.where(known, "assessed", "not_assessed"),
                reason=np.where(known, "", reason),
                probability=chance,
                call=np.where(
                    known, np.select([chance > 0.8, chance > 0.35], ["yes", "borderline"], "no"), ""
                ),
                flagged=known & (chance > 0.8),
                measure=np.where(known, measures[:, index], np.nan),
                severity=severity,
                severity_lo=np.maximum(severity - 1.6 * wide, 0),
                severity_hi=severity + 1.6 * wide,
                unit=fault.unit,
                edge=edge.value,
                edge_owner=edge.owner,
                measure_sd=wide / 2,
                guard_chance=np.where(known, 0.99, np.nan) if fault.guard else np.nan,
                onset_phase=np.where(known & (chance > 0.5), fault.measure.start[0], ""),
                onset_at=np.where(known & (chance > 0.5), float(fault.measure.start[1:]), np.nan),
            )
        )
    return pd.concat(frames, ignore_index=True)


def tables_of(players: Sequence[MadePlayer], seed: int = 7, catalogue: Catalogue | None = None) -> MadeTables:
    """Tables of several players, row order by player."""
    catalogue = catalogue or load_catalogue()
    rng = np.random.default_rng(seed)
    parts = [_one_player(player, catalogue, rng) for player in players]
    return MadeTables(
        *(
            pd.concat([getattr(part, name) for part in parts], ignore_index=True)
            for name in ("swings", "faults", "curves", "roster")
        )
    )


def make_academy(count: int = 20) -> list[MadePlayer]:
    """Players of the Lindow Park academy: every style; some without shots or pronation, or in pain."""
    styles = ["neutral", *MISSES]
    players = [MadePlayer(f"lp-{n + 1:02d}", style=styles[n % len(styles)]) for n in range(count)]
    for index, player in enumerate(players):
        player.roster = {"usual_miss": MISSES.get(player.style, ""), "pain": "none", "lessons": "2031-04-20"}
        player.shots = index % 4 != 3
        player.pronation = index % 7 != 6
        player.hand = "left" if index % 9 == 8 else "right"
    if count >= 4:
        players[3].roster["pain"] = "wrist"
        players[2].roster["ulnar_history"] = "yes"
    if count >= 6:
        players[5].refused = players[5].swings_per_session * len(players[5].sessions)
    return players


def make_source(tables: MadeTables, coaching: Coaching) -> ReportSource:
    """What a run would hand to the report."""
    summary = summarise(tables.swings, tables.faults, coaching.catalogue)
    reported = prescribe(summary, known_of(tables.roster), coaching, TODAY)
    return ReportSource(
        summary=summary,
        closures=sum_closures(tables.swings),
        plans=reported.plans,
        retests=read_retests(reported.retests),
        curves=tables.curves,
        roster=tables.roster,
        run={},
    )


@pytest.fixture(scope="session")
def coaching() -> Coaching:
    return Coaching(load_catalogue(), load_book(), load_rules())


@pytest.fixture(scope="session")
def made_source(coaching: Coaching) -> Callable[..., ReportSource]:
    """A season of the given made-up players, as the report gets it."""
    return lambda players, rules=coaching: make_source(tables_of(players, catalogue=rules.catalogue), rules)


@pytest.fixture(scope="session")
def academy_source(made_source: Callable[..., ReportSource]) -> ReportSource:
    return made_source(make_academy(8))


@pytest.fixture(scope="session")
def academy_page(academy_source: ReportSource, coaching: Coaching) -> str:
    return render_report(academy_source, coaching)


@pytest.fixture(scope="session")
def make_player() -> type[MadePlayer]:
    return MadePlayer


@pytest.fixture(scope="session")
def academy() -> Callable[[int], list[MadePlayer]]:
    return make_academy


@pytest.fixture(scope="session")
def make_tables() -> Callable[..., MadeTables]:
    return tables_of


@pytest.fixture(scope="session")
def source_of() -> Callable[[MadeTables, Coaching], ReportSource]:
    return make_source
