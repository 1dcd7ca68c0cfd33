"""Whether a drill may be given: the row of a sheet, a command and a request are read, checked and noted alike."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from typing import Final, NamedTuple

from sqlalchemy import func, select
from sqlalchemy.dialects.sqlite import insert

from faultml.care.body import Said
from faultml.care.check import care_check
from faultml.care.known import Known
from faultml.care.rules import PAUSED, STOPS, load_care, says_no, speaks_of_body
from faultml.care.statements import MAX_WORDS, Statement, add_statements, latest_day
from faultml.coaching.book import Drill, name_key
from faultml.coaching.notes import reasons
from faultml.coaching.rules import Coaching
from faultml.errors import InputError
from faultml.outcomes.assignments import ASSIGNMENTS, KEYS, SHEET, Assignment, check_assignment
from faultml.results.sheets import SheetProblem, read_sheet
from faultml.store import Store
from faultml.store.base import now
from faultml.store.people import forgotten

HURTS: Final = "hurts"
"""The sheet's column for the answer to "does anything hurt today?": ``none``, or where; empty where nobody asked."""

NOTE: Final = "note"
"""The sheet's column for anything else; words of it that speak of a body count as an answer that something hurts."""

NOTHING: Final = "none"

ASK_FIRST: Final = "ask-first"
CARE: Final = frozenset({*STOPS, "level-experienced", ASK_FIRST})
"""Codes of what care has against a drill."""


@dataclass(frozen=True)
class Giving:
    """A drill that may be given; `check_giving` makes it.

    Attributes
    ----------
    given
        As it is noted.
    drill
        The drill of the book.
    dose
        How much a day and week, as care allows it, in words.
    asked
        Whether the player was asked today, and nothing hurts: to be recorded with it.
    """

    given: Assignment
    drill: Drill
    dose: str
    asked: bool


class GivingProblem(NamedTuple):
    """Why a drill is not given; `code` is a public reason of care, `ASK_FIRST`, or ``bad-`` and the column."""

    column: str
    expected: str
    found: str
    code: str


def check_giving(
    cells: Mapping[str, str], known: Known, players: Collection[str], coaching: Coaching, on: date
) -> Giving | list[GivingProblem]:
    """Read one drill to be given, and ask the care check.

    Parameters
    ----------
    cells
        ``player, drill, fault, since, balls_a_week, hurts`` as written, "" where nothing was said; `drill` and
        `fault` are ids or names.
    known
        What is known of everybody now.
    players
        Everybody recorded.
    on
        Today.

    Returns
    -------
    Giving or list
        Else everything that is wrong. Of a player's health nothing is repeated.
    """
    row = {name: cells.get(name, "").strip() for name in (*SHEET, HURTS)}
    row["fault"] = fault_named(row["fault"], coaching)
    drill = coaching.book.find(row["drill"])
    problems = _names(row, drill, players)
    read = check_assignment(
        row | {"drill": drill.id if isinstance(drill, Drill) else ""},
        coaching.serving,
        coaching.catalogue.ids,
    )
    if not isinstance(read, Assignment):
        named = {problem.column for problem in problems} | (
            {"drill"} if not isinstance(drill, Drill) else set()
        )
        return problems + [GivingProblem(*each, f"bad-{each[0]}") for each in read if each[0] not in named]
    assert isinstance(drill, Drill)
    asked = row[HURTS].casefold() == NOTHING
    if row[HURTS] and not asked:
        found = "an answer that stops every drill" if _hurts(row) else "another word"
        problems.append(GivingProblem(HURTS, f"{NOTHING}, or no drill", found, PAUSED))
    if problems:
        return problems
    body = known.body(read.player)
    if asked:
        body = replace(body, said=(*body.said, Said(on, "none")), remembered=True)
    rules = load_care()
    answer = care_check(drill.demands, body, on, rules)
    if answer.verdict == "no":
        code = answer.public_reason(rules)
        return [
            GivingProblem("drill", "a drill that care allows: faultml players care", reasons()[code], code)
        ]
    if answer.verdict == "show":
        return [
            GivingProblem(
                HURTS if code == "ask-pain" else "player",
                f"an answer to: {rules.questions[code]}",
                "no answer",
                ASK_FIRST,
            )
            for code in answer.ask
        ]
    return Giving(read, drill, drill.dose.words(answer.dose or drill.dose.amount), asked)


def fault_named(written: str, coaching: Coaching) -> str:
    """The id of a fault of single swings, by its id or its name in any case and spacing; else as it was written."""
    by_key = {name_key(coaching.words[fault]): fault for fault in coaching.catalogue.ids} | {
        name_key(fault): fault for fault in coaching.catalogue.ids
    }
    return by_key.get(name_key(written), written)


def note_givings(store: Store, givings: Sequence[Giving], today: date) -> int:
    """Note drills that may be given, and that their players were asked; one that stands there has its practice renewed.

    Returns
    -------
    int
        How many were new.

    Raises
    ------
    InputError
        ``forgotten-player``: nothing about them is taken in again.
    """
    if not givings:
        return 0
    asked = dict.fromkeys(each.given.player for each in givings if each.asked)
    # First: a drill never stands there without the answer that it rests on.
    add_statements(store, [Statement(player, "none", latest_day("none", today)) for player in asked], today)
    statement = insert(ASSIGNMENTS)
    renewed = statement.on_conflict_do_update(
        index_elements=list(KEYS), set_={"balls_a_week": statement.excluded.balls_a_week}
    )
    count = select(func.count()).select_from(ASSIGNMENTS)
    with store.writing() as connection:
        gone = forgotten(connection, (each.given.player for each in givings))
        if gone:
            expected = "players who were not forgotten"
            raise InputError("forgotten-player", where=str(store.path), expected=expected, found=min(gone))
        before = connection.execute(count).scalar_one()
        connection.execute(renewed, [asdict(each.given) | {"when": now()} for each in givings])
        return int(connection.execute(count).scalar_one() - before)


def note_pain(store: Store, rows: Iterable[Mapping[str, str]], today: date) -> list[str]:
    """Record what rows say about pain in `HURTS` or `NOTE`, whatever becomes of their drills; of whom it was recorded.

    A plain no asks for `NOTHING` and is no pain; whoever was forgotten is left out.
    """
    with store.reading() as connection:
        gone = forgotten(connection, (row.get("player", "").strip() for row in rows))
    said = {
        (row.get("player", "").strip(), _complaint(row))
        for row in rows
        if row.get("player", "").strip() not in ("", *gone) and _hurts(row)
    }
    day = latest_day("pain", today)
    statements = [Statement(player, "pain", day, words[:MAX_WORDS]) for player, words in sorted(said)]
    add_statements(store, statements, today)
    return sorted({player for player, _ in said})


def _hurts(cells: Mapping[str, str]) -> bool:
    """Whether the answer says that something hurts; an answer that is not understood does."""
    return _complaint(cells) != ""


def _complaint(cells: Mapping[str, str]) -> str:
    """What the answer, or else the note, says of what hurts; "" where neither says so."""
    answer, note = cells.get(HURTS, "").strip(), cells.get(NOTE, "").strip()
    if answer and answer.casefold() != NOTHING and not says_no(answer):
        return answer
    return note if speaks_of_body(note) else ""


def read_givings(
    path: Path, known: Known, players: Collection[str], coaching: Coaching, on: date
) -> tuple[list[Giving], list[SheetProblem], list[Mapping[str, str]]]:
    """Read a sheet of drills to be given: those that may be, what is wrong with the other rows, and rows about pain.

    The rows about pain are for `note_pain`.

    Raises
    ------
    InputError
        Where the file as a whole cannot be read, see `read_sheet`.
    """
    # A column that nobody reads may say that something hurts.
    sheet = read_sheet(path, [*SHEET, HURTS, NOTE], ["player", "drill", "since"], others=False)
    givings, problems = [], list(sheet.problems)
    # Pain stated in one row holds for the player's other rows of the sheet too.
    pains: list[Mapping[str, str]] = [row.cells for row in sheet.rows if _hurts(row.cells)]
    hurting = {cells["player"].strip() for cells in pains}
    for row in sheet.rows:
        read = check_giving(row.cells, known, players, coaching, on)
        if not isinstance(read, Giving):
            problems += [SheetProblem(row.line, each.column, each.expected, each.found) for each in read]
        elif read.given.player in hurting:
            expected = f"{NOTHING} in every row of the player"
            problems.append(SheetProblem(row.line, HURTS, expected, "another answer in another row"))
        else:
            givings.append(read)
    return givings, sorted(problems), pains


def _names(
    row: Mapping[str, str], drill: Drill | tuple[str, ...], players: Collection[str]
) -> list[GivingProblem]:
    """What is wrong with the names of player and drill, with those that are spelt nearly so."""
    problems = []
    if row["player"] and row["player"] not in players:
        near = get_close_matches(row["player"], list(players), 3, 0.6)
        meant = f"; {', '.join(near)}?" if near else ""
        problems.append(
            GivingProblem("player", f"a player of the season{meant}", row["player"], "bad-player")
        )
    if not isinstance(drill, Drill):
        meant = f"; {', '.join(drill)}?" if drill else ""
        expected = f"a drill of the book: see faultml catalogue{meant}"
        problems.append(GivingProblem("drill", expected, row["drill"], "bad-drill"))
    return problems
