"""Verdicts as a sheet: out for a spreadsheet, and back in, each wrong row reported."""

from __future__ import annotations

from pathlib import Path
from typing import Final, NamedTuple

import pandas as pd

from faultml.channels import ID_COLUMNS
from faultml.errors import InputError
from faultml.faults.catalogue import Catalogue
from faultml.labels.verdict import (
    COLUMNS,
    FIRST_OCCASION,
    KEY,
    Seen,
    Verdict,
    Wrong,
    check,
    keep,
    verdicts,
)
from faultml.results import Results
from faultml.results.sheets import SheetProblem, SheetRow, read_sheet, write_sheet
from faultml.results.tables import Kind
from faultml.store import Store
from faultml.store.people import forgotten

NEEDED: Final = (*ID_COLUMNS, "fault", "verdict")
SHEET: Final[dict[str, Kind]] = {name: "number" if name == "severity" else "text" for name in COLUMNS}
TO_FILL: Final[dict[str, Kind]] = {
    **dict.fromkeys((*ID_COLUMNS, "fault", "verdict"), "text"),
    **dict.fromkeys(("severity", "unit", "coach", "occasion", "when", "comment"), "text"),
}
"""Columns of a sheet to be filled in: all text, since what is to be filled is empty."""


class Imported(NamedTuple):
    """What a sheet has brought: new verdicts, those known already, rows not filled in, and rows that are wrong."""

    added: int
    already: int
    blank: int
    problems: list[SheetProblem]


def export_verdicts(store: Store, path: Path, *, history: bool = False) -> int:
    """Write the verdicts that hold, or with `history` all that were given, as a sheet; how many.

    Raises
    ------
    InputError
        ``not-writable``.
    """
    frame = verdicts(store, history=history)
    write_sheet(frame, path, SHEET)
    return len(frame)


def import_verdicts(
    store: Store,
    path: Path,
    *,
    coach: str = "",
    occasion: str = "",
    keep_good: bool = False,
    catalogue: Catalogue | None = None,
    results: Results | None = None,
) -> Imported:
    """Add the verdicts of a sheet: all of them or, where a row is wrong, none; with `keep_good` those that are right.

    A row without a verdict is one not filled in yet.

    Parameters
    ----------
    store
        Where to.
    path
        The sheet; columns `COLUMNS`, of which `NEEDED` must be there.
    coach, occasion
        For rows that do not say.
    keep_good
        Whether to take the good rows where others are wrong.
    catalogue, results
        As for `faultml.labels.add`.

    Raises
    ------
    InputError
        Where the sheet cannot be read, see `faultml.results.sheets.read_sheet`. What is wrong in a row is in the
        answer.
    """
    seen = Seen(catalogue, results)
    sheet = read_sheet(path, COLUMNS, NEEDED)
    filled = [row for row in sheet.rows if row.cells["verdict"].strip()]
    problems = list(sheet.problems)
    good: list[tuple[int, Verdict]] = []
    first_answers: dict[tuple[str, ...], tuple[int, str]] = {}
    for row in filled:
        try:
            verdict = _verdict(row, coach, occasion)
        except ValueError:
            problems.append(SheetProblem(row.line, "severity", "a number", row.cells["severity"]))
            continue
        wrong = check(verdict, seen)
        line, before = first_answers.setdefault(_asked(verdict), (row.line, verdict.verdict))
        if not verdict.when and before != verdict.verdict:
            wrong.append(Wrong("verdict", f"{before}, as in row {line}, or a time for each", verdict.verdict))
        problems += [SheetProblem(row.line, *each) for each in wrong]
        if not wrong:
            good.append((row.line, verdict))
    with store.reading() as connection:
        gone = forgotten(connection, (verdict.player for _, verdict in good))
    expected = "a player who has not asked to be forgotten"
    problems += [
        SheetProblem(line, "player", expected, each.player) for line, each in good if each.player in gone
    ]
    problems.sort()
    blank = len(sheet.rows) - len(filled)
    if problems and not keep_good:
        return Imported(0, 0, blank, problems)
    taken = [verdict for _, verdict in good if verdict.player not in gone]
    return Imported(*keep(store, taken, seen.catalogue), blank, problems)


def write_blank(frame: pd.DataFrame, path: Path, *, coach: str = "", occasion: str = FIRST_OCCASION) -> None:
    """Write a sheet to be filled in: a row for each swing and fault of `frame`.

    Raises
    ------
    InputError
        ``not-writable``; ``missing-column`` where `frame` has no ids or faults.
    """
    missing = [name for name in (*ID_COLUMNS, "fault") if name not in frame]
    if missing:
        raise InputError("missing-column", expected=", ".join(missing), found=", ".join(map(str, frame)))
    blank = {name: "" for name in TO_FILL if name not in (*ID_COLUMNS, "fault")}
    rows = frame[[*ID_COLUMNS, "fault"]].assign(**blank | {"coach": coach, "occasion": occasion})
    write_sheet(rows[list(TO_FILL)], path, TO_FILL)


def _asked(verdict: Verdict) -> tuple[str, ...]:
    """What two rows of a sheet must not answer differently: the same question, asked at the same time."""
    return tuple(getattr(verdict, name) for name in (*KEY, "when"))


def _verdict(row: SheetRow, coach: str, occasion: str) -> Verdict:
    """The verdict of a row; raises ValueError where its severity is no number."""
    cells = row.cells
    written = cells["severity"].strip()
    return Verdict(
        player=cells["player"],
        session=cells["session"],
        swing=cells["swing"],
        fault=cells["fault"].strip().casefold(),
        verdict=cells["verdict"].strip().casefold(),
        coach=cells["coach"] or coach,
        severity=float(written.replace(",", ".")) if written else None,
        unit=cells["unit"].strip(),
        occasion=cells["occasion"] or occasion or FIRST_OCCASION,
        when=cells["when"].strip(),
        comment=cells["comment"],
    )
