"""What is known of everybody now: the roster as it stands, and the statements of the store."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from faultml.care.body import JUST_NOW, PlayerBody, pain_state
from faultml.care.names import holds, near, same
from faultml.care.put_together import body_of, cells_of
from faultml.care.rules import load_care
from faultml.care.same_person import everyone, names_known, one_person, rows_of_person
from faultml.care.seen import SeenCell
from faultml.care.sources import sources_of_run
from faultml.recordings.roster import Roster, read_roster, roster_frame
from faultml.recordings.roster_cells import read_pain
from faultml.recordings.roster_match import MatchedRoster, match_roster, with_cautions_of
from faultml.store.place import store_if_there

if TYPE_CHECKING:
    from faultml.care.statements import CellKey, Statement
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
    missing
        What was looked for and not found, one sentence each: it holds every drill.
    remembered
        Whether a store was read: without one drills are shown, and not given.
    """

    bodies: Mapping[str, PlayerBody] = field(default_factory=dict)
    roster: pd.DataFrame = field(default_factory=lambda: roster_frame({}))
    open_names: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    remembered: bool = True

    def body(self, player: str) -> PlayerBody:
        """What is known of a player: of one who is nowhere, nothing."""
        return self.bodies.get(player) or PlayerBody(player, remembered=self.remembered)

    def in_new_store(self) -> Known:
        """The same for whoever makes a store with this: what is said from now on is remembered."""
        bodies = {player: replace(body, remembered=True) for player, body in self.bodies.items()}
        return replace(self, bodies=bodies, remembered=True)


def known_now(
    roster: MatchedRoster,
    players: Iterable[str],
    today: date,
    store: Store | None = None,
    *,
    recorded: bool = True,
    other: Store | None = None,
    missing: tuple[str, ...] = (),
    run: Mapping[str, Any] | None = None,
    needs_store: bool = False,
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
    recorded
        Whether the players are those of results: the store then keeps that they were recorded.
    other
        A further store, which is only read: what was said there counts too.
    missing
        What was looked for and not found: it holds every drill of everybody.
    run
        The content of ``run.json``, where there are results: it says which names they take for one player's.
    needs_store
        Whether drills are for players of a season, so that without a store none is given.
    """
    stores = [each for each in (other, store) if each is not None]
    players_of = names_known(stores, run or {})
    players = everyone(players, players_of)
    rows = {str(row["player"]): row for row in roster.table.to_dict("records")}
    strange = {
        str(row["player"]): row["pain"]
        for row in roster.strangers.to_dict("records")
        if any(read_pain(said).kind in ("hurts", "not-read") for said in row["pain"])
    }
    # A row of somebody who has asked to be forgotten is nobody else's: it holds no drill of others.
    gone = _forgotten(stores, strange)
    strange = {name: texts for name, texts in strange.items() if name not in gone}
    written_on = min(_written_on(roster.file), today) if roster.file else today
    current = {
        (player, about): texts
        for player in players
        for about, texts in cells_of(rows.get(player, {})).items()
        # What a row that could not be read says is not known: what was seen before stays as it is.
        if not any(map(_not_read, rows.get(player, {}).get("pain", ())))
    }
    # Since when a row says it: a release covers only what was recorded before it.
    current |= {
        (str(row["player"]), "pain"): tuple(row["pain"]) for row in roster.strangers.to_dict("records")
    }
    if store is not None:
        _note(store, current if roster.file and not roster.unreadable else {}, written_on, today)
        if recorded:
            _note_recorded(store, players)
    seen, remembered = _read(stores, players), bool(stores) or not needs_store
    releases = _releases(seen.said, players)
    strange = {
        name: texts
        for name, texts in strange.items()
        if name not in releases or _since(texts, seen.cells.get((name, "pain"), ())) > releases[name]
    }
    cells: dict[str, dict[str, list[SeenCell]]] = {}
    for (player, about), texts in seen.cells.items():
        cells.setdefault(player, {})[about] = list(texts)
    if store is None:
        for (player, about), words in current.items():
            own_cells = cells.setdefault(player, {}).setdefault(about, [])
            # What the other store has seen was there by the file's day; what none has seen is recorded only now.
            there = {cell.text for cell in own_cells if cell.gone_on is None}
            by_then = datetime.combine(written_on, time.max, UTC)
            own_cells += [
                SeenCell(text, written_on, recorded_at=by_then if text in there else None) for text in words
            ]
    held = holds(strange, players, roster.rowless)
    own: dict[str, list[Statement]] = {}
    for each in seen.said:
        own.setdefault(each.player, []).append(each)
    # What was said under a name of another spelling holds whoever may be meant; who was recorded is somebody else.
    for name in sorted(set(own) - set(players)):
        since = [
            each
            for each in own[name]
            if name not in releases or _recorded_at(each.recorded_at) > releases[name]
        ]
        if _speaks_against(body_of(name, None, {}, since), today):
            meant = [player for player in players if same(name, player)]
            if not meant and name not in seen.recorded:
                meant = [player for player in players if player in roster.rowless or near(name, player)]
            held |= {player: (*held.get(player, ()), name) for player in meant}
            if meant:
                strange[name] = ()
    bodies = {
        player: body_of(
            player,
            rows.get(player),
            cells.get(player, {}),
            own.get(player, ()),
            held_for=held.get(player, ()),
            unread=bool(missing),
            anew=player in seen.readmitted,
            remembered=remembered,
        )
        for player in players
    }
    return Known(
        bodies=one_person(bodies, players_of),
        roster=rows_of_person(roster.table, players_of),
        open_names=tuple(sorted(strange)),
        missing=missing,
        remembered=remembered,
    )


def known_from_file(
    roster: Path | None, players: Iterable[str], today: date, store: Store | None = None
) -> Known:
    """The same with the roster read from its file as it is now; one that cannot be found or read means no drill."""
    stores = [] if store is None else [store]
    players = everyone(players, names_known(stores, {}))
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
        The content of the season's ``run.json``, which names its roster and its store. What cannot be found of them
        holds every drill, and `Known.missing` says what was looked for.
    players
        Everybody recorded.
    store
        The coach's store; where not given, the one at its usual place where there is one.
    roster
        Another roster than the one the season had. What the season's own says against a drill still counts.
    """
    store = store_if_there(store)
    if store is None:
        return known_with_store(run, players, today, None, roster)
    from faultml.store import open_store

    with open_store(store, create=False) as opened:
        return known_with_store(run, players, today, opened, roster)


def known_with_store(
    run: Mapping[str, Any],
    players: Iterable[str],
    today: date,
    store: Store | None,
    roster: Path | None = None,
) -> Known:
    """As `known_of_run`, with the store open."""
    stores = [] if store is None else [store]
    players = everyone(players, names_known(stores, run))
    sources = sources_of_run(run, roster, store)
    matched = match_roster(read_roster(sources.roster), players)
    if sources.second is not None:
        matched = with_cautions_of(matched, match_roster(read_roster(sources.second), players))
    if sources.store is None:
        return known_now(matched, players, today, store, missing=sources.missing, run=run, needs_store=True)
    from faultml.store import open_store

    with open_store(sources.store, create=False) as other:
        return known_now(matched, players, today, store, other=other, missing=sources.missing, run=run)


def known_in_store(store: Path | None, players: Iterable[str], today: date) -> Known:
    """What the store alone says, where no roster is at hand; words of a roster that it has seen are part of it."""
    nobody = match_roster(read_roster(None), ())
    if store is None:
        return known_now(nobody, players, today)
    from faultml.store import open_store

    with open_store(store, create=False) as opened:
        return known_now(nobody, players, today, opened, recorded=False)


def _releases(said: Iterable[Statement], players: Iterable[str]) -> dict[str, datetime]:
    """Name -> when it was last said to belong to none of the players; a player's own name is never released."""
    return {
        each.player: _recorded_at(each.recorded_at)
        for each in said
        if each.about == "name" and not any(same(each.player, player) for player in players)
    }


def _since(texts: Iterable[str], seen: Iterable[SeenCell]) -> datetime:
    """When the last of a row's texts about pain was first seen; one that no store has seen is there just now."""
    first: dict[str, datetime] = {}
    for cell in seen:
        if cell.gone_on is None:
            moment = _recorded_at(cell.recorded_at)
            first[cell.text] = min(moment, first.get(cell.text, moment))
    return max((first.get(text, JUST_NOW) for text in texts), default=JUST_NOW)


def _recorded_at(moment: datetime | None) -> datetime:
    return moment or JUST_NOW


def _not_read(text: str) -> bool:
    return read_pain(text).kind == "not-read"


def _written_on(file: str) -> date:
    try:
        return date.fromtimestamp(Path(file).stat().st_mtime)
    except OSError:
        return date.min


def _speaks_against(body: PlayerBody, today: date) -> bool:
    """Whether what was said of somebody may stop or bar a drill."""
    stops = pain_state(body, today, load_care()).pain in ("hurts", "unsigned")
    return stops or any(body.histories.values()) or body.is_minor(today) is True


@dataclass(frozen=True)
class _Seen:
    """What stores hold: statements, texts of the roster, who was recorded, and who was taken in again."""

    said: list[Statement] = field(default_factory=list)
    cells: Mapping[CellKey, list[SeenCell]] = field(default_factory=dict)
    recorded: frozenset[str] = frozenset()
    readmitted: frozenset[str] = frozenset()


def _forgotten(stores: Iterable[Store], names: Iterable[str]) -> frozenset[str]:
    """Which names are of players who have asked any of these stores to be forgotten."""
    asked, opened = list(names), list(stores)
    if not asked or not opened:
        return frozenset()
    # The store's library is needed only where there is a store.
    from faultml.store.people import forgotten_players

    return frozenset().union(*(forgotten_players(store)(asked) for store in opened))


def _note(store: Store, current: Mapping[CellKey, tuple[str, ...]], written_on: date, today: date) -> None:
    from faultml.care.statements import note_cells

    note_cells(store, current, written_on, today)


def _note_recorded(store: Store, players: Iterable[str]) -> None:
    from faultml.store.people import note_recorded

    note_recorded(store, players)


def _read(stores: Iterable[Store], players: list[str]) -> _Seen:
    """Everything that stores hold; their library is needed only where there is one."""
    stores = list(stores)
    if not stores:
        return _Seen()
    from faultml.care.statements import cells_seen, statements
    from faultml.store.people import readmitted, recorded_players

    said: list[Statement] = []
    cells: dict[CellKey, list[SeenCell]] = {}
    recorded: set[str] = set()
    again: set[str] = set()
    for store in stores:
        said += statements(store)
        recorded |= set(recorded_players(store))
        for cell, texts in cells_seen(store).items():
            cells.setdefault(cell, []).extend(texts)
        with store.reading() as connection:
            again |= readmitted(connection, players)
    # A copy of a store says the same once more.
    said = sorted(dict.fromkeys(said), key=lambda each: _recorded_at(each.recorded_at))
    return _Seen(said, cells, frozenset(recorded), frozenset(again))
