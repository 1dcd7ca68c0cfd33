"""What a roster's row, its remembered cells and the store's statements say of one body, put together.

Only what is said anew, by name and on a day, takes back what the roster or the store once said against a drill.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Any, Final, cast

from faultml.care.body import History, PlayerBody, Said
from faultml.care.rules import is_name
from faultml.care.seen import SeenCell, said_in
from faultml.recordings.roster_cells import (
    HISTORIES,
    read_answer,
    read_birth_year,
    read_experienced,
    read_pain,
)

if TYPE_CHECKING:
    from faultml.care.statements import Statement

Row = Mapping[str, Any]

_YES: Final = "yes"


def cells_of(row: Row) -> dict[str, tuple[str, ...]]:
    """The cells of a roster's row that are remembered, by what they are about; what says nothing has no text."""
    year = read_birth_year(row.get("birth_year"))
    yes = {name: read_answer(row.get(name)).value is True for name in (*HISTORIES, "under_16")}
    return {
        "pain": tuple(row.get("pain", ())),
        "birth_year": () if year is None else (str(year),),
        **{name: (_YES,) if said else () for name, said in yes.items()},
    }


def body_of(
    player: str,
    row: Row | None,
    cells: Mapping[str, Sequence[SeenCell]],
    statements: Iterable[Statement],
    *,
    held_for: tuple[str, ...] = (),
    unread: bool = False,
    anew: bool = False,
    remembered: bool = True,
) -> PlayerBody:
    """Put together what is known of a player.

    Parameters
    ----------
    row
        The player's row of the roster, None where there is none.
    cells
        Cells of the roster as they were seen, by what they are about.
    statements
        Of the store, in the order they were recorded.
    held_for, unread, remembered
        As in `PlayerBody`.
    anew
        Whether the player was forgotten and taken in again: of the roster only what speaks against a drill counts.
    """
    row, statements = row or {}, list(statements)
    said: list[Said | None] = [said_in(cell) for cell in cells.get("pain", ())]
    if anew:
        said = [each for each in said if each is not None and each.kind == "hurts"]
    said += _pain_said(without_mistakes(statements))
    return PlayerBody(
        player=player,
        said=tuple(each for each in said if each is not None),
        unread=unread or any(read_pain(text).kind == "not-read" for text in row.get("pain", ())),
        held_for=held_for,
        remembered=remembered,
        histories=cast(Mapping[History, bool], _histories(row, cells, statements, anew=anew)),
        birth_year=_birth_year(row, cells, statements),
        under_16=_under_16(row, cells, statements),
        experienced=_experienced(row.get("level"), statements),
        hits_fat="fat" in str(row.get("usual_miss") or "").split(),
    )


def _pain_said(statements: Sequence[Statement]) -> list[Said | None]:
    """Statements as said about pain. Pain without a word goes by the words recorded after it for the same day."""

    def worded(place: int, pain: Statement) -> bool:
        later = statements[place + 1 :]
        return any(each.about == "pain" and each.value and each.said_on == pain.said_on for each in later)

    said = []
    for place, each in enumerate(statements):
        one = each.as_said
        if one is not None and one.red_flag and not each.value and worded(place, each):
            one = replace(one, red_flag=False)
        said.append(one)
    return said


def without_mistakes(statements: Sequence[Statement]) -> list[Statement]:
    """Statements in the order they were recorded, without pain that was pressed by mistake.

    Taken back is only what the same person recorded on the same day without a word of where it hurts.
    """
    held: list[Statement] = []
    for each in statements:
        if each.about == "mistake":
            held = [other for other in held if not _is_press(other, each)]
        else:
            held.append(each)
    return held


def _is_press(pain: Statement, mistake: Statement) -> bool:
    return (
        pain.about == "pain"
        and not pain.value.strip()
        and pain.said_on == mistake.said_on
        and pain.by.strip() == mistake.by.strip()
        and pain.player == mistake.player
    )


def _histories(
    row: Row, cells: Mapping[str, Sequence[SeenCell]], statements: Sequence[Statement], *, anew: bool
) -> dict[str, bool]:
    """The answer to each history that is known: a yes of the roster or the store stands until a named no."""
    answers = {}
    for history in HISTORIES:
        written = read_answer(row.get(history)).value
        own = [each for each in statements if each.about == history]
        stood = any(
            not any(_takes_back(later, each.said_on) and later.value == "no" for later in own[place + 1 :])
            for place, each in enumerate(own)
            if each.value == _YES
        )
        remembered = any(
            not any(each.value == "no" and _takes_back(each, cell.gone_on) for each in own)
            for cell in cells.get(history, ())
        )
        if written or stood or remembered:
            answers[history] = True
        elif own or (written is False and not anew):
            answers[history] = False
    return answers


def _birth_year(
    row: Row, cells: Mapping[str, Sequence[SeenCell]], statements: Sequence[Statement]
) -> int | None:
    """The latest year that anybody says: the store since it was last said by name, the roster now, and as it was."""
    said = [each for each in statements if each.about == "birth_year"]
    named = max((place for place, each in enumerate(said) if is_name(each.by)), default=0)
    last = said[named:]
    years = [int(each.value) for each in last]
    written = read_birth_year(row.get("birth_year"))
    years += [] if written is None else [written]
    years += [
        int(cell.text)
        for cell in cells.get("birth_year", ())
        if not any(_takes_back(each, cell.gone_on) for each in last)
    ]
    return max(years, default=None)


def _under_16(
    row: Row, cells: Mapping[str, Sequence[SeenCell]], statements: Sequence[Statement]
) -> bool | None:
    born = [each for each in statements if each.about == "birth_year"]
    once = cells.get("under_16", ())
    if any(not any(_takes_back(each, cell.gone_on) for each in born) for cell in once):
        return True
    return read_answer(row.get("under_16")).value


def _experienced(level: object, statements: Sequence[Statement]) -> bool | None:
    """A beginner's level of the roster always counts, then the last word of the store, then the roster."""
    written = read_experienced(level)
    said = [each.value == _YES for each in statements if each.about == "experienced"][-1:]
    return written if written is False or not said else said[0]


def _takes_back(statement: Statement, stood_until: date | None) -> bool:
    """Whether a statement, by name, lies no earlier than the day until which something stood; None: it stands."""
    return stood_until is not None and is_name(statement.by) and statement.said_on >= stood_until
