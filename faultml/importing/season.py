"""Import a season: any recorder's files by one layout into a season folder, whole or not at all."""

from __future__ import annotations

import csv
import json
import shutil
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from faultml import __version__
from faultml.errors import InputError
from faultml.importing import parts as parts_of
from faultml.importing.alignment import Alignment, alignment_toml, load_alignment
from faultml.importing.entries import find_recordings
from faultml.importing.importer import Cutter, Importer, ImportRun, ProblemLog
from faultml.importing.join import first_files
from faultml.importing.layout import Layout, open_questions, plain
from faultml.importing.parts import Kept, Part, PartStore, divide, inputs_digest, part_store
from faultml.importing.pseudonyms import Pseudonyms
from faultml.importing.swings import Counts
from faultml.recordings.files import MARKS_FILE, ROSTER_FILE
from faultml.recordings.left_out import LeftOut
from faultml.recordings.marks import read_marks
from faultml.recordings.problems import Problem, shorten
from faultml.recordings.roster import read_roster
from faultml.recordings.write import join_seasons, write_season
from faultml.results.folders import LOCK_FILE, replaced_folder

SEASON_FILE: Final = "season.parquet"
PROBLEMS_FILE: Final = "_problems.csv"
"""Files that begin with ``_`` are passed over where a season is read."""
IMPORT_FILE: Final = "_import.json"
CUTS_FILE: Final = "_cuts.csv"
_OURS: Final = frozenset(
    {SEASON_FILE, PROBLEMS_FILE, IMPORT_FILE, CUTS_FILE, ROSTER_FILE, MARKS_FILE, LOCK_FILE}
)


def import_season(
    paths: Sequence[Path],
    layout: Layout,
    out: Path,
    *,
    roster: Path | None = None,
    marks: Path | None = None,
    pseudonyms: Pseudonyms | None = None,
    alignment: Alignment | None = None,
    cut: Cutter | None = None,
    left_out: LeftOut | None = None,
    on_file: Callable[[int, int], None] | None = None,
) -> ImportRun:
    """Read files by a layout and write the season folder `out`: ``season.parquet``, the roster, problems beside them.

    Swings are written as recorded, lost samples included, so that whoever reads the season finds in them what was
    found here. What a reader had to refuse (cells that are no numbers, a trail arm) is left out and stands in
    ``_problems.csv``. One bad file never stops the others. The same files give the same bytes. An import of many files
    that was killed goes on from the parts it had read, where layout and files are the same.

    Parameters
    ----------
    paths
        Files and folders; of a folder every file, in the order of names.
    layout
        Without open questions.
    out
        Made with its parents; an earlier import there is replaced once the new one is complete.
    roster
        Copied beside the season, the players named as there.
    marks
        A coach's marks of landmarks, copied beside the season in the same way; see `faultml.recordings.marks`.
    pseudonyms
        Takes the place of every player's name; the table is saved before the season is.
    alignment
        Where the layout names one, see `alignment_of`.
    cut
        For layouts with split ``stream``.
    left_out
        Players of whom nothing is taken in: recordings, rows of the roster, problems.
    on_file
        Called after each file with how many have been read, and of how many.

    Raises
    ------
    InputError
        ``open-questions``, ``no-such-path``, ``bad-roster``, ``bad-marks``, ``not-a-season-folder``; nothing is written
        then.
    """
    _check_answered(layout)
    known = read_roster(roster)
    if known.unreadable:
        problem = known.problems[-1]
        raise InputError("bad-roster", where=str(roster), expected=problem.expected, found=problem.found)
    named = layout.orientation or layout.angles
    if named is not None and named.alignment and alignment is None:
        raise InputError("no-alignment", expected=f"the alignment {named.alignment}", found="none")
    placed = read_marks([] if marks is None else [marks])
    if placed.problems:
        # Names in a table that cannot be read could not be replaced either.
        wrong = placed.problems[0]
        raise InputError("bad-marks", where=str(marks), expected=wrong.expected, found=wrong.found)
    if layout.worn.hand == "roster" and roster is None:
        raise InputError(
            "bad-roster", expected="a roster, which the layout takes the hand from", found="none"
        )
    hands = dict(zip(known.table["player"], known.table["hand"], strict=True))
    rename = _rename(pseudonyms, left_out)
    gone = (
        frozenset()
        if left_out is None
        else left_out([*known.table["player"], *(each.player for each in placed.landmarks)])
    )
    with TemporaryDirectory(prefix="faultml-import-") as folder:
        files = find_recordings(paths, out, Path(folder))
        firsts, unpaired = first_files(files.paths, layout.join)
        parts = divide(firsts, files.contents, _inputs(layout, alignment, roster, pseudonyms, cut, left_out))
        run = ImportRun(unread=[*files.problems, *unpaired])
        with replaced_folder(out, _check_ours) as part, part_store(out, part, len(parts) > 1) as store:
            log = ProblemLog(part / PROBLEMS_FILE, run)
            noticed = [_renamed(each, rename) for each in known.problems if each.player not in gone]
            log.extend([*files.problems, *unpaired, *noticed])
            state = _Progress(len(firsts), on_file)
            for each in parts:
                read = Importer(
                    layout,
                    hands,
                    rename,
                    alignment,
                    cut,
                    files.contents,
                    left_out,
                    state.counts,
                    state.met,
                )
                run.add(_read_part(each, store, read, state, pseudonyms if len(parts) > 1 else None))
            _put_together([store.place(each) for each in parts], part, log)
            log.close()
            for table, name in ((roster, ROSTER_FILE), (marks, MARKS_FILE)):
                if table is not None:
                    (part / name).write_bytes(_named_bytes(table, pseudonyms, gone))
            (part / IMPORT_FILE).write_text(_summary(run, layout), encoding="utf-8")
            if pseudonyms is not None:
                pseudonyms.save()
    return run


@dataclass
class _Progress:
    """What goes on from part to part."""

    n_files: int
    on_file: Callable[[int, int], None] | None
    done: int = 0
    counts: Counts = field(default_factory=Counter)
    met: set[int] = field(default_factory=set)

    def step(self, number: int) -> None:
        """So many files of the part in hand have been read."""
        if self.on_file is not None:
            self.on_file(self.done + number, self.n_files)


def _read_part(
    part: Part, store: PartStore, importer: Importer, state: _Progress, pseudonyms: Pseudonyms | None
) -> ImportRun:
    """Read a part, or take what a killed import has left of it."""
    kept = store.load(part)
    if kept is None:
        before = set(state.met)
        with store.writing(part) as folder:
            run = ImportRun(n_files=len(part.paths))
            log = ProblemLog(folder / parts_of.PROBLEMS_FILE, run)
            batches = importer.batches(part.paths, run, log, folder / parts_of.CUTS_FILE, state.step)
            write_season(batches, folder / parts_of.SWINGS_FILE)
            log.close()
            if pseudonyms is not None:
                pseudonyms.save()  # the part holds them already
            kept = Kept(run, state.counts, state.met - before)
            store.keep(part, kept)
    else:
        state.counts.clear()
        state.counts.update(kept.counts)
        state.met |= kept.met
        state.step(len(part.paths))
    state.done += len(part.paths)
    return kept.run


def _put_together(folders: Sequence[Path], new: Path, log: ProblemLog) -> None:
    join_seasons([folder / parts_of.SWINGS_FILE for folder in folders], new / SEASON_FILE)
    for folder in folders:
        log.take(folder / parts_of.PROBLEMS_FILE)
    cuts = [folder / parts_of.CUTS_FILE for folder in folders if (folder / parts_of.CUTS_FILE).exists()]
    for number, path in enumerate(cuts):
        with path.open("rb") as source, (new / CUTS_FILE).open("ab") as sink:
            if number:
                source.readline()
            shutil.copyfileobj(source, sink)


def _rename(pseudonyms: Pseudonyms | None, left_out: LeftOut | None) -> Callable[[str], str]:
    """What gives a player the name of the season; who is left out gets no new pseudonym."""
    if pseudonyms is None:
        return str

    def rename(player: str) -> str:
        return player if left_out is not None and left_out([player]) else pseudonyms.name(player)

    return rename


def _renamed(problem: Problem, rename: Callable[[str], str]) -> Problem:
    return problem._replace(player=rename(problem.player)) if problem.player else problem


def _inputs(
    layout: Layout,
    alignment: Alignment | None,
    roster: Path | None,
    pseudonyms: Pseudonyms | None,
    cut: Cutter | None,
    left_out: LeftOut | None,
) -> str:
    return inputs_digest(
        __version__,
        plain(layout),
        "" if alignment is None else alignment_toml(alignment),
        b"" if roster is None else roster.read_bytes(),
        "" if pseudonyms is None else str(pseudonyms.path),
        cut is not None,
        "" if left_out is None else left_out.digest,
    )


def alignment_of(layout: Layout, layout_path: Path) -> Alignment | None:
    """The alignment that a layout names, from beside the layout's own file."""
    part = layout.orientation or layout.angles
    return (
        load_alignment(layout_path.parent / part.alignment) if part is not None and part.alignment else None
    )


def _check_answered(layout: Layout) -> None:
    questions = open_questions(layout)
    if questions:
        raise InputError(
            "open-questions",
            expected="a layout without open questions: nothing is guessed",
            found=", ".join(questions),
        )


def _check_ours(folder: Path) -> None:
    """Raise unless a folder is empty or holds nothing but an earlier import."""
    names = {path.name for path in folder.iterdir()} if folder.is_dir() else {folder.name}
    strangers = names - _OURS
    if strangers or (names and IMPORT_FILE not in names):
        raise InputError(
            "not-a-season-folder",
            where=str(folder),
            expected="a new or empty folder, or one that holds nothing but an earlier import",
            found=shorten(", ".join(sorted(strangers or names))),
        )


def _named_bytes(path: Path, pseudonyms: Pseudonyms | None, gone: frozenset[str]) -> bytes:
    """A roster or marks as they are, or with pseudonyms for names, or without the rows of some players."""
    content = path.read_bytes()
    if pseudonyms is None and not gone:
        return content
    text = content.decode("utf-8-sig")
    first = text.partition("\n")[0]
    delimiter = max(",;\t", key=first.count)
    rows = [
        row for row in csv.reader(StringIO(text), delimiter=delimiter) if any(cell.strip() for cell in row)
    ]
    at = [name.strip().casefold() for name in rows[0]].index("player")
    rows[1:] = [row for row in rows[1:] if len(row) <= at or row[at].strip() not in gone]
    for row in rows[1:]:
        if pseudonyms is not None and len(row) > at and row[at].strip():
            row[at] = pseudonyms.name(row[at].strip())
    written = StringIO()
    csv.writer(written, delimiter=delimiter, lineterminator="\n").writerows(rows)
    return written.getvalue().encode("utf-8")


def _summary(run: ImportRun, layout: Layout) -> str:
    content = {
        "program": "faultml import",
        "layout": plain(layout),
        "files": run.n_files,
        "swings": run.n_swings,
        "written": run.n_written,
        "sound": run.n_sound,
        "shocks": run.n_shocks,
        "players": len(run.players),
        "problems": run.n_problems,
        "left_out": {"players": len(run.left_out), "swings": run.left_out.total()},
        "findings": dict(sorted(run.findings.items())),
    }
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"
