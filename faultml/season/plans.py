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
from faultml.plan.day import default_day
from faultml.plan.evidence import SeasonFacts, StoreNotes, moves_of
from faultml.plan.holds import care_holds
from faultml.plan.lesson import lesson_plans
from faultml.plan.records import LessonPlan
from faultml.plan.shown import season_says, shown_rows
from faultml.plan.table import lesson_of, plans_frame, player_rows, ranked_options
from faultml.season.merge import Merge, drifted


@dataclass(frozen=True)
class SeasonPlans:
    """Every player's plan on a day.

    Attributes
    ----------
    day
        The day of the plans.
    today, known, coaching
        The day of the care check, what is known of everybody, and the drill book.
    named
        Whether somebody asked for the day.
    sessions, notes
        Labels of all sessions, and what the coach has noted.
    by_player
        Of every player of the season or the notes.
    """

    day: dt.date
    today: dt.date
    known: Known
    coaching: Coaching
    named: bool
    sessions: frozenset[str]
    notes: StoreNotes
    by_player: dict[str, LessonPlan] = field(default_factory=dict)

    def lessons(self) -> dict[str, Lesson]:
        """What the ranking of drills has to know of them."""
        return {player: lesson_of(plan) for player, plan in self.by_player.items()}

    def frame(self, drills: pd.DataFrame, players: Iterable[str]) -> pd.DataFrame:
        """The rows of ``plans`` of some players, with what may be started next by their rows of ``drills``."""
        own = {player: self.by_player[player] for player in players if player in self.by_player}
        says = season_says(drills, self.sessions, self.notes)
        rows = player_rows(own, self.day, ranked_options(drills), says.last)
        return plans_frame(shown_rows(rows, says, self.known, self.coaching, self.today, named=self.named))


def season_plans(
    merge: Merge,
    notes: StoreNotes,
    known: Known,
    coaching: Coaching,
    players: Iterable[str],
    day: dt.date | None,
    today: dt.date,
) -> SeasonPlans:
    """The plans on a day, from the sums of the faults that drills were given for and the sessions of their players.

    Parameters
    ----------
    players
        Everybody recorded.
    day
        The day of the plans; `default_day` where not given.
    today
        The day of the care check.
    """
    given = {note.player for note in notes.given}
    sessions, moves, labels = [], [], set()
    for tables in merge.buckets():
        frame = decode_sums(tables).sessions
        labels.update(frame["session"].unique())
        sessions.append(frame[frame["player"].isin(given)])
        moves += [move for move in moves_of(drifted(tables["address"])) if move.player in given]
    facts = SeasonFacts(
        faults=merge.fault_sums([note.fault for note in notes.given]),
        sessions=pd.concat(sessions, ignore_index=True),
        moves=tuple(moves),
        players=tuple(players),
    )
    on = day or default_day(labels, notes, today).day
    holds = care_holds(known, notes, coaching.book, on, today)
    plans = lesson_plans(notes, facts, coaching, on, holds=holds)
    return SeasonPlans(on, today, known, coaching, day is not None, frozenset(labels), notes, plans)
