"""Check recordings: every finding by its code, what was checked and passed, and what could not be checked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import pandas as pd

from faultml.channels import ID_COLUMNS
from faultml.classifier.assess import NOT_FULL, Assessment, Assessor
from faultml.classifier.tables import swings_frame
from faultml.exact import RunningTables
from faultml.quality.drift import CODE as DRIFT
from faultml.quality.drift import COLUMNS, address_drifts, sum_address
from faultml.quality.layout import CODE as LAYOUT
from faultml.quality.layout import LayoutDoubt
from faultml.quality.notice import motion_problems
from faultml.recordings.corrections import landmark_times
from faultml.recordings.findings import Finding, findings, limits
from faultml.recordings.problems import Problem
from faultml.recordings.read import Season, open_season
from faultml.recordings.schema import IMPACT_COLUMN, MOUNTING_COLUMN, RATE_COLUMN
from faultml.recordings.swings import SwingBatch
from faultml.results.sessions import number_sessions

PROBLEMS_FILE: Final = "_problems.csv"
"""What an import leaves beside its season."""

DOCS_PAGE: Final = "docs/findings.md"
_ROW_FILES: Final = (".parquet",)

Status = Literal["found", "passed", "not-applicable"]


@dataclass(frozen=True)
class CheckLine:
    """What came of one check.

    Attributes
    ----------
    swings
        Swings (of ``address-drift``: sessions; of ``layout-suspected``: those that are no full swing) that carry
        the finding.
    checked
        Swings (sessions) on which the check could be made; none is "not applicable".
    where, expected, found
        The first of them.
    """

    finding: Finding
    swings: int
    checked: int
    where: str = ""
    expected: str = ""
    found: str = ""

    @property
    def status(self) -> Status:
        """Whether something was found, all passed, or the check could not be made."""
        if self.swings:
            return "found"
        return "passed" if self.checked else "not-applicable"

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        finding = self.finding
        return {
            "code": finding.code,
            "severity": finding.severity,
            "status": self.status,
            "swings": self.swings,
            "checked": self.checked,
            "where": self.where,
            "expected": self.expected,
            "found": self.found,
            "words": finding.words,
            "means": finding.means,
            "docs": f"{DOCS_PAGE}#{finding.code}",
        }


@dataclass
class Check:
    """A checked season: `lines` in the order of ``findings.toml``, and `problems` of files as a whole.

    `left_out` says how many players were left out, since they have asked to be forgotten, and how many of their swings.
    """

    n_swings: int
    n_assessed: int
    lines: list[CheckLine]
    files: list[Problem] = field(default_factory=list)
    left_out: tuple[int, int] = (0, 0)

    @property
    def n_problems(self) -> int:
        """Problems in the input: of files, and findings that say the input is wrong."""
        return len(self.files) + sum(line.swings for line in self.lines if line.finding.problem)

    @property
    def exit_code(self) -> int:
        """0 clean, 1 nothing could be assessed, 3 with problems in the input."""
        if not self.n_assessed:
            return 1
        return 3 if self.n_problems else 0


def check_import(season: Path, assessor: Assessor, on_swings: Callable[[int], None] | None = None) -> Check:
    """The check of a season folder that `faultml.import_season` has just left, with the problems of the import."""
    imported = _left_problems(season / PROBLEMS_FILE)
    return check_season(open_season([season]), assessor, imported, on_swings=on_swings)


def _left_problems(path: Path) -> list[Problem]:
    if not path.exists():
        return []
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    return [
        Problem(**{**row, "row": int(row["row"] or 0)})
        for row in table[list(Problem._fields)].to_dict("records")
    ]


def judge_swings(batches: Iterable[SwingBatch], assessor: Assessor) -> Counter[str]:
    """How many swings can be assessed (code "") and how many are refused for which reason."""
    reasons = Counter[str]()
    for batch in batches:
        reasons.update(assessor.assess(batch).reason.tolist())
    return reasons


def check_season(
    season: Season,
    assessor: Assessor,
    imported: Sequence[Problem] | None = None,
    *,
    on_swings: Callable[[int], None] | None = None,
) -> Check:
    """Read a season and make every check on it; memory grows with its sessions, not with its swings.

    Parameters
    ----------
    imported
        Where the season was imported for this check alone: the problems that the import reported. They name the places
        in the original files; places in the imported copy are left out.
    on_swings
        Called after each batch with how many swings are checked.
    """
    known = findings()
    counts, able = Counter[str](), Counter[str]()
    first: dict[str, tuple[str, str, str]] = {}
    files: list[Problem] = []
    running = RunningTables({"address": COLUMNS})
    n_assessed, n_seen, copied = 0, 0, imported is not None
    _place(imported or (), first, files)
    for batch in season.batches():
        assessment = assessor.assess(batch)
        n_seen += len(batch)
        if on_swings is not None:
            on_swings(n_seen)
        n_assessed += int(assessment.assessed.sum())
        running.add({"address": sum_address(swings_frame(assessment))})
        able.update(_able(assessment))
        ids = [" ".join(parts) for parts in batch.table[list(ID_COLUMNS)].to_numpy(object)]
        codes = assessment.findings
        refused = np.where(assessment.reason == NOT_FULL, NOT_FULL, "")
        for row, own in enumerate(codes):
            for code in {*own, *filter(None, [refused[row]])}:
                counts[code] += 1
                first.setdefault(code, (ids[row], "", ""))
        _place([*season.take_problems(), *motion_problems(batch, codes)], first, files, copied)
    _place(season.take_problems(), first, files, copied)
    if imported is not None:
        # What an import leaves out is not in the season, and is reported by the import alone.
        once = Counter(problem.code for problem in imported if problem.code in known)
        counts.update({code: n for code, n in once.items() if not counts[code]})
        able["layout"] = able[""]

    layout = LayoutDoubt(n_assessed + counts[NOT_FULL], counts[NOT_FULL])
    if layout.suspected:
        counts[LAYOUT] = layout.not_full
        first[LAYOUT] = ("the season", layout.expected, layout.found)

    drifts = address_drifts(running.total()["address"], number_sessions, limits().motion)
    compared = drifts[drifts["change_deg"].notna()]
    able["earlier-session"] = len(compared[["player", "session"]].drop_duplicates())
    drifted = drifts[drifts["drifted"].astype(bool)]
    counts[DRIFT] = len(drifted[["player", "session"]].drop_duplicates())
    if len(drifted):
        worst = drifted.iloc[0]
        found = f"{worst['channel']} {worst['change_deg']:+.0f} degrees from {worst['before']}"
        first[DRIFT] = (f"{worst['player']} {worst['session']}", "the address of the session before", found)
    lines = [
        CheckLine(
            finding, counts[code], max(able[finding.needs], counts[code]), *first.get(code, ("", "", ""))
        )
        for code, finding in known.items()
    ]
    left_out = (len(season.left_out), season.left_out.total())
    return Check(able[""], n_assessed, lines, files, left_out)


def _able(assessment: Assessment) -> dict[str, int]:
    """On how many swings each kind of check can be made."""
    table, codes = assessment.batch.table, assessment.findings
    forearm = [
        not {"pronation-missing", "channel-missing", "time-missing"}.intersection(own) for own in codes
    ]
    read = assessment.batch.n_samples > 0
    names = [str(name or "").lower() for name in table["file"]] if "file" in table else [""] * len(table)
    return {
        "": len(table),
        "rows": sum(bool(name) and not name.endswith(_ROW_FILES) for name in names),
        "mark": int((np.isfinite(table[IMPACT_COLUMN].to_numpy(float))).sum()),
        "pronation": int((read & np.array(forearm, dtype=bool)).sum()),
        "full-swing": int((read & (assessment.reason != NOT_FULL)).sum()),
        "mounting": int(table[MOUNTING_COLUMN].notna().sum()) if MOUNTING_COLUMN in table else 0,
        "coach-landmark": int(np.isfinite(landmark_times(assessment.batch)).any(axis=1).sum()),
        "declared-rate": int(table[RATE_COLUMN].notna().sum()) if RATE_COLUMN in table else 0,
    }


def _place(
    problems: Sequence[Problem],
    first: dict[str, tuple[str, str, str]],
    files: list[Problem],
    copied: bool = False,
) -> None:
    """Problems of swings give the first of their code its place and figures; the others are of files."""
    for problem in problems:
        ids = " ".join((problem.player, problem.session, problem.swing)).strip()
        if problem.code not in findings() or not (ids or problem.row):
            files.append(problem)
        elif not first.get(problem.code, ("", "", ""))[1]:
            line = f"{problem.file}, row {problem.row}" if problem.row else problem.file
            where = f"{ids} ({line})" if ids and line and not copied else ids or line
            first[problem.code] = (where, problem.expected, problem.found)
