"""Two names of one player: what is said against a drill under either counts under both."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import msgspec
import pandas as pd

from faultml.care.body import History, PlayerBody
from faultml.recordings.same_names import SameName, targets

if TYPE_CHECKING:
    from faultml.store import Store


def names_known(stores: Iterable[Store], run: Mapping[str, Any]) -> dict[str, str]:
    """Name -> player, by what stores hold and by what the results of a run were made with.

    Both count: a merge that was taken back since does not part what the results have put together.
    """
    names = list(msgspec.convert(run.get("same_names", []), list[SameName]))
    for store in stores:
        from faultml.store.names import same_names

        names += same_names(store)
    return targets(names)


def everyone(players: Iterable[str], players_of: Mapping[str, str]) -> list[str]:
    """Players with every other name of theirs, sorted."""
    roots = {players_of.get(player, player) for player in players}
    return sorted({*players, *roots, *(name for name, root in players_of.items() if root in roots)})


def one_person(bodies: Mapping[str, PlayerBody], players_of: Mapping[str, str]) -> dict[str, PlayerBody]:
    """Bodies by name, where those of one player's names hold the same."""
    groups: dict[str, list[PlayerBody]] = {}
    for name, body in bodies.items():
        groups.setdefault(players_of.get(name, name), []).append(body)
    return {
        name: body if len(own) == 1 else _together(name, own)
        for name, body in bodies.items()
        for own in (groups[players_of.get(name, name)],)
    }


def rows_of_person(roster: pd.DataFrame, players_of: Mapping[str, str]) -> pd.DataFrame:
    """The roster, where a player without a row has that of another name of theirs."""
    there = set(roster["player"])
    lent = [
        row | {"player": player}
        for row in roster.to_dict("records")
        for player in (players_of.get(row["player"], row["player"]),)
        if player not in there
    ]
    if not lent:
        return roster
    more = pd.DataFrame(lent, columns=list(roster.columns)).drop_duplicates("player")
    return pd.concat([roster, more], ignore_index=True)


def _together(name: str, bodies: list[PlayerBody]) -> PlayerBody:
    histories: dict[History, bool] = {}
    for body in bodies:
        for history, answer in body.histories.items():
            histories[history] = histories.get(history, False) or answer
    return PlayerBody(
        player=name,
        said=tuple(said for body in bodies for said in body.said),
        unread=any(body.unread for body in bodies),
        held_for=tuple(dict.fromkeys(each for body in bodies for each in body.held_for)),
        remembered=all(body.remembered for body in bodies),
        histories=histories,
        birth_year=max((body.birth_year for body in bodies if body.birth_year is not None), default=None),
        under_16=_worse([body.under_16 for body in bodies], worse=True),
        experienced=_worse([body.experienced for body in bodies], worse=False),
        hits_fat=any(body.hits_fat for body in bodies),
    )


def _worse(answers: list[bool | None], *, worse: bool) -> bool | None:
    """The answer that stands against a drill where one gives it, else the other one, None where nobody answers."""
    given = [answer for answer in answers if answer is not None]
    if not given:
        return None
    return worse if worse in given else not worse
