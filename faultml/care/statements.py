"""What is said about players' bodies, kept in the coach's store: what, for which day, by whom, on whose advice.

Statements are added and never changed. Beside them stands since when the roster's words about pain are there: the
same text again is no news. Whatever is kept has a column ``player``, so that a player who is forgotten takes it along.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import UTC, date, datetime, timedelta
from typing import Final, Literal, get_args

from sqlalchemy import Column, Connection, Integer, Table, Text, select

from faultml.care.body import Said, SaidKind
from faultml.care.rules import is_name, load_care
from faultml.care.seen import SeenCell
from faultml.errors import InputError
from faultml.recordings.roster_cells import HISTORIES, is_plain, read_birth_year
from faultml.store import METADATA, Store
from faultml.store.people import forgotten

About = Literal[
    "pain",
    "none",
    "practised",
    "return",
    "birth_year",
    "experienced",
    "ulnar_history",
    "thumb_history",
    "elbow_history",
    "nerve_history",
    "hamate_history",
    "name",
    "mistake",
]
"""What a statement is about; ``name``: a roster's name belongs to none of the recorded players; ``mistake``: that
something hurts, recorded without a word on the same day by the same person, was pressed by mistake."""

STATEMENTS: Final = Table(
    "statements",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=True),
    *(Column(name, Text, nullable=False) for name in ("player", "about", "value", "said_on")),
    *(Column(name, Text, nullable=False) for name in ("by", "role", "advice", "guardian", "recorded_at")),
)
ROSTER_CELLS: Final = Table(
    "roster_cells",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=True),
    *(Column(name, Text, nullable=False) for name in ("player", "text", "seen_on")),
    Column("gone_on", Text),
    Column("recorded_at", Text),
    Column("about", Text, nullable=False, server_default="pain"),
)
CellKey = tuple[str, str]
"""A player, and what a cell of the roster is about: ``pain``, a history, ``under_16`` or ``birth_year``."""

MAX_WORDS: Final = 500
"""Longest text of a statement, characters."""

_YES: Final = "yes"
_KINDS: Final[dict[str, SaidKind]] = {
    "pain": "hurts",
    "none": "none",
    "practised": "practised",
    "return": "return",
}


@dataclass(frozen=True)
class Statement:
    """One statement about a player's body.

    Attributes
    ----------
    player
        Id, as in the recordings; of ``name`` the name as the roster has it.
    about
        What it is about.
    value
        Where it hurts; ``yes`` or ``no`` to a history or to being experienced; the year of birth; else empty.
    said_on
        The day it holds for.
    by, role, advice, guardian
        Who recorded it and as what; of a return, on whose advice, and the guardian of a minor.
    recorded_at
        When it was recorded, UTC; None before that.
    """

    player: str
    about: About
    said_on: date
    value: str = ""
    by: str = ""
    role: str = ""
    advice: str = ""
    guardian: str = ""
    recorded_at: datetime | None = None

    @property
    def as_said(self) -> Said | None:
        """The statement as one about pain, None where it is about something else."""
        if self.about not in _KINDS:
            return None
        return Said(
            on=self.said_on,
            kind=_KINDS[self.about],
            where=self.value,
            red_flag=self.about == "pain" and not is_plain(self.value),
            by=self.by,
            role=self.role,
            advice=self.advice,
            guardian=self.guardian,
            recorded_at=self.recorded_at,
        )


_COLUMNS: Final = tuple(each.name for each in fields(Statement) if each.name != "recorded_at")


def latest_day(about: About, today: date) -> date:
    """The day of a statement that names none, and the latest that one may bear.

    Of what stops a drill the later of the machine's day and the UTC day, of what may let one through the earlier: no
    two machines in whatever time zones have a return on the very day of the pain.
    """
    days = today, datetime.now(UTC).date()
    return max(days) if about in ("pain", "mistake") else min(days)


def check_statement(said: Statement, today: date) -> None:
    """Check one statement by itself; whether a return may be recorded, `faultml.care.record` says.

    Raises
    ------
    InputError
        ``bad-about``, ``bad-player``, ``bad-value``, ``date-ahead``, ``too-long``, ``name-needed``; of a mistake
        ``bad-day``; of a return also
        ``role-needed`` and ``advice-needed`` where they are not on the closed list.
    """
    rules, latest, returns = load_care(), latest_day(said.about, today), said.about == "return"
    wrong = [
        (code, expected, found)
        for code, right, expected, found in (
            ("bad-about", said.about in get_args(About), ", ".join(get_args(About)), said.about),
            ("bad-player", bool(said.player.strip()), "a player's id", "nothing"),
            (
                "date-ahead",
                said.said_on <= latest,
                f"a day up to {latest.isoformat()}",
                said.said_on.isoformat(),
            ),
            (
                "too-long",
                max(len(str(value)) for value in asdict(said).values()) <= MAX_WORDS,
                f"at most {MAX_WORDS} characters",
                "more",
            ),
            (
                "bad-value",
                said.about not in (*HISTORIES, "experienced") or said.value in ("yes", "no"),
                f"yes or no to {said.about}",
                "other words",
            ),
            (
                "bad-value",
                said.about != "birth_year" or (read_birth_year(said.value) or 9999) <= today.year,
                "a year of birth such as 1994",
                "something else",
            ),
            (
                "name-needed",
                is_name(said.by)
                or not (
                    said.about in ("name", "return", "mistake")
                    or (said.about == "experienced" and said.value == _YES)
                ),
                "who says so: --by NAME",
                said.by or "nothing",
            ),
            (
                "bad-day",
                said.about != "mistake" or said.said_on == latest,
                f"the same day, {latest.isoformat()}: later only a return to practice lifts pain",
                said.said_on.isoformat(),
            ),
            (
                "role-needed",
                not returns or rules.role_of(said.role) != "",
                f"--role {rules.roles}",
                said.role or "nothing",
            ),
            (
                "advice-needed",
                not returns or rules.role_of(said.advice) != "",
                f"--advice {rules.roles}",
                said.advice or "nothing",
            ),
        )
        if not right
    ]
    if wrong:
        code, expected, found = wrong[0]
        raise InputError(code, where=said.player, expected=expected, found=found)


def add_statements(store: Store, said: Iterable[Statement], today: date) -> None:
    """Add statements, all of them or none.

    Raises
    ------
    InputError
        As `check_statement`, and ``forgotten-player``: nothing about them is taken in again.
    """
    said = list(said)
    for each in said:
        check_statement(each, today)
    if not said:
        return
    rows = [
        {name: getattr(each, name) for name in _COLUMNS}
        | {"said_on": each.said_on.isoformat(), "recorded_at": _moment()}
        for each in said
    ]
    with store.writing() as connection:
        gone = forgotten(connection, (each.player for each in said))
        if gone:
            expected = "players who were not forgotten"
            raise InputError("forgotten-player", where=str(store.path), expected=expected, found=min(gone))
        connection.execute(STATEMENTS.insert(), rows)


def statements(store: Store, player: str | None = None) -> list[Statement]:
    """Every statement, or those about one player, in the order they were recorded.

    `recorded_at` grows from each to the next, also where the machine's clock was set back between them.
    """
    names = (*_COLUMNS, "recorded_at")
    asked = select(*(STATEMENTS.c[name] for name in names)).order_by(STATEMENTS.c.id)
    if player is not None:
        asked = asked.where(STATEMENTS.c.player == player)
    with store.reading() as connection:
        rows = connection.execute(asked).mappings().all()
    found = []
    last = datetime.min.replace(tzinfo=UTC)
    for row in rows:
        last = max(datetime.fromisoformat(row["recorded_at"]), last + timedelta(microseconds=1))
        found.append(
            Statement(
                **{name: row[name] for name in _COLUMNS}
                | {"said_on": date.fromisoformat(row["said_on"]), "recorded_at": last}
            )
        )
    return found


def note_cells(store: Store, current: Mapping[CellKey, Sequence[str]], written_on: date, today: date) -> None:
    """Note what the roster's cells say now: a text that was not there before is dated, one that left is closed.

    Parameters
    ----------
    current
        Texts of the players' rows; whoever is not named is left as they are.
    written_on
        When the file was last changed: a text that is new to the store was there by then.
    today
        The day of reading.
    """
    with store.reading() as connection:
        news = _news(connection, current)
    if not any(news):  # nothing is written, so that whoever only reads does not wait for a writer
        return
    with store.writing() as connection:
        new, left = _news(connection, current)
        if left:
            closed = ROSTER_CELLS.update().where(ROSTER_CELLS.c.id.in_(left))
            connection.execute(closed, {"gone_on": today.isoformat()})
        if new:
            seen_on, moment = min(written_on, today).isoformat(), _moment()
            rows = [
                {"player": player, "about": about, "text": text, "seen_on": seen_on, "recorded_at": moment}
                for (player, about), text in new
            ]
            connection.execute(ROSTER_CELLS.insert(), rows)


def _news(
    connection: Connection, current: Mapping[CellKey, Sequence[str]]
) -> tuple[list[tuple[CellKey, str]], list[int]]:
    """Texts that are new, by cell, and the ids of rows whose text is there no more; of nobody who was forgotten."""
    open_rows = select(ROSTER_CELLS).where(ROSTER_CELLS.c.gone_on.is_(None))
    there = [
        ((row["player"], row["about"]), row["text"], row["id"])
        for row in connection.execute(open_rows).mappings().all()
    ]
    known = {(cell, text) for cell, text, _ in there}
    new = [(cell, text) for cell, texts in current.items() for text in texts if (cell, text) not in known]
    gone = forgotten(connection, {player for (player, _), _ in new})
    left = [number for cell, text, number in there if cell in current and text not in current[cell]]
    return [each for each in new if each[0][0] not in gone], left


def cells_seen(store: Store) -> dict[CellKey, list[SeenCell]]:
    """Every text of the roster's cells, those that left included, with the day it was first seen."""
    found: dict[CellKey, list[SeenCell]] = {}
    with store.reading() as connection:
        rows = connection.execute(select(ROSTER_CELLS).order_by(ROSTER_CELLS.c.id)).mappings().all()
    for row in rows:
        gone_on = date.fromisoformat(row["gone_on"]) if row["gone_on"] is not None else None
        found.setdefault((row["player"], row["about"]), []).append(
            # Stores from before the time was kept have the day alone.
            SeenCell(
                row["text"],
                date.fromisoformat(row["seen_on"]),
                gone_on,
                datetime.fromisoformat(row["recorded_at"] or f"{row['seen_on']}T00:00:00Z"),
            )
        )
    return found


def _moment() -> str:
    """The moment, UTC, finer than the store's other times: the order of statements and cells goes by it."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
