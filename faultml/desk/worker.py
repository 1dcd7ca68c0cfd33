"""Does one piece of long work in a process of its own: ``python -m faultml.desk.worker`` in the desk's folder.

What to do comes as one line of JSON on standard input, which then stays open: when it closes, the desk has ended, and
so does this. How far it is goes to standard output, a line of JSON each time.
"""

from __future__ import annotations

import os
import shutil
import sys
import threading
import traceback
from collections import Counter
from pathlib import Path
from typing import Final

import msgspec

from faultml.desk.folder import DeskFolder
from faultml.desk.jobs import ClassifyWork, ImportWork, Progress, RetrainWork, Work
from faultml.desk.plain_words import error_words
from faultml.errors import FaultmlError
from faultml.report.text import count, shown

MAX_NAMED: Final = 12


def main() -> None:
    """Read what to do, do it, say what came of it."""
    work: Work = msgspec.json.decode(sys.stdin.buffer.readline(), type=Work)
    threading.Thread(target=_end_with_the_desk, daemon=True).start()
    folder = DeskFolder(Path())
    try:
        match work:
            case ImportWork():
                lines = _import(folder, work)
            case ClassifyWork():
                lines = _classify(folder, work)
            case RetrainWork():
                lines = _retrain(folder, work)
        last = Progress(finished=True, lines=tuple(lines))
    except FaultmlError as error:
        last = Progress(finished=True, failed=f"{error_words(error).capitalize()}.")
    except Exception as error:
        # Places only: the message of an error may repeat what stands in a recording.
        places = "".join(traceback.format_tb(error.__traceback__))
        sys.stderr.write(f"{type(error).__name__} in the desk's long work\n{places}")
        last = Progress(
            finished=True, failed="Something is wrong with this program; its terminal says where."
        )
    _report(last)


def _import(folder: DeskFolder, work: ImportWork) -> list[str]:
    from faultml.cutting import cutter
    from faultml.desk.review import left_out_lines
    from faultml.importing.layout import load_layout
    from faultml.importing.season import alignment_of, import_season
    from faultml.recordings.files import ROSTER_FILE
    from faultml.recordings.findings import findings
    from faultml.season.corrections import read_forgotten

    layout_path, files = Path(work.layout), Path(work.files)
    layout = load_layout(layout_path)
    part = files.with_name(f"{files.name}-season")
    run = import_season(
        [files],
        layout,
        part,
        roster=folder.roster if layout.worn.hand == "roster" else None,
        alignment=alignment_of(layout, layout_path),
        cut=cutter(layout),
        left_out=read_forgotten(folder.store) if folder.store.exists() else None,
        on_file=lambda number, total: _report(Progress(number, total)),
    )
    # The season has one roster, beside its imports.
    (part / ROSTER_FILE).unlink(missing_ok=True)
    try:
        _check_new(part, folder.season)
        part.rename(work.out)
    finally:
        shutil.rmtree(part, ignore_errors=True)
    shutil.rmtree(files, ignore_errors=True)
    lines = [
        f"{count(run.n_written, 'swing')} of {count(len(run.players), 'player')} read from "
        f"{count(run.n_files, 'file')}; "
        f"{run.n_sound} pass every check."
    ]
    lines += _left_out(len(run.left_out), run.left_out.total())
    lines += left_out_lines(
        layout,
        [(Path(each.file), f"expected {each.expected}, found {shown(each.found)}") for each in run.unread],
    )
    known = findings()
    for code, number in run.findings.most_common(MAX_NAMED):
        if code in known:
            lines.append(f"{known[code].words.capitalize()} ({count(number, 'swing')}). {known[code].means}")
    return lines


def _check_new(part: Path, season: Path) -> None:
    """Raise where a swing of an import is in the season already: two of one name would both be refused."""
    from faultml.errors import InputError
    from faultml.recordings.ids import season_ids

    repeated = sorted(season_ids([part]) & season_ids([season]))
    if repeated:
        first = ", ".join(repeated[0])
        raise InputError(
            "known-swings",
            expected="swings that the season does not hold yet; nothing was taken in",
            found=f"{len(repeated)} of the same player, session and number, such as {first}",
        )


def _classify(folder: DeskFolder, work: ClassifyWork) -> list[str]:
    from faultml.outcomes.assignments import assignments
    from faultml.plan.store_notes import read_notes
    from faultml.recordings.findings import findings
    from faultml.season import ModelSource, classify_season
    from faultml.season import Progress as SeasonProgress
    from faultml.season.corrections import open_corrected
    from faultml.store import open_store

    source = ModelSource(coach=work.adaptation or None)

    def advance(done: SeasonProgress) -> None:
        _report(Progress(done.n_done, done.n_swings))

    with open_store(folder.store) as store:
        given, notes = assignments(store), read_notes(store)
    run = classify_season(
        # Relative: the results then say nothing of where on this machine they were made.
        open_corrected([folder.season.relative_to(folder.root)], folder.store),
        folder.results,
        source=source,
        assigned=given,
        store=folder.store,
        notes=notes,
        progress=advance,
    )
    players = run.results.players["player"].nunique()
    lines = [f"{run.n_assessed} of {count(run.n_swings, 'recording')} assessed, {count(players, 'player')}."]
    lines += _left_out(*run.left_out)
    if run.roster_unreadable:
        lines.append("The roster could not be read: mend it first. Until then nobody gets a drill.")
    known = findings()
    counts = Counter[str]()
    for (code, _), number in run.problem_counts.items():
        counts[code] += number
    # Why recordings were not assessed stands below, each by its name.
    for code, number in counts.most_common(MAX_NAMED):
        if code in known and known[code].severity != "refuse":
            lines.append(f"{known[code].words.capitalize()} ({count(number, 'time')}). {known[code].means}")
    return lines


def _left_out(players: int, swings: int) -> list[str]:
    if not players:
        return []
    return [
        f"{count(players, 'player')} who asked to be forgotten left out, with {count(swings, 'recording')}."
    ]


def _retrain(folder: DeskFolder, work: RetrainWork) -> list[str]:
    from faultml.classifier.bundle import load_bundle
    from faultml.faults.catalogue import load_catalogue
    from faultml.pipelines.retraining.retrain import retrain
    from faultml.results import read_results
    from faultml.store import open_store

    with open_store(folder.store, create=False) as store:
        learned = retrain(
            store, work.coach, [read_results(folder.results)], load_bundle(), load_catalogue(), Path(work.out)
        )
    used = learned.labelled.known.any(axis=1)
    golfers = len(set(learned.labelled.golfers[used]))
    return [f"Learned from {count(int(used.sum()), 'swing')} of {count(golfers, 'golfer')}; see below."]


def _report(progress: Progress) -> None:
    sys.stdout.buffer.write(msgspec.json.encode(progress) + b"\n")
    sys.stdout.buffer.flush()


def _end_with_the_desk() -> None:
    # Not by way of sys.stdin, whose lock this thread would still hold when the interpreter ends.
    while os.read(0, 1024):
        pass
    os._exit(1)


if __name__ == "__main__":
    main()
