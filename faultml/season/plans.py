"""The plans of a season: which drill every player is on, before the players are put together one bucket at a time."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field

import pandas as pd

from faultml.care.known import Known
from faultml.coaching.lesson import Lesson
from faultml.coaching.rules import Coaching
from faultml.coaching.summary import decode_sums
from faultml.plan.evidence import SeasonFacts, StoreNotes, moves_of
from faultml.plan.holds import care_holds
from faultml.plan.lesson import lesson_plans
from faultml.plan.records import LessonPlan
from faultml.plan.table import lesson_of, plans_frame, player_rows, ranked_options
from faultml.season.merge import Merge, drifted


@dataclass(frozen=True)
class SeasonPlans:
    """Every player's plan on a day.

    Attributes
    ----------
    day
        The day of the plans.
    by_player
        Of every player of the season or the notes.
    """

    day: dt.date
    by_player: dict[str, LessonPlan] = field(default_factory=dict)

    def lessons(self) -> dict[str, Lesson]:
        """What the ranking of drills has to know of them."""
        return {player: lesson_of(plan) for player, plan in self.by_player.items()}

    def frame(self, drills: pd.DataFrame, players: Iterable[str]) -> pd.DataFrame:
        """The rows of ``plans`` of some players, with what may be started next by their rows of ``drills``."""
        own = {player: self.by_player[player] for player in players if player in self.by_player}
        return plans_frame(player_rows(own, self.day, ranked_options(drills)))


def season_plans(
    merge: Merge,
    n_buckets: int,
    notes: StoreNotes,
    known: Known,
    coaching: Coaching,
    players: Iterable[str],
    day: dt.date,
    today: dt.date,
) -> SeasonPlans:
    """The plans on a day, from the sums of the faults that drills were given for and the sessions of their players.

    Parameters
    ----------
    players
        Everybody recorded.
    today
        The day of the care check.
    """
    given = {note.player for note in notes.given}
    sessions, moves = [], []
    for tables in merge.buckets(n_buckets):
        frame = decode_sums(tables).sessions
        sessions.append(frame[frame["player"].isin(given)])
        moves += [move for move in moves_of(drifted(tables["address"])) if move.player in given]
    facts = SeasonFacts(
        faults=merge.fault_sums(n_buckets, [note.fault for note in notes.given]),
        sessions=pd.concat(sessions, ignore_index=True),
        moves=tuple(moves),
        players=tuple(players),
    )
    holds = care_holds(known, notes, coaching.book, day, today)
    return SeasonPlans(day, lesson_plans(notes, facts, coaching, day, holds=holds))
