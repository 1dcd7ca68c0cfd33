"""Every player's plan on a day, from the coach's notes and the season's sums."""

from __future__ import annotations

import datetime as dt

from faultml.coaching.rules import Coaching
from faultml.plan.evidence import (
    Holds,
    SeasonFacts,
    StoreNotes,
    drill_facts,
    fault_channels,
    player_evidence,
)
from faultml.plan.gains import season_gains
from faultml.plan.records import LessonPlan
from faultml.plan.rules import PlanRules, load_plan_rules
from faultml.plan.state import courses, plan_on


def lesson_plans(
    notes: StoreNotes,
    season: SeasonFacts,
    coaching: Coaching,
    day: dt.date,
    *,
    holds: Holds | None = None,
    rules: PlanRules | None = None,
) -> dict[str, LessonPlan]:
    """The plan of every player of the season or the store.

    A pure function: evidence of days later than `day` is not looked at, and the order of rows does not matter.

    Parameters
    ----------
    notes
        What the coach has noted: drills given, practice, new baselines.
    season
        The season's sums.
    day
        The day for which the plan is asked.
    holds
        Days on which care holds drills; none where not given.
    rules
        The package's own where not given.
    """
    rules = rules or load_plan_rules()
    facts, channels = drill_facts(coaching.book), fault_channels(coaching.catalogue)
    evidence = player_evidence(notes, season, coaching.catalogue, holds or {})
    on = {
        player: courses(each, day, facts=facts, channels=channels, rules=rules)
        for player, each in evidence.items()
    }
    gains = season_gains(season.faults, on, coaching.catalogue, day, rules)
    return {
        player: plan_on(each, day, facts=facts, channels=channels, gains=gains[player], rules=rules)
        for player, each in evidence.items()
    }
