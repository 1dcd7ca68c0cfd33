"""What a plan rests on, gathered from the coach's store and a season's sums."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from faultml.channels import CHANNELS
from faultml.coaching.book import DrillBook
from faultml.faults.catalogue import Catalogue
from faultml.outcomes.periods import to_degrees
from faultml.plan.records import (
    Baseline,
    BaselineNote,
    DrillFacts,
    FreeDay,
    GivenDrill,
    Hold,
    PlayerEvidence,
    PracticeDay,
    PracticeNote,
    RecordedPractice,
)
from faultml.results.sessions import COUNTING, session_date

Holds = Mapping[str, Sequence[Hold]]
"""Player -> the days on which care holds drills."""

FaultDays = dict[str, dict[str, tuple[FreeDay, ...]]]
"""Player -> fault -> days with measured swings of play and re-tests."""


@dataclass(frozen=True)
class GivenNote:
    """A drill that was given, as the store has it: `since` an ISO date or a session's name, `noted` a moment."""

    player: str
    drill: str
    fault: str
    since: str
    noted: str = ""


@dataclass(frozen=True)
class StoreNotes:
    """What the coach has noted, in any order."""

    given: tuple[GivenNote, ...] = ()
    practice: tuple[PracticeNote, ...] = ()
    baselines: tuple[BaselineNote, ...] = ()


@dataclass(frozen=True)
class SessionMove:
    """A session whose mean address has moved from the one before, by the channel's own limit."""

    player: str
    session: str
    channel: str


@dataclass(frozen=True)
class SeasonFacts:
    """What a season tells the plan.

    Attributes
    ----------
    faults, sessions
        The frames of these names of a `faultml.coaching.summary.Summary`.
    moves
        Sessions whose address has moved.
    players
        Players beside those of `sessions`: nothing was given to them.
    """

    faults: pd.DataFrame
    sessions: pd.DataFrame
    moves: tuple[SessionMove, ...] = ()
    players: tuple[str, ...] = ()


def moves_of(drifts: Iterable[Mapping[str, str]]) -> tuple[SessionMove, ...]:
    """The moves of ``run.json``'s ``address_drift``."""
    return tuple(SessionMove(row["player"], row["session"], row["channel"]) for row in drifts)


def drill_facts(book: DrillBook) -> dict[str, DrillFacts]:
    """What the plan needs of every drill of the book."""
    return {
        drill.id: DrillFacts(
            sets_a_day=drill.dose.sets,
            sets_a_week=drill.dose.sets * drill.dose.days_a_week,
            reps=drill.dose.reps,
            retest_days=drill.retest.after_days,
            retest_inside=drill.retest.inside,
            retest_of=drill.retest.of,
            moves_setup=drill.phase == "setup",
        )
        for drill in book.drills
    }


def fault_channels(catalogue: Catalogue) -> dict[str, str]:
    """The channel that each fault of single swings is read from."""
    return {fault.id: CHANNELS[fault.measure.channel_index] for fault in catalogue.faults}


def player_evidence(
    notes: StoreNotes, season: SeasonFacts, catalogue: Catalogue, holds: Holds
) -> dict[str, PlayerEvidence]:
    """Every player of the season or the store."""
    players = {*season.sessions["player"], *season.players, *(each.player for each in notes.given)}
    practice_days, recorded, undated = _sessions(season.sessions)
    free, beside = _free_days(season.faults, practice_days, catalogue)
    given = _by_player(notes.given)
    practised, baselines = _by_player(notes.practice), _by_player(notes.baselines)
    moved = _by_player(season.moves)
    return {
        player: PlayerEvidence(
            given=tuple(
                GivenDrill(each.drill, each.fault, session_date(each.since), each.noted)
                for each in given.get(player, ())
            ),
            practice=tuple(
                PracticeDay(each.drill, dt.date.fromisoformat(each.day), each.sets, each.balls)
                for each in practised.get(player, ())
            ),
            recorded=recorded.get(player, ()),
            free=free.get(player, {}),
            beside_practice=beside.get(player, {}),
            baselines=(
                *(Baseline(dt.date.fromisoformat(each.day), each.why) for each in baselines.get(player, ())),
                *(
                    Baseline(day, "address", each.channel)
                    for each in moved.get(player, ())
                    if (day := session_date(each.session)) is not None
                ),
            ),
            holds=tuple(holds.get(player, ())),
            undated=player in undated,
        )
        for player in sorted(players)
    }


def _by_player(rows: Iterable) -> dict[str, list]:
    found: dict[str, list] = {}
    for row in rows:
        found.setdefault(row.player, []).append(row)
    return found


def _sessions(
    sessions: pd.DataFrame,
) -> tuple[set[tuple[str, dt.date]], dict[str, tuple[RecordedPractice, ...]], set[str]]:
    """Days with practice, the recorded practice of each player, and who has sessions without a date."""
    swings: dict[tuple[str, dt.date], int] = {}
    undated = set()
    for row in sessions.itertuples():
        day = session_date(row.session)
        if day is None:
            undated.add(row.player)
        elif row.context == "practice":
            swings[row.player, day] = swings.get((row.player, day), 0) + int(row.n_swings)
    recorded: dict[str, tuple[RecordedPractice, ...]] = {}
    for (player, day), count in sorted(swings.items()):
        recorded[player] = (*recorded.get(player, ()), RecordedPractice(day, count))
    return set(swings), recorded, undated


def _free_days(
    faults: pd.DataFrame, practice_days: set[tuple[str, dt.date]], catalogue: Catalogue
) -> tuple[FaultDays, FaultDays]:
    """The days without feedback, and the days with swings beside practice: a day that holds practice is not free."""
    rows = faults[faults["context"].isin(COUNTING) & faults["fault"].isin(catalogue.ids)]
    days = {label: session_date(label) for label in rows["session"].unique()}
    retest = rows["context"] == "retest"
    rows = rows.assign(
        day=rows["session"].map(days).astype(object),
        retest_swings=rows["n_measured"].where(retest, 0.0),
        retest_inside=rows["n_inside"].where(retest, 0.0),
    )
    rows = rows[rows["day"].notna() & (rows["n_measured"] > 0)]
    sums = ["n_measured", "n_inside", "measure", "retest_swings", "retest_inside"]
    free: FaultDays = {}
    beside: FaultDays = {}
    for (player, name, day), row in zip(*_grouped(rows, ["player", "fault", "day"], sums), strict=True):
        fault = catalogue[name]
        mean = row["measure"] / row["n_measured"] - fault.edge
        own = (beside if (player, day) in practice_days else free).setdefault(player, {})
        own[name] = (
            *own.get(name, ()),
            FreeDay(
                day=day,
                swings=round(row["n_measured"]),
                inside=round(row["n_inside"]),
                mean_deg=fault.sign * to_degrees(fault) * mean,
                retest_swings=round(row["retest_swings"]),
                retest_inside=round(row["retest_inside"]),
            ),
        )
    return free, beside


def _grouped(rows: pd.DataFrame, keys: list[str], sums: list[str]) -> tuple[list, list[dict[str, float]]]:
    """Sums of rows of equal keys: the keys in order, and each one's sums."""
    total = rows.groupby(keys, sort=True)[sums].sum()
    return list(total.index), total.to_dict("records")
