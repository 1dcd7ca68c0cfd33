"""Classify a season: read, assess, prescribe, write. Batches stream through; memory does not grow with the season."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from itertools import islice
from pathlib import Path
from typing import Any, Final

import pandas as pd
import pyarrow as pa
from joblib import Parallel, delayed

from faultml import __version__
from faultml.care.known import Known, known_now
from faultml.channels import ID_COLUMNS
from faultml.classifier.assess import Assessor
from faultml.classifier.bundle import Bundle, load_bundle
from faultml.classifier.promise import DEFAULT_FALSE_SHARE
from faultml.coaching.explain import EXPLANATIONS_FILE, encode
from faultml.coaching.prescribe import Prescription, prescribe
from faultml.coaching.rules import Coaching, load_coaching
from faultml.coaching.summary import Summary, decode_sums
from faultml.exact import RunningTables
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.network import one_thread
from faultml.outcomes.change import all_changes
from faultml.outcomes.effects import drill_effects
from faultml.quality.drift import address_drifts
from faultml.quality.watch import Tally, compare_to
from faultml.recordings.findings import limits
from faultml.recordings.problems import Problem, file_problem, problems_frame, shorten
from faultml.recordings.read import Season, open_season
from faultml.recordings.roster_match import NOT_RECORDED, MatchedRoster
from faultml.results import ResultsWriter
from faultml.results.sessions import number_sessions
from faultml.results.tables import TableFormat
from faultml.season.batch import COLUMNS, CURVES_PER_PLAYER, BatchTables, assess_batch

DONE: Final = 0
NOTHING_ASSESSED: Final = 1
DONE_WITH_PROBLEMS: Final = 3

CURVES_IN_ALL: Final = 3000


@dataclass
class SeasonRun:
    """A classified season, as far as it is kept in memory.

    Attributes
    ----------
    summary, closures
        The season's sums.
    prescription
        Players, drills and explanations.
    curves
        Curves of at most `CURVES_PER_PLAYER` swings a player and `CURVES_IN_ALL` in all, chosen by their ids' hash.
    roster
        As read, and with the names of the recordings.
    known
        What was known of the players' bodies.
    outcomes
        What became of every drill that was given, in this season and those before; None where none was.
    run
        The content of ``run.json`` so far.
    n_swings, n_assessed, n_problems
        Counts.
    problem_counts
        Problems by code and file.
    unread
        What was wrong with each file that was not read.
    roster_unreadable
        Whether there is a roster that could not be read: then nobody gets a drill.
    unrecorded
        Players of the roster without recordings.
    """

    summary: Summary
    closures: pa.Table
    prescription: Prescription
    curves: pd.DataFrame
    roster: pd.DataFrame
    known: Known
    outcomes: pd.DataFrame | None = None
    run: dict[str, Any] = field(default_factory=dict)
    n_swings: int = 0
    n_assessed: int = 0
    n_problems: int = 0
    problem_counts: Counter[tuple[str, str]] = field(default_factory=Counter)
    unread: list[Problem] = field(default_factory=list)
    roster_unreadable: bool = False
    unrecorded: list[str] = field(default_factory=list)

    @property
    def exit_code(self) -> int:
        """0 done, 1 nothing could be assessed, 3 done with rows in ``problems.csv``."""
        if not self.n_assessed:
            return NOTHING_ASSESSED
        return DONE_WITH_PROBLEMS if self.n_problems else DONE


def classify_season(
    season: Season | Sequence[str | Path],
    out: str | Path,
    *,
    bundle: Bundle | None = None,
    catalogue: Catalogue | None = None,
    jobs: int = 1,
    false_share: float = DEFAULT_FALSE_SHARE,
    table_format: TableFormat = "parquet",
    assigned: pd.DataFrame | None = None,
    outcomes: pd.DataFrame | None = None,
    store: str | Path | None = None,
    today: date | None = None,
    on_batch: Callable[[BatchTables], None] | None = None,
    before_closing: Callable[[SeasonRun, ResultsWriter], None] | None = None,
) -> SeasonRun:
    """Classify every swing of a season and leave the result tables in `out`.

    Parameters
    ----------
    season
        An opened season, or its Parquet files or folders, long CSV files or folders of them.
    out
        The results folder; replaced as a whole once the new results are complete.
    bundle, catalogue
        The package's own where not given.
    jobs
        Threads.
    false_share
        What share of the flags may be wrong; see `faultml.classifier.promise`.
    table_format
        ``parquet`` or ``csv``.
    assigned
        Drills that were given (``player, drill, fault, since``): what they changed in this season weighs the
        drills.
    outcomes
        What drills changed in earlier seasons, as `faultml.outcomes.change.changes` tells it; weighs them too.
    store
        The coach's store, which is there: what was said about players' bodies is read from it, and since when the
        roster says what it says is kept in it. None where there is none.
    today
        The day of the care check; by default the day of the call.
    on_batch
        Called with each batch's tables, in order.
    before_closing
        Called when all tables are written and before they take the old ones' place, to add a report.

    Raises
    ------
    InputError
        Where a path does not exist or `out` must not be replaced.
    BundleError
        Where the model does not fit.
    """
    started = time.monotonic()
    catalogue = catalogue or load_catalogue()
    coaching = load_coaching(catalogue)
    assessor = Assessor(bundle or load_bundle(), catalogue, false_share=false_share)
    season = season if isinstance(season, Season) else open_season([Path(path) for path in season])
    running, watched = RunningTables(COLUMNS), Tally()
    curves: list[pd.DataFrame] = []
    n_swings = n_assessed = 0
    counts: Counter[tuple[str, str]] = Counter()
    with ResultsWriter(Path(out), format=table_format) as results:

        def take_problems(problems: Sequence[Problem]) -> None:
            results.append("problems", problems_frame(problems))
            counts.update((problem.code, problem.file) for problem in problems)

        for tables in _assess_batches(assessor, coaching, season, jobs):
            results.append("swings", tables.swings)
            results.append("faults", tables.faults)
            take_problems(tables.problems)
            # Folded as they come, so that what is kept does not grow with the season.
            running.add(tables.sums)
            watched.add(tables.watched)
            curves = [_bounded_curves([*curves, tables.curves])]
            n_swings += len(tables.swings)
            n_assessed += int(tables.swings["assessed"].sum())
            if on_batch:
                on_batch(tables)
        sums = running.total()
        summary = decode_sums(sums)
        players = summary.sessions["player"].unique()
        roster = season.match_roster(players)
        last = season.take_problems()
        take_problems([*last, *_edges_for_nobody(catalogue, players)])
        unrecorded = [problem.player for problem in last if problem.code == NOT_RECORDED]
        changed = all_changes(summary.faults, assigned, outcomes, catalogue)
        effects = {} if changed is None else drill_effects(changed, coaching.serving, catalogue)
        on = today or date.today()
        known = _known(roster, players, on, store)
        prescription = prescribe(summary, known, coaching, on, effects=effects)
        run = SeasonRun(
            summary=summary,
            closures=sums["closures"],
            prescription=prescription,
            curves=_drawn(curves),
            roster=season.roster,
            known=known,
            outcomes=changed,
            run=results.run,
            n_swings=n_swings,
            n_assessed=n_assessed,
            n_problems=results.n_problems,
            problem_counts=counts,
            unread=season.unread,
            roster_unreadable=season.roster_unreadable,
            unrecorded=unrecorded,
        )
        results.write("players", prescription.players)
        results.write("drills", prescription.drills)
        results.write("retests", prescription.retests)
        if changed is not None:
            results.write("outcomes", changed)
        results.write("curves", run.curves)
        results.file(EXPLANATIONS_FILE).write_bytes(encode(prescription.explanations))
        results.run |= _run_record(assessor, coaching, run, started)
        # As given: later commands read the roster as it is then.
        results.run["roster"] = {"file": roster.file}
        results.run["address_drift"] = _drifted(sums["address"])
        if assessor.bundle.reference is not None:
            results.run["watch"] = compare_to(assessor.bundle.reference, watched)
        if before_closing:
            before_closing(run, results)
    return run


def _known(roster: MatchedRoster, players: Iterable[str], on: date, store: str | Path | None) -> Known:
    """Roster and statements; the store's library is needed only where there is a store."""
    if store is None:
        return known_now(roster, players, on)
    from faultml.store import open_store

    with open_store(store, create=False) as opened:
        return known_now(roster, players, on, opened)


def _assess_batches(
    assessor: Assessor, coaching: Coaching, season: Season, jobs: int
) -> Iterator[BatchTables]:
    # Problems go along with the batch they were noticed in: their order does not depend on the threads.
    drawn = ((batch, season.take_problems()) for batch in season.batches())
    # The first batch alone: what is compiled at its first call must not be called first by two threads at once.
    yield from (assess_batch(assessor, coaching, *each) for each in islice(drawn, None if jobs == 1 else 1))
    if jobs == 1:
        return
    tasks = (delayed(assess_batch)(assessor, coaching, *each) for each in drawn)
    # Held over all batches: a batch that ends would give the threads back to one that still runs.
    with one_thread("blas"):
        yield from Parallel(n_jobs=jobs, backend="threading", return_as="generator", pre_dispatch=2 * jobs)(
            tasks
        )


def _drifted(address: pa.Table) -> list[dict[str, Any]]:
    """Sessions whose address has moved since the player's last one, for ``run.json``."""
    drifts = address_drifts(address, number_sessions, limits().motion)
    kept = drifts[drifts["drifted"].astype(bool)].drop(columns="drifted")
    return kept.round({"change_deg": 1}).to_dict("records")


def _edges_for_nobody(catalogue: Catalogue, players: Iterable[str]) -> list[Problem]:
    """A problem for each player with edges of their own who is not in the season: a name that differs?"""
    where, expected = catalogue.overrides_file, "a player of the season"
    return [
        file_problem(where, "edge-for-nobody", expected, shorten(name))
        for name in sorted(catalogue.own_edge_players - set(players))
    ]


def _bounded_curves(parts: list[pd.DataFrame]) -> pd.DataFrame:
    filled = [part for part in parts if len(part)] or parts[:1]
    ordered = pd.concat(filled, ignore_index=True).sort_values("order", kind="stable")
    return ordered.groupby("player", sort=False).head(CURVES_PER_PLAYER).head(CURVES_IN_ALL)


def _drawn(curves: list[pd.DataFrame]) -> pd.DataFrame:
    kept = curves[0] if curves else pd.DataFrame(columns=[*ID_COLUMNS, "order"])
    return kept.sort_values(list(ID_COLUMNS), kind="stable").drop(columns="order").reset_index(drop=True)


def _run_record(assessor: Assessor, coaching: Coaching, run: SeasonRun, started: float) -> dict[str, Any]:
    manifest = assessor.bundle.manifest
    return {
        "faultml": __version__,
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
        "seconds": round(time.monotonic() - started, 3),
        "model": {"name": manifest.name, "version": manifest.version, "sha256": manifest.sha256},
        **assessor.bundle.origin,
        "catalogue": {"owner": assessor.catalogue.owner, "sha256": assessor.catalogue.digest},
        "coaching": coaching.digests,
        "promise": assessor.promise_told(),
        "counts": {
            "swings": run.n_swings,
            "assessed": run.n_assessed,
            "players": int(run.prescription.players["player"].nunique()),
            "problems": run.n_problems,
        },
    }
