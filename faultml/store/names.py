"""Two spellings of one player: which name belongs to which player, kept with who and when, and taken back.

Rows are added and never changed. What the store holds under a name is read as its player's from then on; the rows keep
the name they were written with, so that taking it back brings everything back.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Column, Integer, Table, Text, func, insert, select

from faultml.errors import InputError
from faultml.recordings.same_names import SameName, names_of, targets
from faultml.store.base import METADATA, Store, now
from faultml.store.people import forgotten

SAME, APART = "same", "apart"
MAX_NAME: Final = 200

TABLE: Final = Table(
    "player_names",
    METADATA,
    Column("id", Integer, primary_key=True),
    *(Column(name, Text, nullable=False) for name in ("player", "name", "says", "by", "when")),
)


@dataclass(frozen=True)
class NameStatement:
    """What was said of a name: that it is the `player`'s (``same``), or somebody else's (``apart``)."""

    player: str
    name: str
    says: str
    by: str
    when: str


def say_same(store: Store, name: str, player: str, by: str) -> None:
    """Keep that a name of the recordings belongs to a player of another name.

    Raises
    ------
    InputError
        ``name-needed`` where nobody says so, ``same-name`` where there is nothing to merge or it would go in a circle,
        ``forgotten-player``.
    """
    players = players_of(store)
    if players.get(player, player) == players.get(name, name):
        raise InputError(
            "same-name", where=name, expected="two names that are not one player's yet", found=player
        )
    if players.get(player, player) == name:
        raise InputError(
            "same-name", where=name, expected=f"the name that {player} was merged into", found=name
        )
    _say(store, name, player, SAME, by)


def say_apart(store: Store, name: str, player: str, by: str) -> None:
    """Keep that two names are two players; takes back what `say_same` kept of them. Raises as `say_same`."""
    _say(store, name, player, APART, by)


def name_statements(store: Store) -> list[NameStatement]:
    """What holds of every pair of names, in the order of time."""
    latest = func.row_number().over(partition_by=[TABLE.c.name, TABLE.c.player], order_by=TABLE.c.id.desc())
    ranked = select(TABLE).add_columns(latest.label("age")).subquery()
    with store.reading() as connection:
        rows = (
            connection.execute(select(ranked).where(ranked.c.age == 1).order_by(ranked.c.id)).mappings().all()
        )
    return [NameStatement(*(row[name] for name in NameStatement.__dataclass_fields__)) for row in rows]


def same_names(store: Store) -> tuple[SameName, ...]:
    """Names that belong to a player of another name; of one name the last word holds."""
    held = {each.name: each.player for each in name_statements(store) if each.says == SAME}
    return tuple(SameName(name, player) for name, player in sorted(held.items()))


def players_of(store: Store) -> dict[str, str]:
    """Name -> player, followed to the last; names that are their player's own are left out."""
    return targets(same_names(store))


def all_names(store: Store, player: str) -> list[str]:
    """Every name of a player, their own first."""
    players = players_of(store)
    return names_of(players.get(player, player), players)


def with_all_names(store: Store, players: Iterable[str]) -> list[str]:
    """Players with every other name of theirs, sorted."""
    known = players_of(store)
    roots = {known.get(player, player) for player in players}
    return sorted({*players, *roots, *(name for name, root in known.items() if root in roots)})


def _say(store: Store, name: str, player: str, says: str, by: str) -> None:
    if not 0 < len(by.strip()) <= MAX_NAME:
        raise InputError("name-needed", where=name, expected="who says so", found=by)
    for each in (name, player):
        if not 0 < len(each.strip()) <= MAX_NAME:
            raise InputError("bad-name", where="name", expected=f"1 to {MAX_NAME} letters", found=each)
    with store.writing() as connection:
        gone = forgotten(connection, [name, player])
        if gone:
            expected = "players who were not forgotten"
            raise InputError("forgotten-player", where=str(store.path), expected=expected, found=min(gone))
        row = {"player": player, "name": name, "says": says, "by": by.strip(), "when": now()}
        connection.execute(insert(TABLE), [row])
