"""From a season's sums to the tables a coach reads: players, and one drill each to work on next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

import pandas as pd

from faultml.care.body import PlayerBody
from faultml.care.known import Known
from faultml.care.rules import CareRules, load_care
from faultml.coaching import retest
from faultml.coaching.explain import PlayerExplanation, explanation
from faultml.coaching.lesson import Lesson
from faultml.coaching.met import met_by_player
from faultml.coaching.plan import PlayerCase
from faultml.coaching.players import PlayerFacts, player_seasons
from faultml.coaching.records import PlayerPlan
from faultml.coaching.rules import Coaching
from faultml.coaching.summary import Summary
from faultml.coaching.tables import drills_frame, players_frame
from faultml.outcomes.effects import Effects


@dataclass(frozen=True)
class Prescription:
    """What coaching leaves of a season.

    Attributes
    ----------
    plans
        Every player's faults and drills.
    players
        A row a player and fault, see `PlayerFault`; its notes stand as "code: sentence" in ``notes`` and as
        data in ``note_data``.
    drills
        A row a player and drill, see `PlayerDrill`; a player with none has one row of rank 0, see `NoDrill`.
    retests
        Every re-test so far: see `retest_results`.
    explanations
        Player -> every number behind the ranking.
    """

    plans: list[PlayerPlan]
    players: pd.DataFrame
    drills: pd.DataFrame
    retests: pd.DataFrame
    explanations: dict[str, PlayerExplanation]


def prescribe(
    summary: Summary,
    known: Known,
    coaching: Coaching,
    on: date,
    care: CareRules | None = None,
    effects: Effects | None = None,
    lessons: Mapping[str, Lesson] | None = None,
    layout_suspected: bool = False,
) -> Prescription:
    """Turn a season's sums into players, drills and explanations.

    Parameters
    ----------
    summary
        The season, summed up and merged.
    known
        Roster and statements; a player of whom nothing is known is unknown everywhere.
    coaching
        Catalogue, drill book and rules.
    on
        The day of the care check.
    care
        The rules of care; the package's own where not given.
    effects
        What drills have brought so far; none where not given. They weigh drills against each other, and never
        stand against care.
    lessons
        Player -> the drill the player is on, and what is over; nobody is on one where not given.
    layout_suspected
        Whether most of the season is no full swing: then nobody gets a new drill from it.
    """
    care, lessons = care or load_care(), lessons or {}
    usual_misses = dict(
        zip(known.roster["player"].astype(str), known.roster["usual_miss"].astype(str), strict=True)
    )
    results = retest.retest_results(summary, coaching)
    tested: dict[str, list[retest.RetestResult]] = {}
    for result in retest.read_retests(results):
        tested.setdefault(result.player, []).append(result)
    sessions = summary.sessions.groupby("player")["session"].unique().to_dict()
    met = met_by_player(summary.windows)
    cases = [
        PlayerCase(
            season=season,
            body=_with_seen_misses(known.body(season.player), season.facts),
            on=on,
            retests=retest.latest(tested.get(season.player, [])),
            sessions=sessions[season.player],
            coaching=coaching,
            rules=care,
            effects=effects or {},
            met=met.get(season.player, {}),
            lesson=lessons.get(season.player, Lesson()),
            layout_suspected=layout_suspected,
        )
        for season in player_seasons(summary, usual_misses, coaching, care)
    ]
    plans = [case.plan() for case in cases]
    return Prescription(
        plans=plans,
        players=players_frame(plans, coaching),
        drills=drills_frame(plans, coaching),
        retests=results,
        explanations={case.player: explanation(case) for case in cases},
    )


def _with_seen_misses(body: PlayerBody, facts: PlayerFacts) -> PlayerBody:
    return replace(body, hits_fat=body.hits_fat or facts.misses.main == "fat")
