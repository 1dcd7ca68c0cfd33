"""Classify a season: scan it, freeze the inputs, assess its partitions, put it together."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from pathlib import Path

import msgspec
import pandas as pd

from faultml.care.known import Known, known_now
from faultml.classifier.assess import Assessor
from faultml.classifier.promise import DEFAULT_FALSE_SHARE
from faultml.coaching.rules import Coaching, load_coaching
from faultml.errors import InputError
from faultml.faults.catalogue import Catalogue
from faultml.outcomes.change import all_changes
from faultml.outcomes.effects import Effects, drill_effects
from faultml.plan.evidence import StoreNotes
from faultml.quality.watch import compare_to
from faultml.recordings.corrections import Corrections
from faultml.recordings.fragments import PARTITION_SWINGS, Fragment
from faultml.recordings.problems import Problem, file_problem, shorten
from faultml.recordings.read import Season
from faultml.recordings.roster_match import NOT_RECORDED, MatchedRoster
from faultml.results import ResultsWriter
from faultml.results.tables import TableFormat
from faultml.season.answering import Answering
from faultml.season.classified import SeasonRun
from faultml.season.corrections import open_corrected, read_corrections
from faultml.season.inputs import Inputs, ModelSource, repeats_digest, save_inputs, versions_of
from faultml.season.merge import Merge, bucket_names, lost_problems
from faultml.season.parts import Partition, remove_others
from faultml.season.plans import season_plans
from faultml.season.progress import Progress, ProgressCounter
from faultml.season.record import merged_names, roster_and_store, run_record
from faultml.season.runners import Lost, Runner, choose_runner
from faultml.season.workplace import workplace
from faultml.store.place import store_if_there


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
        bodies is read from it, and since when the roster says what it says is kept in it. Players who have asked it to
        be forgotten are left out; a season that is open already was opened without them, or not.
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
    opened = _open(season, on, corrections, store)
    # What was dragged on the desk holds over the table beside the season.
    corrections = msgspec.structs.replace(corrections, landmarks=(*opened.marks, *corrections.landmarks))
    own_assessor = assessor is not None
    if assessor is None:
        share = DEFAULT_FALSE_SHARE if false_share is None else false_share
        assessor = Assessor(*(source or ModelSource()).load(), false_share=share)
    coaching = load_coaching(assessor.catalogue)
    out = Path(out).absolute() if "://" in on else Path(out)
    with ResultsWriter(out, format=table_format) as results, workplace(out) as parts_folder:
        inputs = Inputs(
            source=source or ModelSource(),
            folder=str(Path.cwd()),
            repeats_sha256=repeats_digest(opened.repeats),
            versions=versions_of(assessor.bundle, assessor.catalogue),
            false_share=assessor.false_share,
            table_format=table_format,
            batch_size=opened.batch_size,
            buckets=bucket_names(opened.players),
            alike=tuple(sorted(opened.repeats.alike)),
            corrections=corrections,
        )
        save_inputs(parts_folder, inputs, opened.repeats)
        counter = ProgressCounter(opened.n_swings, progress)
        answering = Answering(inputs, opened.repeats, assessor, parts_folder)
        runner = choose_runner(on, opened.n_swings, answering, counter.batch, own_assessor=own_assessor)
        parts, lost = _assess(opened, runner, answering, partition_swings, counter)
        merge = Merge(parts_folder, parts, results, n_buckets=len(inputs.buckets) + 1)
        merge.take_problems(opened.take_problems())
        merge.take_tables(table_format)
        for fragment, reason in lost.items():
            merge.take_problems(lost_problems(fragment, reason))
        roster, day = opened.match_roster(opened.players), today or date.today()
        known = _known(opened, roster, day, store)
        last = [*opened.take_problems(), *_edges_for_nobody(assessor.catalogue, opened.players)]
        merge.take_problems(last)
        effects = _effects(merge, assigned, outcomes, assessor.catalogue, coaching)
        plans = None
        if notes is not None:
            plans = season_plans(merge, notes, known, coaching, opened.players, plan_day, day)
        layout = merge.doubt_layout()
        if layout.suspected:
            merge.take_problems([layout.problem("season")])
        merge.prescribe(
            known, coaching, day, effects, plans, counter.players, layout_suspected=layout.suspected
        )
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
            left_out=(len(opened.left_out), opened.left_out.total()),
            unrecorded=[problem.player for problem in last if problem.code == NOT_RECORDED],
            layout_suspected=layout.suspected,
        )
        results.run |= run_record(assessor, coaching, run, started)
        # Later commands read roster and store as they are then, and hold every drill where they cannot.
        results.run |= roster_and_store(opened, roster, store)
        results.run |= merged_names(opened)
        results.run["address_drift"] = merged.drifted
        results.run["impacts"] = msgspec.to_builtins(merge.impacts())
        if assessor.bundle.reference is not None:
            results.run["watch"] = compare_to(assessor.bundle.reference, merge.watched())
        run.run = results.run
    return run


def _known(season: Season, roster: MatchedRoster, day: date, store: str | Path | None) -> Known:
    """Roster and statements; the store's library is needed only where there is a store."""
    store, names = store_if_there(store), merged_names(season)
    if store is None:
        return known_now(roster, season.players, day, run=names, needs_store=True)
    from faultml.store import open_store

    with open_store(store, create=False) as opened:
        return known_now(roster, season.players, day, opened, run=names)


def _open(
    season: Season | str | Path | Sequence[str | Path],
    on: str,
    corrections: Corrections,
    store: str | Path | None,
) -> Season:
    if isinstance(season, Season):
        return season
    paths = [Path(season)] if isinstance(season, str | Path) else [Path(path) for path in season]
    # Other machines have another working folder.
    return open_corrected([path.absolute() for path in paths] if "://" in on else paths, store, corrections)


def _assess(
    season: Season, runner: Runner, answering: Answering, partition_swings: int, counter: ProgressCounter
) -> tuple[list[Partition], dict[Fragment, Lost]]:
    """The parts of the season, in its order, and what was lost: of that, a part says that its swings were refused."""
    fragments = season.fragments(partition_swings)
    done: dict[int, Partition | Lost] = {}
    for outcome in runner.run(fragments, answering.out):
        done[outcome.number] = outcome.result
        if isinstance(outcome.result, Partition):
            counter.part(outcome.result)
    parts: list[Partition] = []
    lost: dict[Fragment, Lost] = {}
    for number, fragment in enumerate(fragments):
        result = done[number]
        if isinstance(result, Lost):
            lost[fragment] = result
            refused = answering.refuse(fragment)
            if isinstance(refused, Partition):
                parts.append(refused)
        else:
            parts.append(result)
    remove_others(answering.out, {part.id for part in parts})
    return parts, lost


def _effects(
    merge: Merge,
    assigned: pd.DataFrame | None,
    outcomes: pd.DataFrame | None,
    catalogue: Catalogue,
    coaching: Coaching,
) -> Effects:
    """What drills changed, in this season and in earlier ones; the table ``outcomes`` is written where there is any."""
    faults = [] if assigned is None else assigned["fault"].tolist()
    changed = all_changes(
        merge.fault_sums(faults), assigned, outcomes, catalogue, merge.fault_sums_as_found(faults)
    )
    if changed is None:
        return {}
    merge.results.write("outcomes", changed)
    return drill_effects(changed, coaching.serving, catalogue)


def _edges_for_nobody(catalogue: Catalogue, players: Iterable[str]) -> list[Problem]:
    """A problem for each player with edges of their own who is not in the season: a name that differs?"""
    where, expected = catalogue.overrides_file, "a player of the season"
    return [
        file_problem(where, "edge-for-nobody", expected, shorten(name))
        for name in sorted(catalogue.own_edge_players - set(players))
    ]
