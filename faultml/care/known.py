"""What is known of everybody now: the roster as it stands, and the statements of the store."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import pandas as pd

from faultml.care.body import History, PlayerBody, Said, pain_state
from faultml.care.names import holds, same
from faultml.care.rules import load_care
from faultml.care.seen import SeenCell, said_in
from faultml.recordings.roster import Roster, read_roster, roster_frame
from faultml.recordings.roster_cells import HISTORIES, is_beginner, read_answer, read_birth_year, read_pain
from faultml.recordings.roster_match import MatchedRoster, match_roster
from faultml.store.place import store_if_there

if TYPE_CHECKING:
    from faultml.care.statements import Statement
    from faultml.store import Store


@dataclass(frozen=True)
class Known:
    """What is known of every player.

    Attributes
    ----------
    bodies
        By player.
    roster
        The roster with the players' own names.
    open_names
        Names of roster rows about pain that fit nobody recorded and were not released.
    """

    bodies: Mapping[str, PlayerBody] = field(default_factory=dict)
    roster: pd.DataFrame = field(default_factory=lambda: roster_frame({}))
    open_names: tuple[str, ...] = ()

    def body(self, player: str) -> PlayerBody:
        """What is known of a player: of one who is nowhere, nothing."""
        return self.bodies.get(player) or PlayerBody(player)


def known_now(
    roster: MatchedRoster, players: Iterable[str], today: date, store: Store | None = None
) -> Known:
    """Put roster and store together.

    Parameters
    ----------
    roster
        Matched against everybody recorded.
    players
        Whom to tell of.
    today
        The day of reading. Where there is a store, words of the roster that are new to it are noted there with the
        day the file was last changed, at most today; without one all of them are taken to be of that day.
    store
        The coach's store, None where there is none.
    """
    players = sorted(set(players))
    rows = {str(row["player"]): row for row in roster.table.to_dict("records")}
    strange = {
        str(row["player"]): row["pain"]
        for row in roster.strangers.to_dict("records")
        if any(read_pain(said).kind in ("hurts", "not-read") for said in row["pain"])
    }
    written_on = min(_written_on(roster.file), today) if roster.file else today
    current = {player: tuple(rows.get(player, {}).get("pain", ())) for player in players}
    # What a row that could not be read says is not known: what was seen before stays as it is.
    current = {player: texts for player, texts in current.items() if not any(map(_not_read, texts))}
    said, cells = _from_store(
        store, current if roster.file and not roster.unreadable else {}, written_on, today
    )
    if store is None:
        cells = {player: [SeenCell(text, written_on) for text in texts] for player, texts in current.items()}
    released = [each.player for each in said if each.about == "name"]
    held = holds(strange, players, roster.rowless, released)
    own: dict[str, list[Statement]] = {}
    for each in said:
        own.setdefault(each.player, []).append(each)
    # What was said under a name of another spelling holds whoever may be meant.
    for name in sorted(set(own) - set(players) - set(released)):
        if pain_state(_body(name, None, (), own[name], ()), today, load_care()).pain in ("hurts", "unsigned"):
            meant = [player for player in players if same(name, player)]
            held |= {player: (*held.get(player, ()), name) for player in meant}
            if meant:
                strange[name] = ()
    return Known(
        bodies={
            player: _body(
                player, rows.get(player), cells.get(player, ()), own.get(player, ()), held.get(player, ())
            )
            for player in players
        },
        roster=roster.table,
        open_names=tuple(sorted(set(strange) - set(released))),
    )


def known_from_file(
    roster: Path | None, players: Iterable[str], today: date, store: Store | None = None
) -> Known:
    """The same with the roster read from its file as it is now; one that cannot be found or read means no drill."""
    players = sorted(set(players))
    read: Roster = read_roster(roster)
    return known_now(match_roster(read, players), players, today, store)


def known_of_run(
    run: Mapping[str, Any],
    players: Iterable[str],
    today: date,
    *,
    store: Path | None = None,
    roster: Path | None = None,
) -> Known:
    """What is known now of the players of a season that was classified before.

    Parameters
    ----------
    run
        The content of the season's ``run.json``, which names its roster.
    players
        Everybody recorded.
    store
        The coach's store; where not given, the one at its usual place where there is one.
    roster
        Another roster than the one the season had.
    """
    path, store = roster_path(run, roster), store_if_there(store)
    if store is None:
        return known_from_file(path, players, today)
    from faultml.store import open_store

    with open_store(store, create=False) as opened:
        return known_from_file(path, players, today, opened)


def known_in_store(store: Path | None, players: Iterable[str], today: date) -> Known:
    """What the store alone says, where no roster is at hand; words of a roster that it has seen are part of it."""
    nobody = match_roster(read_roster(None), ())
    if store is None:
        return known_now(nobody, players, today)
    from faultml.store import open_store

    with open_store(store, create=False) as opened:
        return known_now(nobody, players, today, opened)


def roster_path(run: Mapping[str, Any], override: Path | None = None) -> Path | None:
    """The roster file that the results of a season name, None where the season had none."""
    if override is not None:
        return override
    told = run.get("roster", {})
    name = told.get("file", "") if isinstance(told, Mapping) else ""
    return Path(name) if name else None


def _not_read(text: str) -> bool:
    return read_pain(text).kind == "not-read"


def _written_on(file: str) -> date:
    try:
        return date.fromtimestamp(Path(file).stat().st_mtime)
    except OSError:
        return date.min


def _from_store(
    store: Store | None, current: Mapping[str, tuple[str, ...]], written_on: date, today: date
) -> tuple[list[Statement], dict[str, list[SeenCell]]]:
    if store is None:
        return [], {}
    from faultml.care.statements import cells_seen, note_cells, statements

    note_cells(store, current, written_on, today)
    return statements(store), cells_seen(store)


def _body(
    player: str,
    row: Mapping[str, Any] | None,
    cells: Iterable[SeenCell],
    statements: Iterable[Statement],
    held_for: tuple[str, ...],
) -> PlayerBody:
    row = row or {}
    statements = list(statements)
    said: list[Said | None] = [*map(said_in, cells), *(each.as_said for each in statements)]
    # The last word of the store holds, and a yes of the roster always counts.
    answers = {each.about: each.value == "yes" for each in statements if each.about in HISTORIES}
    for history in HISTORIES:
        written = read_answer(row.get(history)).value
        if written is not None:
            answers[history] = written or answers.get(history, False)
    years = [int(each.value) for each in statements if each.about == "birth_year"][-1:]
    year = read_birth_year(row.get("birth_year"))
    years += [year] if year is not None else []
    return PlayerBody(
        player=player,
        said=tuple(each for each in said if each is not None),
        unread=any(map(_not_read, row.get("pain", ()))),
        held_for=held_for,
        histories=cast(Mapping[History, bool], answers),
        birth_year=max(years, default=None),
        under_16=read_answer(row.get("under_16")).value,
        beginner=is_beginner(row.get("level")),
        hits_fat="fat" in str(row.get("usual_miss") or "").split(),
    )
