"""A coach's verdicts: checked, added, superseded or taken back by later ones, never changed."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import Any, Final, NamedTuple

import pandas as pd
from sqlalchemy import REAL, Column, Connection, Integer, Table, Text, func, insert, select

from faultml.channels import ID_COLUMNS
from faultml.errors import InputError
from faultml.faults.catalogue import EDGE_BOUNDS, Catalogue, load_catalogue
from faultml.recordings.same_names import names_of
from faultml.results import Results
from faultml.store import METADATA, Store
from faultml.store.base import now
from faultml.store.names import players_of
from faultml.store.people import forgotten

ANSWERS: Final = ("yes", "no", "unsure")
RETRACT: Final = "retract"
NOT_BLIND: Final = "given after the tool's opinion was shown"
"""The comment of an answer that was changed after the tool's opinion had been shown."""
FIRST_OCCASION: Final = "1"

_MAX_ID, _MAX_COMMENT = 200, 2000
_MAX_SHOWN: Final = 5
_MAX_AHEAD: Final = timedelta(days=1)

TABLE: Final = Table(
    "verdicts",
    METADATA,
    Column("id", Integer, primary_key=True),
    *(Column(name, Text, nullable=False) for name in (*ID_COLUMNS, "fault", "verdict")),
    Column("severity", REAL),
    *(Column(name, Text, nullable=False) for name in ("unit", "coach", "occasion", "when", "comment")),
)
KEY: Final = ("coach", "occasion", *ID_COLUMNS, "fault")
"""Of the verdicts that share these the latest holds."""


class Verdict(NamedTuple):
    """What a coach says about one fault of one swing.

    `verdict` is ``yes``, ``no``, ``unsure`` or ``retract``, which takes back what was said before. `severity` is how
    far past the edge, in `unit` (``deg`` or ``share``; by default the fault's). `occasion` keeps apart what the same
    coach says of the same swing when asked again on purpose. `when` is ISO 8601, UTC unless it says otherwise; empty
    means now.
    """

    player: str
    session: str
    swing: str
    fault: str
    verdict: str
    coach: str
    severity: float | None = None
    unit: str = ""
    occasion: str = FIRST_OCCASION
    when: str = ""
    comment: str = ""


COLUMNS: Final = (
    *ID_COLUMNS, "fault", "verdict", "severity", "unit", "coach", "occasion", "when", "comment"
)  # fmt: skip


class Wrong(NamedTuple):
    """What is wrong in a verdict: column, what was expected and what was found."""

    column: str
    expected: str
    found: str


class Added(NamedTuple):
    """How many verdicts were new, and how many only said what already held."""

    added: int
    already: int


class Seen:
    """What can be judged: the faults of a catalogue and, where results are given, the swings and faults in them."""

    def __init__(self, catalogue: Catalogue | None = None, results: Results | None = None) -> None:
        self.catalogue = catalogue or load_catalogue()
        self.faults: Collection[str] = self.catalogue.ids
        self._swings: frozenset[tuple[str, ...]] | None = None
        if results is not None:
            ids = results.frame("swings", list(ID_COLUMNS))
            self._swings = frozenset(ids.itertuples(index=False, name=None))
            _, faults = next(results.batches(1), (None, pd.DataFrame({"fault": []})))
            self.faults = [fault for fault in self.catalogue.ids if fault in set(faults["fault"])]

    def wrong_swing(self, ids: tuple[str, ...]) -> Wrong | None:
        """What is wrong with a swing's ids, looking at the results where there are some."""
        if self._swings is None or ids in self._swings:
            return None
        near = self._by_loose_ids.get(_loose(ids))
        expected = f"a swing of the results; {' / '.join(near)}?" if near else "a swing of the results"
        return Wrong("swing", expected, " / ".join(ids))

    @cached_property
    def _by_loose_ids(self) -> dict[tuple[str, ...], tuple[str, ...]]:
        return {_loose(ids): ids for ids in sorted(self._swings or (), reverse=True)}


def check(verdict: Verdict, seen: Seen) -> list[Wrong]:
    """Everything that is wrong in a verdict; nothing where it can be added."""
    wrong = []
    for column in (*ID_COLUMNS, "coach", "occasion"):
        value = getattr(verdict, column)
        if not value.strip() or len(value) > _MAX_ID or not _is_text(value):
            wrong.append(Wrong(column, f"1 to {_MAX_ID} letters", value))
    if len(verdict.comment) > _MAX_COMMENT or not _is_text(verdict.comment):
        wrong.append(Wrong("comment", f"{_MAX_COMMENT} letters at most", verdict.comment))
    if verdict.verdict not in (*ANSWERS, RETRACT):
        wrong.append(Wrong("verdict", ", ".join((*ANSWERS, RETRACT)), verdict.verdict))
    if verdict.fault not in seen.faults:
        wrong.append(Wrong("fault", "one of " + ", ".join(seen.faults), verdict.fault))
    elif verdict.severity is not None:
        wrong += _check_severity(verdict, seen.catalogue)
    if verdict.severity is None and verdict.unit:
        wrong.append(Wrong("severity", "a number, where there is a unit", ""))
    try:
        _moment(verdict.when)
    except (ValueError, OverflowError):
        wrong.append(Wrong("when", "a date such as 2026-05-01 or 2026-05-01T09:30, not ahead", verdict.when))
    swing = seen.wrong_swing((verdict.player, verdict.session, verdict.swing))
    return [*wrong, swing] if swing and not any(each.column in ID_COLUMNS for each in wrong) else wrong


def add(
    store: Store,
    verdicts: Iterable[Verdict],
    *,
    catalogue: Catalogue | None = None,
    results: Results | None = None,
) -> Added:
    """Add verdicts, all of them or none; one that says what already holds is not added again.

    Parameters
    ----------
    store
        Where to.
    verdicts
        In the order in which they were given.
    catalogue
        Whose faults may be judged; by default the one that comes along.
    results
        Where given, each swing and fault must be among them.

    Raises
    ------
    InputError
        ``bad-verdict`` naming what is wrong, ``forgotten-player`` where somebody has asked to be forgotten.
    """
    seen = Seen(catalogue, results)
    given = list(verdicts)
    wrong = [(at, each) for at, verdict in enumerate(given, 1) for each in check(verdict, seen)]
    if wrong:
        at, first = wrong[0]
        more = f" and {len(wrong) - 1} more" if len(wrong) > 1 else ""
        raise InputError(
            "bad-verdict",
            where=f"verdict {at}, {first.column}",
            expected=first.expected,
            found=f"{first.found!r}{more}",
        )
    return keep(store, given, seen.catalogue)


def keep(store: Store, given: Sequence[Verdict], catalogue: Catalogue) -> Added:
    """Add verdicts that `check` has passed; raises ``forgotten-player`` as `add` does."""
    with store.writing() as connection:
        gone = forgotten(connection, (verdict.player for verdict in given))
        if gone:
            raise InputError(
                "forgotten-player",
                where=", ".join(sorted(gone)[:_MAX_SHOWN]),
                expected="a player who has not asked to be forgotten; faultml players readmit takes one in again",
            )
        rows = _new_rows(connection, given, catalogue)
        if rows:
            connection.execute(insert(TABLE), rows)
    return Added(len(rows), len(given) - len(rows))


def verdicts(
    store: Store,
    *,
    history: bool = False,
    player: str | None = None,
    coach: str | None = None,
    until: int | None = None,
) -> pd.DataFrame:
    """The verdicts that hold, or with `history` every one that was ever given, in the order of time.

    With `until` what held when the verdict of that number was the last in the store, without those removed since.

    Columns are `COLUMNS`: text, but for `severity` (float, NaN where none was given).
    """
    asked, players = select(TABLE), players_of(store)
    if player is not None:
        asked = asked.where(TABLE.c.player.in_(names_of(players.get(player, player), players)))
    if coach is not None:
        asked = asked.where(TABLE.c.coach == coach)
    if until is not None:
        asked = asked.where(TABLE.c.id <= until)
    if not history:
        latest = func.row_number().over(
            partition_by=[TABLE.c[name] for name in KEY], order_by=[TABLE.c.when.desc(), TABLE.c.id.desc()]
        )
        ranked = asked.add_columns(latest.label("age")).subquery()
        asked = select(ranked).where(ranked.c.age == 1, ranked.c.verdict != RETRACT)
        asked = asked.order_by(ranked.c.when, ranked.c.id)
    else:
        asked = asked.order_by(TABLE.c.when, TABLE.c.id)
    with store.reading() as connection:
        rows = connection.execute(asked).mappings().all()
    frame = pd.DataFrame([{name: row[name] for name in COLUMNS} for row in rows], columns=list(COLUMNS))
    words = [name for name in COLUMNS if name != "severity"]
    if players:
        frame["player"] = [players.get(name, name) for name in frame["player"]]
    return frame.astype(dict.fromkeys(words, str) | {"severity": float})


def blind(held: pd.DataFrame) -> pd.DataFrame:
    """Of verdicts, those that were given before the tool's opinion was shown: only they say how far both agree."""
    return held[held["comment"] != NOT_BLIND]


def _new_rows(connection: Connection, given: Sequence[Verdict], catalogue: Catalogue) -> list[dict[str, Any]]:
    """Rows for what is not said yet, in the order given."""
    kept = select(TABLE).where(
        TABLE.c.coach.in_({each.coach for each in given}), TABLE.c.player.in_({each.player for each in given})
    )
    held: dict[tuple[str, ...], tuple[Any, ...]] = {}
    kept_rows = set()
    for known in connection.execute(kept.order_by(TABLE.c.when, TABLE.c.id)).mappings():
        held[tuple(known[name] for name in KEY)] = _content(known)
        kept_rows.add(tuple(known[name] for name in COLUMNS))
    rows: list[dict[str, Any]] = []
    for verdict in given:
        row = verdict._asdict()
        row["when"] = _moment(verdict.when)
        row["unit"] = catalogue[verdict.fault].unit if verdict.severity is not None else ""
        key = tuple(row[name] for name in KEY)
        everything = tuple(row[name] for name in COLUMNS)
        if everything in kept_rows if verdict.when else held.get(key) == _content(row):
            continue
        kept_rows.add(everything)
        held[key] = _content(row)
        rows.append(row)
    return rows


def _content(row: Any) -> tuple[Any, ...]:
    return row["verdict"], row["severity"], row["unit"], row["comment"]


def _check_severity(verdict: Verdict, catalogue: Catalogue) -> list[Wrong]:
    unit = catalogue[verdict.fault].unit
    most = EDGE_BOUNDS[unit][1]
    severity = verdict.severity
    wrong = []
    if severity is None or not math.isfinite(severity) or not 0 <= severity <= most:
        wrong.append(Wrong("severity", f"0 to {most:g} ({unit} past the edge)", str(severity)))
    if verdict.verdict != "yes":
        wrong.append(Wrong("severity", "none, where the verdict is not yes", str(severity)))
    if verdict.unit not in ("", unit):
        wrong.append(Wrong("unit", unit, verdict.unit))
    return wrong


def _moment(written: str) -> str:
    """A moment as the store keeps it; raises ValueError for what is none or lies ahead."""
    if not written:
        return now()
    moment = datetime.fromisoformat(written)
    moment = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    if moment > datetime.now(UTC) + _MAX_AHEAD:
        raise ValueError(written)
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def _is_text(value: str) -> bool:
    """Whether a text can be written as UTF-8 and holds no NUL, which SQLite ends a text at."""
    return "\0" not in value and not any("\ud800" <= letter <= "\udfff" for letter in value)


def _loose(ids: tuple[str, ...]) -> tuple[str, ...]:
    """Ids as a spreadsheet may have mangled them: without zeros in front, spaces or capitals."""
    return tuple(part.strip().casefold().lstrip("0") for part in ids)
