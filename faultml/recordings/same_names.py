"""Two spellings of one player in the recordings, read as one player."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import msgspec
import pyarrow as pa
import pyarrow.compute as pc


class SameName(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A name that stands in the recordings, and the player it belongs to."""

    name: str
    player: str


def targets(names: Sequence[SameName]) -> dict[str, str]:
    """Name -> player, followed to the last where a player is another's name too."""
    direct = {each.name: each.player for each in names}
    found = {}
    for name in direct:
        player, seen = name, {name}
        while player in direct and direct[player] not in seen:
            player = direct[player]
            seen.add(player)
        found[name] = player
    return found


def renamed(table: pa.Table, players: Mapping[str, str]) -> pa.Table:
    """A table with a column ``player`` in which each name stands for its player."""
    if not players:
        return table
    column = table["player"].cast(pa.string())
    place = pc.index_in(column, value_set=pa.array(list(players), pa.string()))
    named = pa.array(list(players.values()), pa.string()).take(place.combine_chunks())
    both = pc.coalesce(named, column.combine_chunks())
    return table.set_column(table.schema.get_field_index("player"), "player", both)


def names_of(player: str, players: Mapping[str, str]) -> list[str]:
    """Every name under which a player stands in the recordings, their own first."""
    return [player, *sorted(name for name, other in players.items() if other == player)]
