"""Classify a season: scan it, freeze the inputs, assess its partitions, put it together."""

from __future__ import annotations

import os
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Final, NamedTuple

import msgspec
import pandas as pd

from faultml import __version__
from faultml.care.known import Known, known_now
from faultml.classifier.assess import Assessor
from faultml.classifier.promise import DEFAULT_FALSE_SHARE
from faultml.coaching.rules import Coaching, load_coaching
from faultml.errors import InputError
from faultml.faults.catalogue import Catalogue
from faultml.outcomes.change import all_changes
from faultml.outcomes.effects import drill_effects
from faultml.plan.evidence import StoreNotes
from faultml.quality.watch import compare_to
from faultml.recordings.corrections import Corrections
from faultml.recordings.fragments import PARTITION_SWINGS, Fragment
from faultml.recordings.problems import Problem, file_problem, shorten
from faultml.recordings.read import Season, open_season
from faultml.recordings.roster_match import NOT_RECORDED, MatchedRoster
from faultml.results import Results, ResultsWriter, read_results
from faultml.results.tables import TableFormat
from faultml.season.answering import Answering
from faultml.season.batch import BatchTables
from faultml.season.corrections import read_corrections
from faultml.season.inputs import Inputs, ModelSource, repeats_digest, save_inputs, versions_of
from faultml.season.merge import Merge, bucket_names, lost_problems
from faultml.season.parts import Partition, remove_others
from faultml.season.plans import season_plans
from faultml.season.runners import InProcess, LocalProcesses, Lost, Runner
from faultml.season.workplace import workplace
from faultml.store.place import store_if_there, store_path

DONE: Final = 0
NOTHING_ASSESSED: Final = 1
DONE_WITH_PROBLEMS: Final = 3

PROCESSES_PAY_FROM: Final = 20_000
"""Swings from which on a season is given to several processes: below, starting them costs more than they give."""


class Progress(NamedTuple):
    """How far a run is: swings in all, done so far and assessed of them; players put together."""

    n_swings: int
    n_done: int
    n_assessed: int
    n_players: int = 0


@dataclass
class SeasonRun:
    """A classified season; its tables are in the results.

    Attributes
    ----------
    out
        The results folder.
    roster
        As read, and with the names of the recordings.
    known, day
        What was known of the players' bodies, and the day of the care check.
    run
        The content of ``run.json``, but for the lists of files and tables.
    n_swings, n_assessed, n_players, n_problems
        Counts.
    n_lost
        Swings of partitions that could not be assessed.
    n_withheld
        Players who get no drill until the roster is mended.
    n_held
        Players who get none until somebody says whose a row of the roster is.
    problem_counts
        Problems by code and file.
    unread
        What was wrong with each file that was not read.
    roster_unreadable
        Whether there is a roster that could not be read: then nobody gets a drill.
    unrecorded
        Players of the roster without recordings.
    layout_suspected
        Whether so many swings are no full swing that the layout is suspected: then nobody gets a new drill.
    """

    out: Path
    roster: pd.DataFrame
    known: Known
    day: date
    run: dict[str, Any] = field(default_factory=dict)
    n_swings: int = 0
    n_assessed: int = 0
    n_lost: int = 0
    n_players: int = 0
    n_problems: int = 0
    n_withheld: int = 0
    n_held: int = 0
    problem_counts: Counter[tuple[str, str]] = field(default_factory=Counter)
    unread: list[Problem] = field(default_factory=list)
    roster_unreadable: bool = False
    unrecorded: list[str] = field(default_factory=list)
    layout_suspected: bool = False

    @property
    def exit_code(self) -> int:
        """0 done, 1 nothing could be assessed, 3 done with rows in ``problems.csv``."""
        if not self.n_assessed:
            return NOTHING_ASSESSED
        return DONE_WITH_PROBLEMS if self.n_problems else DONE

    @property
    def results(self) -> Results:
        """The tables, as `faultml.read_results` reads them."""
        return read_results(self.out)


def classify_season(
    season: Season | str | Path | Sequence[str | Path],
    out: str | Path,
    *,
    source: ModelSource | None = None,
    assessor: Assessor | None = None,
    on: str = "",
    false_share: float | None = None,
    table_format: TableFormat = "parquet",
    assigned: pd.DataFrame | None = None,
    outcomes: pd.DataFrame | None = None,
    store: str | Path | None = None,
    today: date | None = None,
    notes: StoreNotes | None = None,
    corrections: Corrections | None = None,
    plan_day: date | None = None,
    partition_swings: int = PARTITION_SWINGS,
    progress: Callable[[Progress], None] | None = None,
) -> SeasonRun:
    """Classify every swing of a season and leave the result tables in `out`.

    A run that was killed leaves its parts in a hidden folder beside `out`; the next run into the same folder goes on
    with those that fit.

    Parameters
    ----------
    season
        An opened season, or a Parquet file or folder, a long CSV file or a folder of them, or several.
    out
        The results folder; replaced as a whole once the new results are complete.
    source
        Where model and catalogue come from; the package's own where not given.
    assessor
        Model and catalogue as an object, in place of `source`, with steps of one's own where it has some. It cannot be
        given to other processes: the season is then assessed in this one.
    on
        Where partitions are assessed: ``here``, ``local:N`` in N processes of this machine, ``tls://host:port`` or
        ``tcp://127.0.0.1:port`` on a Dask cluster. By default in as many processes as there are cores where the season
        is large enough, else here.
    false_share
        What share of the flags may be wrong, a tenth where not given; see `faultml.classifier.promise`. That of
        `assessor` where one is given.
    table_format
        ``parquet`` or ``csv``.
    assigned
        Drills that were given (``player, drill, fault, since``): what they changed in this season weighs the
        drills.
    outcomes
        What drills changed in earlier seasons, as `faultml.outcomes.change.changes` gives it; weighs them too.
    store
        The coach's store, by default the one at its usual place where there is one: what was said about players'
        bodies is read from it, and since when the roster says what it says is kept in it.
    today
        The day of the care check; by default the day of the call.
    notes
        What the coach has noted: with it every player has a plan, and a drill that somebody is on stands first.
    corrections
        What coaches have corrected in the season; by default what the store holds. Of a season that is open already,
        names are those it was opened with.
    plan_day
        The day of the plans; `faultml.plan.day.default_day` where not given.
    partition_swings
        Most swings of a partition.
    progress
        Called after each batch, partition and bucket of players; what it raises ends the run.

    Raises
    ------
    InputError
        Where a path does not exist or `out` must not be replaced.
    BundleError
        Where the model does not fit.
    WorkerError
        Where a process or a cluster cannot take part; the message names it and says why.
    """
    started = time.monotonic()
    if assessor is not None and not (source is None and false_share is None):
        raise InputError("two-models", expected="assessor, or source and false_share", found="both")
    corrections = read_corrections(store) if corrections is None else corrections
    opened = _open(season, on, corrections)
    given = assessor is not None
    if assessor is None:
        share = DEFAULT_FALSE_SHARE if false_share is None else false_share
        assessor = Assessor(*(source or ModelSource()).load(), false_share=share)
    bundle, catalogue = assessor.bundle, assessor.catalogue
    coaching = load_coaching(catalogue)
    out = Path(out).absolute() if "://" in on else Path(out)
    with ResultsWriter(out, format=table_format) as results, workplace(out) as parts_folder:
        inputs = Inputs(
            source=source or ModelSource(),
            folder=str(Path.cwd()),
            repeats_sha256=repeats_digest(opened.repeats),
            versions=versions_of(bundle, catalogue),
            false_share=assessor.false_share,
            table_format=table_format,
            batch_size=opened.batch_size,
            buckets=bucket_names(opened.players),
            alike=tuple(sorted(opened.repeats.alike)),
            corrections=corrections,
        )
        save_inputs(parts_folder, inputs, opened.repeats)
        tracker = _Progress(opened.n_swings, progress)
        answering = Answering(inputs, opened.repeats, assessor, parts_folder)
        runner = _runner(on, opened.n_swings, answering, tracker, given=given)
        done = _assess(opened, runner, parts_folder, partition_swings, tracker)
        lost = {fragment: result for fragment, result in done.items() if isinstance(result, Lost)}
        refused = {fragment: answering.refuse(fragment) for fragment in lost}
        parts = [
            each
            for each in (refused.get(fragment, result) for fragment, result in done.items())
            if isinstance(each, Partition)
        ]
        remove_others(parts_folder, {part.id for part in parts})

        merge = Merge(parts_folder, parts, results)
        merge.take_problems(opened.take_problems())
        merge.take_tables(table_format)
        for fragment, reason in lost.items():
            merge.take_problems(lost_problems(fragment, reason))
        roster, day = opened.match_roster(opened.players), today or date.today()
        known = _known(opened, roster, day, store)
        last = [*opened.take_problems(), *_edges_for_nobody(catalogue, opened.players)]
        merge.take_problems(last)
        n_buckets = len(inputs.buckets) + 1
        faults_given = [] if assigned is None else assigned["fault"].tolist()
        sums = merge.fault_sums(n_buckets, faults_given)
        found = merge.fault_sums_as_found(n_buckets, faults_given)
        changed = all_changes(sums, assigned, outcomes, catalogue, found)
        effects = {} if changed is None else drill_effects(changed, coaching.serving, catalogue)
        plans = None
        if notes is not None:
            plans = season_plans(merge, n_buckets, notes, known, coaching, opened.players, plan_day, day)
        layout = merge.doubt_layout(n_buckets)
        if layout.suspected:
            merge.take_problems([layout.problem("season")])
        merge.prescribe(
            n_buckets,
            known,
            coaching,
            day,
            effects,
            plans,
            tracker.players,
            layout_suspected=layout.suspected,
        )
        if changed is not None:
            results.write("outcomes", changed)
        merge.write_curves()
        merged = merge.merged
        run = SeasonRun(
            out=out,
            roster=opened.roster,
            known=known,
            day=day,
            n_swings=merged.n_swings,
            n_assessed=merged.n_assessed,
            n_lost=sum(fragment.n_swings for fragment in lost),
            n_players=merged.n_players,
            n_problems=results.n_problems,
            n_withheld=merged.n_withheld,
            n_held=merged.n_held,
            problem_counts=merged.problem_counts,
            unread=[*opened.unread, *merged.unread],
            roster_unreadable=opened.roster_unreadable,
            unrecorded=[problem.player for problem in last if problem.code == NOT_RECORDED],
            layout_suspected=layout.suspected,
        )
        results.run |= _run_record(assessor, coaching, run, started)
        # Later commands read roster and store as they are then, and hold every drill where they cannot.
        results.run |= _sources(opened, roster, store)
        results.run |= _names_of(opened)
        results.run["address_drift"] = merged.drifted
        if bundle.reference is not None:
            results.run["watch"] = compare_to(bundle.reference, merge.watched())
        run.run = results.run
    return run


def _known(season: Season, roster: MatchedRoster, day: date, store: str | Path | None) -> Known:
    """Roster and statements; the store's library is needed only where there is a store."""
    store, names = store_if_there(store), _names_of(season)
    if store is None:
        return known_now(roster, season.players, day, run=names)
    from faultml.store import open_store

    with open_store(store, create=False) as opened:
        return known_now(roster, season.players, day, opened, run=names)


def _names_of(season: Season) -> dict[str, Any]:
    """Names that the season was read as one player's, for ``run.json``."""
    return {"same_names": [msgspec.to_builtins(each) for each in season.names]}


def _sources(season: Season, roster: MatchedRoster, store: str | Path | None) -> dict[str, Any]:
    """Where the roster, the recordings and the store lie, from any folder; and which store it is."""
    there = store_if_there(store)
    known = ""
    if there is not None:
        from faultml.store import open_store
        from faultml.store.people import store_id

        with open_store(there, create=False) as opened:
            known = store_id(opened)
    return {
        "roster": {
            "file": str(Path(roster.file).absolute()) if roster.file else "",
            "season": [str(path.absolute()) for path in season.paths],
        },
        "store": {"file": str(store_path(store).absolute()), "id": known},
    }


class _Progress:
    """Counts what is done, and passes it on."""

    def __init__(self, n_swings: int, call: Callable[[Progress], None] | None) -> None:
        self._now = Progress(n_swings, 0, 0)
        self._call = call
        self._by_batch = 0

    def batch(self, tables: BatchTables) -> None:
        """A batch is done, in this process."""
        self._by_batch += len(tables.swings)
        self._add(len(tables.swings), int(tables.swings["assessed"].sum()))

    def part(self, part: Partition) -> None:
        """A partition is done; what its batches have counted is not counted again."""
        by_batch, self._by_batch = self._by_batch, 0
        if by_batch != part.n_swings:
            self._add(part.n_swings - by_batch, part.n_assessed)

    def players(self, n_players: int) -> None:
        """So many players are put together."""
        self._now = self._now._replace(n_players=n_players)
        self._add(0, 0)

    def _add(self, n_swings: int, n_assessed: int) -> None:
        now = self._now
        self._now = now._replace(n_done=now.n_done + n_swings, n_assessed=now.n_assessed + n_assessed)
        if self._call is not None:
            self._call(self._now)


def _open(season: Season | str | Path | Sequence[str | Path], on: str, corrections: Corrections) -> Season:
    if isinstance(season, Season):
        return season
    paths = [Path(season)] if isinstance(season, str | Path) else [Path(path) for path in season]
    # Other machines have another working folder.
    return open_season([path.absolute() for path in paths] if "://" in on else paths, names=corrections.names)


def _runner(on: str, n_swings: int, answering: Answering, tracker: _Progress, *, given: bool) -> Runner:
    """Who assesses the partitions.

    Raises
    ------
    InputError
        ``bad-place`` where `on` is none that there is, ``model-in-memory`` where other processes cannot load the model.
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    if on == "here" or (not on and (given or n_swings < PROCESSES_PAY_FROM or cores == 1)):
        return InProcess(answering, tracker.batch)
    if given:
        expected = "source, which other processes can load"
        raise InputError("model-in-memory", where=on, expected=expected, found="an assessor")
    if "://" in on:
        from faultml.season.cluster import Cluster, check_address

        check_address(on)
        return Cluster(on)
    place, _, number = on.partition(":")
    if not on or (place == "local" and number.isdecimal() and int(number) > 0):
        return LocalProcesses(int(number) if on else cores)
    raise InputError(
        "bad-place", where=on, expected="here, local:N, tls://host:port or tcp://127.0.0.1:port", found=on
    )


def _assess(
    season: Season, runner: Runner, parts_folder: Path, partition_swings: int, tracker: _Progress
) -> dict[Fragment, Partition | Lost]:
    """What became of every fragment, in the order of the season."""
    fragments = season.fragments(partition_swings)
    done: dict[int, Partition | Lost] = {}
    for outcome in runner.run(fragments, parts_folder):
        done[outcome.number] = outcome.result
        if isinstance(outcome.result, Partition):
            tracker.part(outcome.result)
    return {fragment: done[number] for number, fragment in enumerate(fragments)}


def _edges_for_nobody(catalogue: Catalogue, players: Iterable[str]) -> list[Problem]:
    """A problem for each player with edges of their own who is not in the season: a name that differs?"""
    where, expected = catalogue.overrides_file, "a player of the season"
    return [
        file_problem(where, "edge-for-nobody", expected, shorten(name))
        for name in sorted(catalogue.own_edge_players - set(players))
    ]


def _run_record(assessor: Assessor, coaching: Coaching, run: SeasonRun, started: float) -> dict[str, Any]:
    manifest = assessor.bundle.manifest
    return {
        "faultml": __version__,
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
        "seconds": round(time.monotonic() - started, 3),
        "model": {"name": manifest.name, "version": manifest.version, "sha256": manifest.sha256},
        **assessor.bundle.origin,
        **({"own_steps": assessor.own_steps} if assessor.own_steps else {}),
        "catalogue": {"owner": assessor.catalogue.owner, "sha256": assessor.catalogue.digest},
        "coaching": coaching.digests,
        "promise": assessor.promise_record(),
        "counts": {
            "swings": run.n_swings,
            "assessed": run.n_assessed,
            "lost": run.n_lost,
            "players": run.n_players,
            "problems": run.n_problems,
        },
    }
