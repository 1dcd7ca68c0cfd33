"""A season put together from its parts: tables, verdicts on the season, and the players, one bucket after the other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from faultml.care.known import Known
from faultml.care.rules import MEND_ROSTER, WHOSE_ROW
from faultml.channels import ID_COLUMNS
from faultml.classifier.assess import NOT_FULL
from faultml.coaching import as_found
from faultml.coaching.explain import EXPLANATIONS_FILE, encode
from faultml.coaching.prescribe import prescribe
from faultml.coaching.rules import Coaching
from faultml.coaching.summary import IMPACT_FROM, REFUSED, decode_faults, decode_sums
from faultml.coaching.tables import DRILL_COLUMNS
from faultml.exact import from_units
from faultml.outcomes.effects import Effects
from faultml.plan.table import PLAN_TABLE, PLANS
from faultml.quality.drift import address_drifts
from faultml.quality.impacts import Impacts, count_impacts
from faultml.quality.layout import LayoutDoubt
from faultml.quality.watch import Tally
from faultml.recordings.findings import limits
from faultml.recordings.fragments import Fragment
from faultml.recordings.problems import Problem, file_problem, problems_frame
from faultml.results import ResultsWriter
from faultml.results.columns import PROBLEMS, SUMS_PREFIX
from faultml.results.sessions import number_sessions
from faultml.results.tables import TableFormat, read_table, stream_table
from faultml.season.batch import COLUMNS, bounded_curves
from faultml.season.partition import CURVES, LOST
from faultml.season.parts import CURVES_FILE, WATCH_FILE, Partition, add_bucket
from faultml.season.runners import Lost
from faultml.season.watched import decode_tally

if TYPE_CHECKING:
    from faultml.season.plans import SeasonPlans

BUCKET_SWINGS: Final = 20_000
"""Swings of the players who are prescribed together."""

_PROBLEM_ROWS: Final = 20_000


@dataclass
class Merged:
    """What is kept in memory of a season that was put together."""

    n_swings: int = 0
    n_assessed: int = 0
    n_players: int = 0
    n_withheld: int = 0
    n_held: int = 0
    problem_counts: Counter[tuple[str, str]] = field(default_factory=Counter)
    unread: list[Problem] = field(default_factory=list)
    drifted: list[dict[str, Any]] = field(default_factory=list)


def bucket_names(players: Mapping[str, int], swings: int = BUCKET_SWINGS) -> tuple[str, ...]:
    """Names that divide the sorted players into buckets of about so many swings."""
    names: list[str] = []
    count = 0
    for player in sorted(players):
        if count and count + players[player] > swings:
            names.append(player)
            count = 0
        count += players[player]
    return tuple(names)


@dataclass
class Merge:
    """Puts a season together into its results.

    Attributes
    ----------
    out
        The folder of parts.
    parts
        In the order of the season; what was lost is left out.
    n_buckets
        Buckets of players that the sums of each part are divided into.
    """

    out: Path
    parts: Sequence[Partition]
    results: ResultsWriter
    n_buckets: int
    merged: Merged = field(default_factory=Merged)

    def take_problems(self, problems: Sequence[Problem]) -> None:
        """Write problems of the season, and count them."""
        self.results.append("problems", problems_frame(problems))
        self.merged.problem_counts.update((problem.code, problem.file) for problem in problems)

    def take_tables(self, table_format: TableFormat) -> None:
        """Take over the swings, the faults and the problems of every part."""
        for name in ("swings", "faults"):
            files = [self.out / part.id / f"{name}.{table_format}" for part in self.parts]
            if files:
                self.results.adopt(name, files, sum(part.rows[name] for part in self.parts))
        for part in self.parts:
            path = self.out / part.id / "problems.csv"
            for rows in stream_table(path, PROBLEMS, _PROBLEM_ROWS) if part.n_problems else ():
                self.results.append("problems", rows)
            self.merged.problem_counts.update({(code, file): n for code, file, n in part.problems})
            self.merged.unread += part.unread
            self.merged.n_swings += part.n_swings
            self.merged.n_assessed += part.n_assessed

    def watched(self) -> Tally:
        """Histograms of the whole season."""
        total = Tally()
        for part in self.parts:
            total.add(decode_tally((self.out / part.id / WATCH_FILE).read_bytes()))
        return total

    def write_curves(self) -> None:
        """Write the curves that are drawn: which they are does not depend on the partitions."""
        kept: list[pd.DataFrame] = []
        for part in self.parts:
            if CURVES_FILE in part.files:
                kept = [bounded_curves([*kept, read_table(self.out / part.id / CURVES_FILE, CURVES)])]
        frame = kept[0] if kept else pd.DataFrame(columns=list(CURVES))
        ordered = frame.sort_values(list(ID_COLUMNS), kind="stable").drop(columns="order")
        self.results.write("curves", ordered.reset_index(drop=True))

    def buckets(self) -> Iterator[dict[str, pa.Table]]:
        """The sums of one bucket of players after the other."""
        for bucket in range(self.n_buckets):
            yield add_bucket(self.out, self.parts, bucket)

    def fault_sums(self, faults: Sequence[str]) -> pd.DataFrame:
        """The sums of some faults over all players, as `faultml.changes` takes them."""
        return decode_faults(self._of_faults("faults", faults))

    def fault_sums_as_found(self, faults: Sequence[str]) -> pd.DataFrame | None:
        """The same with landmarks as found; None where no landmark was moved."""
        differences = self._of_faults(as_found.NAME, faults)
        if not len(differences):
            return None
        return as_found.fault_sums_as_found(self._of_faults("faults", faults), differences)

    def _of_faults(self, name: str, faults: Sequence[str]) -> pa.Table:
        wanted = pa.array(sorted(set(faults)), pa.string())
        tables = [each[name] for each in self.buckets()]
        return pa.concat_tables([rows.filter(pc.is_in(rows["fault"], wanted)) for rows in tables])

    def doubt_layout(self) -> LayoutDoubt:
        """How many of the season's swings are no full swing."""
        not_full = 0
        for tables in self.buckets():
            codes = tables["codes"]
            wanted = pc.and_(pc.equal(codes["kind"], REFUSED), pc.equal(codes["code"], NOT_FULL))
            not_full += int(from_units("n", codes["n"].filter(wanted).to_numpy()).sum())
        return LayoutDoubt(self.merged.n_assessed + not_full, not_full)

    def impacts(self) -> Impacts:
        """What placed the impacts of the season's assessed swings."""
        return count_impacts(row for tables in self.buckets() for row in _placed(tables["codes"]))

    def prescribe(
        self,
        known: Known,
        coaching: Coaching,
        day: date,
        effects: Effects,
        plans: SeasonPlans | None,
        on_players: Callable[[int], None],
        *,
        layout_suspected: bool = False,
    ) -> None:
        """Write players, drills, re-tests, plans, explanations and sums, one bucket after the other.

        Where `layout_suspected`, nobody gets a new drill.
        """
        lessons = {} if plans is None else plans.lessons()
        unwritten = set() if plans is None else set(plans.by_player)
        with self.results.file(EXPLANATIONS_FILE).open("wb") as explanations:
            explanations.write(b"[")
            first = True
            for tables in self.buckets():
                for name, table in tables.items():
                    self.results.append_sums(f"{SUMS_PREFIX}{name}", table)
                self.merged.drifted += drifted(tables["address"])
                summary = decode_sums(tables)
                found = prescribe(
                    summary,
                    known,
                    coaching,
                    day,
                    effects=effects,
                    lessons=lessons,
                    layout_suspected=layout_suspected,
                )
                self.results.append_rows("players", found.players)
                self.results.append_rows("drills", found.drills)
                self.results.append_rows("retests", found.retests)
                if plans is not None:
                    own = sorted(summary.sessions["player"].unique())
                    self.results.append_rows(PLAN_TABLE, plans.frame(found.drills, own), PLANS)
                    unwritten.difference_update(own)
                if found.explanations:
                    explanations.write(b"" if first else b",")
                    explanations.write(encode(found.explanations).removeprefix(b"[").removesuffix(b"]"))
                    first = False
                self.merged.n_players += found.players["player"].nunique()
                self.merged.n_withheld += int((found.drills["reason"] == MEND_ROSTER).sum())
                self.merged.n_held += int((found.drills["reason"] == WHOSE_ROW).sum())
                on_players(self.merged.n_players)
            explanations.write(b"]")
        if plans is not None:  # those whom the notes name and nobody recorded
            nobodys = pd.DataFrame(columns=DRILL_COLUMNS)
            self.results.append_rows(PLAN_TABLE, plans.frame(nobodys, sorted(unwritten)), PLANS)


def _placed(codes: pa.Table) -> Iterator[tuple[str, str, int]]:
    """Player, what placed the impact, and how many swings."""
    own = codes.filter(pc.equal(codes["kind"], IMPACT_FROM))
    counts = from_units("n", own["n"].to_numpy()).astype(int).tolist()
    yield from zip(own["player"].to_pylist(), own["code"].to_pylist(), counts, strict=True)


def empty_sums() -> dict[str, pa.Table]:
    """The sums of no swing."""
    return {name: columns.empty() for name, columns in COLUMNS.items()}


def drifted(address: pa.Table) -> list[dict[str, Any]]:
    """Sessions whose address has moved since the player's last one, for ``run.json``."""
    drifts = address_drifts(address, number_sessions, limits().motion)
    kept = drifts[drifts["drifted"].astype(bool)].drop(columns="drifted")
    return kept.round({"change_deg": 1}).to_dict("records")


def lost_problems(fragment: Fragment, lost: Lost) -> list[Problem]:
    """A problem for each file whose swings were lost with a partition; the tables say of each that it was."""
    expected = "a partition that can be assessed"
    return [
        file_problem(
            piece.path,
            LOST,
            expected,
            f"{piece.n_swings} swings: {lost.reason}",
            max(piece.line, piece.start + 1),
        )
        for piece in fragment.pieces
    ]
