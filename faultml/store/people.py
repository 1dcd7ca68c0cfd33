"""What the store holds about one player: given out, removed, and what is kept so that models stay honest about it.

Every table with a column ``player`` is searched, whoever defined it. A player who is forgotten leaves a token behind:
a keyed hash under a secret that never leaves the store, so that a model's manifest, which lists the tokens of those it
has learned from, tells nobody else a name. Whoever holds the store can still test a name against a token.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import pandas as pd
from sqlalchemy import Connection, text

from faultml.store.base import Store, now

_SHORTEST_MENTION: Final = 3


class Removed(NamedTuple):
    """What forgetting has removed from the store, or would remove, and what it cannot."""

    rows: dict[str, int]
    """Rows about the player by table."""

    mentions: dict[str, int]
    """Rows about others whose words mention the player, by table: for a person to look at."""

    bundles: tuple[str, ...]
    """SHA-256 of each model that has learned from the player's labels."""


def rows_about(store: Store, player: str) -> dict[str, pd.DataFrame]:
    """Every row about a player, by table; tables with none are left out."""
    found = {}
    for table in _tables_about_players(store):
        with store.reading() as connection:
            rows = connection.execute(
                text(f'SELECT * FROM "{table}" WHERE player = :player'), {"player": player}
            )
            frame = pd.DataFrame(rows.mappings().all(), columns=list(rows.keys()))
        if len(frame):
            found[table] = frame
    return found


def forget(store: Store, player: str, *, also: Iterable[str] = (), dry_run: bool = False) -> Removed:
    """Remove every row about a player, so that no byte of them is left in the file; a token stays.

    Rows under other spellings that were said to be the player's go too, and a token of each stays.

    Parameters
    ----------
    store
        Not used by anybody else meanwhile.
    player
        Their id, as the recordings have it.
    also
        Other names of the player, such as the one behind a pseudonym.
    dry_run
        Only tell what would be removed.

    Raises
    ------
    StoreError
        ``store-busy`` where somebody else uses the store: the rows are gone then, and doing it again when nobody
        does clears what is left of them.
    """
    tables = store.tables()
    with store.reading() if dry_run else store.writing() as connection:
        who = [{"player": name} for name in dict.fromkeys((player, *_spellings(connection, player), *also))]
        rows = {
            table: sum(int(_count(connection, table, "player = :player", name)) for name in who)
            for table in tables
            if "player" in tables[table]
        }
        mentions = _mentions(connection, tables, player)
        tokens = [_token(connection, name["player"]) for name in who]
        bundles = tuple(sorted({each for token in tokens for each in _bundles(connection, token)}))
        if not dry_run:
            for table in rows:
                connection.execute(text(f'DELETE FROM "{table}" WHERE player = :player'), who)
            noted = [{"token": token, "at": now()} for token in tokens]
            connection.execute(text("INSERT OR IGNORE INTO forgotten VALUES (:token, :at)"), noted)
            connection.execute(text("DELETE FROM readmitted WHERE token = :token"), noted)
    if not dry_run:
        store.scrub()
    return Removed({table: n for table, n in rows.items() if n}, mentions, bundles)


def readmit(store: Store, player: str) -> bool:
    """Take a forgotten player in again, who has agreed anew; whether they had been forgotten.

    A token says from now on that it is not known what stood before, so that whoever asks care has to ask anew.
    """
    with store.writing() as connection:
        token = _token(connection, player)
        gone = connection.execute(text("DELETE FROM forgotten WHERE token = :token"), {"token": token})
        if gone.rowcount:
            connection.execute(
                text("INSERT OR REPLACE INTO readmitted VALUES (:token, :at)"), {"token": token, "at": now()}
            )
        return bool(gone.rowcount)


def readmitted(connection: Connection, players: Iterable[str]) -> frozenset[str]:
    """Which of these players were forgotten and taken in again."""
    tokens = set(connection.execute(text("SELECT token FROM readmitted")).scalars())
    return frozenset(player for player in set(players) if tokens and _token(connection, player) in tokens)


def store_id(store: Store) -> str:
    """What tells this store, and copies of it, from others; says nothing of what it holds."""
    with store.reading() as connection:
        return hashlib.sha256(b"faultml-store" + _secret(connection)).hexdigest()[:16]


def note_recorded(store: Store, players: Iterable[str]) -> None:
    """Keep that these players were recorded; nothing is written where all of them are known."""
    with store.reading() as connection:
        known = set(connection.execute(text("SELECT player FROM recorded_players")).scalars())
        new = set(players) - known
        new -= forgotten(connection, new)
    if new:
        rows = [{"player": player, "since": now()} for player in sorted(new)]
        with store.writing() as connection:
            connection.execute(text("INSERT OR IGNORE INTO recorded_players VALUES (:player, :since)"), rows)


def recorded_players(store: Store) -> list[str]:
    """Every player who was recorded in results that were read with this store, in the order of names."""
    with store.reading() as connection:
        return sorted(connection.execute(text("SELECT player FROM recorded_players")).scalars())


def forgotten(connection: Connection, players: Iterable[str]) -> frozenset[str]:
    """Which of these players are forgotten: nothing about them is taken in again."""
    tokens = frozenset(connection.execute(text("SELECT token FROM forgotten")).scalars())
    return ForgottenPlayers(_secret(connection), tokens)(players)


@dataclass(frozen=True)
class ForgottenPlayers:
    """Which of some players have asked to be forgotten, as a store has it.

    Attributes
    ----------
    secret, tokens
        Of the store.
    """

    secret: bytes
    tokens: frozenset[str]

    def __call__(self, players: Iterable[str]) -> frozenset[str]:
        """Those of the players who have asked."""
        return frozenset(
            player for player in set(players) if self.tokens and _keyed(self.secret, player) in self.tokens
        )

    @property
    def digest(self) -> str:
        """Of all of them: another as soon as one more has asked."""
        return hashlib.sha256("".join(sorted(self.tokens)).encode()).hexdigest()


def forgotten_players(store: Store) -> ForgottenPlayers:
    """Everybody who has asked to be forgotten, to be asked about names when the store is closed."""
    with store.reading() as connection:
        tokens = frozenset(connection.execute(text("SELECT token FROM forgotten")).scalars())
        return ForgottenPlayers(_secret(connection), tokens)


def tokens_of(store: Store, players: Sequence[str]) -> list[str]:
    """The token of each player, as a model's manifest lists them: sorted, so that their order tells nothing."""
    with store.reading() as connection:
        return sorted({_token(connection, player) for player in players})


def last_verdict(store: Store) -> int:
    """The number of the verdict that was added last; 0 where there is none."""
    with store.reading() as connection:
        return int(connection.execute(text("SELECT coalesce(max(id), 0) FROM verdicts")).scalar_one())


def last_verdict_of(store: Store, bundle_sha256: str) -> int | None:
    """The last verdict that was there when a model was learned; None where that was not noted."""
    with store.reading() as connection:
        asked = text("SELECT last_verdict FROM trainings WHERE bundle_sha256 = :bundle")
        found = connection.execute(asked, {"bundle": bundle_sha256}).scalar_one_or_none()
        return None if found is None else int(found)


def note_training(
    store: Store, bundle_sha256: str, players: Iterable[str], last_verdict: int | None = None
) -> None:
    """Keep that a model has learned from these players' labels, the last of which was `last_verdict`.

    It is noted before the model is written: one that was not is named in vain, and no other is missed.
    """
    with store.writing() as connection:
        noted: list[dict[str, Any]] = [
            {"bundle": bundle_sha256, "token": _token(connection, player), "at": now()}
            for player in sorted(set(players))
        ]
        if noted:
            connection.execute(text("INSERT OR IGNORE INTO trained_on VALUES (:bundle, :token, :at)"), noted)
        if last_verdict is not None:
            connection.execute(
                text("INSERT OR IGNORE INTO trainings VALUES (:bundle, :last, :at)"),
                {"bundle": bundle_sha256, "last": last_verdict, "at": now()},
            )


def models_of(store: Store, player: str) -> tuple[str, ...]:
    """SHA-256 of each model that has learned from a player's labels, forgotten or not."""
    with store.reading() as connection:
        return _bundles(connection, _token(connection, player))


def models_to_retrain(store: Store) -> tuple[str, ...]:
    """SHA-256 of each model that has learned from somebody who was forgotten since."""
    with store.reading() as connection:
        asked = "SELECT DISTINCT bundle_sha256 FROM trained_on WHERE token IN (SELECT token FROM forgotten) ORDER BY 1"
        return tuple(connection.execute(text(asked)).scalars())


def _spellings(connection: Connection, player: str) -> list[str]:
    """Other names that were last said to be the player's, through others where that was said."""
    said = connection.execute(text("SELECT player, name, says FROM player_names ORDER BY id")).all()
    last = {name: (other, says) for other, name, says in said}
    found: list[str] = []
    new = [player]
    while new:
        new = [
            name
            for name, (other, says) in last.items()
            if says == "same" and other in new and name not in (player, *found)
        ]
        found += new
    return found


def _tables_about_players(store: Store) -> list[str]:
    return [table for table, columns in store.tables().items() if "player" in columns]


def _count(connection: Connection, table: str, where: str, values: dict[str, Any]) -> int:
    return connection.execute(text(f'SELECT count(*) FROM "{table}" WHERE {where}'), values).scalar_one()


def _mentions(connection: Connection, tables: dict[str, tuple[str, ...]], player: str) -> dict[str, int]:
    """Rows about others that hold a player's id in any of their cells, by table."""
    if len(player.strip()) < _SHORTEST_MENTION:
        return {}
    found = {}
    for table, columns in tables.items():
        if "player" in columns:
            mentions = " OR ".join(
                f'instr(lower("{column}"), lower(trim(:player))) > 0' for column in columns
            )
            found[table] = _count(
                connection, table, f"player <> :player AND ({mentions})", {"player": player}
            )
    return {table: n for table, n in found.items() if n}


def _bundles(connection: Connection, token: str) -> tuple[str, ...]:
    asked = text("SELECT bundle_sha256 FROM trained_on WHERE token = :token ORDER BY 1")
    return tuple(connection.execute(asked, {"token": token}).scalars())


def _token(connection: Connection, player: str) -> str:
    return _keyed(_secret(connection), player)


def _keyed(secret: bytes, player: str) -> str:
    return hmac.new(secret, player.encode("utf-8"), hashlib.sha256).hexdigest()


def _secret(connection: Connection) -> bytes:
    return bytes(connection.execute(text("SELECT value FROM secrets WHERE name = 'people'")).scalar_one())
