"""Whose row is whose: the roster's names against the recorded players'.

A row about pain must not get lost over a capital letter or a space. Names that are the same but for case,
spaces and Unicode form are taken to be one person's, and that is reported.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from typing import Any, Final, NamedTuple

import pandas as pd

from faultml.recordings.problems import Problem, file_problem, shorten
from faultml.recordings.roster import ROSTER_COLUMNS, Roster, roster_frame
from faultml.recordings.roster_cells import (
    HISTORIES,
    NOT_READ,
    more_careful_level,
    read_experienced,
    read_pain,
)

NOT_RECORDED: Final = "roster-player-not-recorded"
NO_ROW: Final = "player-not-in-roster"


class MatchedRoster(NamedTuple):
    """The roster under the recorded players' own names, and what did not fit.

    `strangers` holds the rows that fit nobody recorded, `file` and `unreadable` are those of the `Roster`;
    `rowless` are the recorded players without a row.
    """

    table: pd.DataFrame
    problems: list[Problem]
    strangers: pd.DataFrame
    file: str = ""
    unreadable: bool = False
    rowless: tuple[str, ...] = ()


def match_roster(roster: Roster, recorded: Iterable[str]) -> MatchedRoster:
    """The roster with the recorded players' own names, and a problem for each that differs or is on one side only.

    A row of exactly a player's name is that player's. Another row goes to the player whose name is the same
    but for case, spaces and Unicode form. Where several players or several rows fit, what the other rows say
    against a drill (pain, a history, an age under 16) still counts for each of those players, and nothing
    else of them does. Where the roster could not be read, every player's `pain` is `NOT_READ`: no drill.
    """
    players = sorted(set(recorded))
    if roster.unreadable:
        unread = roster_frame({player: {"pain": (NOT_READ,)} for player in players})
        return MatchedRoster(unread, [], roster_frame({}), roster.file, unreadable=True)
    if not roster.file:
        return MatchedRoster(roster.table, [], roster_frame({}), rowless=tuple(players))
    rows = {
        row["player"]: {str(name): value for name, value in row.items()}
        for row in roster.table.to_dict("records")
    }
    named: dict[str, list[str]] = {}
    for name in rows:
        named.setdefault(_folded(name), []).append(name)
    by_key: dict[str, list[str]] = {}
    for player in players:
        by_key.setdefault(_folded(player), []).append(player)

    matched: dict[str, dict[str, Any]] = {}
    problems: list[Problem] = []
    for player in players:
        key = _folded(player)
        own = rows.get(player)
        # A row that is exactly another player's says nothing of a player who has one too.
        others = [
            name for name in named.get(key, []) if name != player and (own is None or name not in by_key[key])
        ]
        if own is None and not others:
            problems.append(_note(roster, NO_ROW, "a row for each player", player))
            continue
        if own is None and len(others) == len(by_key[key]) == 1:
            matched[player] = rows[others[0]]
        else:
            matched[player] = _with_cautions(own or {}, [rows[name] for name in others])
        expected = f"{player}, as in the recordings"
        problems += [_note(roster, "roster-name-differs", expected, name) for name in others]
    strangers = {
        name: row for name, row in rows.items() if name not in matched and _folded(name) not in by_key
    }
    problems += [_note(roster, NOT_RECORDED, "a player of the recordings", name) for name in strangers]
    rowless = tuple(player for player in players if player not in matched)
    return MatchedRoster(
        roster_frame(matched), problems, roster_frame(strangers), roster.file, rowless=rowless
    )


def with_cautions_of(first: MatchedRoster, second: MatchedRoster) -> MatchedRoster:
    """A roster with what another one of the same players says against a drill, and nothing else of that."""
    rows, others, strangers, unknown = (
        {
            str(row["player"]): {str(name): value for name, value in row.items()}
            for row in table.to_dict("records")
        }
        for table in (first.table, second.table, first.strangers, second.strangers)
    )
    joined, left = (
        {
            name: _with_cautions(own.get(name, {}), [more[name]] if name in more else [])
            for name in sorted({*own, *more})
        }
        for own, more in ((rows, others), (strangers, unknown))
    )
    return first._replace(table=roster_frame(joined), strangers=roster_frame(left))


def _folded(name: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def _note(roster: Roster, code: str, expected: str, player: str) -> Problem:
    found = shorten(player)
    return file_problem(roster.file, code, shorten(expected), found)._replace(player=found)


def _with_cautions(own: Mapping[str, Any], others: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """A row with what others that might mean the same player say against a drill, and nothing else of them."""
    row = dict(own)
    for other in others:
        row |= {name: True for name in (*HISTORIES, "under_16") if other[name] is True}
        years = [year for year in (row.get("birth_year"), other["birth_year"]) if year is not None]
        # A year that makes the player older is no caution: it counts only where the row itself has one.
        if row.get("birth_year") is not None:
            row["birth_year"] = max(years)
        if other["level"] and read_experienced(other["level"]) is not True:
            row["level"] = more_careful_level(row.get("level", ""), other["level"])
        hurts = [said for said in other["pain"] if read_pain(said).kind in ("hurts", "not-read")]
        row["pain"] = tuple(dict.fromkeys((*row.get("pain", ()), *hurts)))
    return {name: value for name, value in row.items() if name in ROSTER_COLUMNS}
