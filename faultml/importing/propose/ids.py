"""Guess whose swing it is and where it ends: ids from columns, file names and stamps; how swings are split."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.errors import InputError
from faultml.importing.above import statements
from faultml.importing.pattern import parse_pattern
from faultml.importing.propose.clock import Clock
from faultml.importing.propose.motion import Moves
from faultml.importing.propose.source import Guess, Source, open_guess
from faultml.importing.propose.words import load_words, side_in, tokens

Array = NDArray[np.float64]

ONE_SWING_S: Final = 15.0
STREAM_S: Final = 60.0
GAP_S: Final = 1.0
MAX_KEY_WORDS: Final = 2
"""A longer line above the table is a sentence."""

_DAYS: Final = ("%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%Y/%m/%d", "%d-%m-%Y", "%Y%m%d")
_DATE_IN_NAME = re.compile(r"(?<!\d)(?:\d{4}-\d\d-\d\d|\d{8}|\d{4}_\d\d_\d\d)(?!\d)")
NAME_GAP: Final = re.compile(r"([_\-\s.]+)")
"""What stands between the words of a file's name."""
_QUESTIONS: Final = {
    "player": "Whose recordings are these (one name, a column, or {player} in the file name's pattern)?",
    "session": "Which session is it (an ISO date, a column, or {session} in the file name's pattern)?",
    "swing": "What tells one swing from another (a column, or {swing} in the file name's pattern)?",
}


def id_columns(source: Source, taken: set[str]) -> dict[str, str]:
    """Columns that are named as an id and whose equal words stand together."""
    names, found = load_words().names, {}
    for what in ("player", "session", "swing"):
        wanted = getattr(names, what)
        fitting = [
            name
            for name in source.names
            if name not in taken
            and set(tokens(source.titles[name])) & wanted
            and _stands_together(source, name)
        ]
        # Of several, the one whose name says it first, then the shortest name.
        fitting.sort(key=lambda name: (tokens(source.titles[name])[0] not in wanted, len(name)))
        if fitting:
            found[what] = fitting[0]
            taken = taken | {fitting[0]}
    return found


def _stands_together(source: Source, name: str) -> bool:
    cells = source.cells[name]
    if source.row is not None:
        return bool(len(cells)) and bool(str(cells[0] or "").strip())
    filled = np.array([cell is not None and str(cell).strip() not in ("", "nan") for cell in cells])
    if not filled.all():
        return False
    changes = int((cells[1:] != cells[:-1]).sum())
    return changes <= len(cells) / 20


def guess_split(source: Source, clock: Clock, columns: dict[str, str], moves: Moves) -> Iterator[Guess]:
    """``[swings]``."""
    path, question = "swings.split", "Is one file one swing (file), or a whole session to be cut (stream)?"
    if source.row is not None:
        yield Guess(path, "row", "sure", "a row is a swing: its samples stand in lists")
        return
    if "swing" in columns:
        yield Guess(path, "column", "sure", f"column {columns['swing']!r} numbers the swings")
        return
    if clock.t_s is None:
        yield open_guess(path, "without a clock it cannot be determined", question)
        return
    segments = segments_of(clock.t_s)
    longest = max((float(np.ptp(clock.t_s[span])) for span in segments), default=0.0)
    n_moves = f"{len(moves)} swing-like movements were found" if len(moves) != 1 else "one swing was found"
    seen = f"; {n_moves}" if len(moves) else ""
    if len(segments) > 1 and longest <= ONE_SWING_S:
        steps = np.diff(clock.t_s)
        yield Guess(
            path,
            "clock",
            "likely",
            f"the clock starts anew {len(segments) - 1} times, at most {longest:.1f} s apart",
        )
        jumps = [float(steps[span.start - 1]) for span in segments[1:] if steps[span.start - 1] > 0]
        if jumps:
            gap_s = float(f"{min(jumps) / 2:.2g}")
            yield Guess(
                "swings.gap_s", gap_s, "likely", f"it jumps by {min(jumps):.3g} s and more between swings"
            )
    elif longest > STREAM_S:
        yield Guess(path, "stream", "likely", f"it runs for {longest:.0f} s; {n_moves}")
    elif longest <= ONE_SWING_S and len(moves) <= 1:
        yield Guess(path, "file", "likely", f"it runs for {longest:.1f} s{seen}")
    elif len(moves) > 1:
        yield Guess(path, "stream", "likely", f"it runs for {longest:.0f} s; {n_moves}")
    else:
        yield open_guess(path, f"it runs for {longest:.0f} s; {n_moves}", question)


def segments_of(t_s: Array) -> list[slice]:
    """Rows between which the clock falls back or jumps by more than a second."""
    steps = np.diff(t_s)
    with np.errstate(invalid="ignore"):
        breaks = np.flatnonzero((steps < 0) | (steps > GAP_S)) + 1
    edges = [0, *breaks.tolist(), len(t_s)]
    return [slice(start, stop) for start, stop in pairwise(edges) if stop > start]


def guess_ids(
    source: Source, paths: Sequence[Path], clock: Clock, columns: dict[str, str], split: str
) -> Iterator[Guess]:
    """``[ids]``."""
    left = {what for what in ("player", "session", "swing") if what not in columns}
    if split in ("clock", "stream"):
        left.discard("swing")
    for what, name in columns.items():
        yield _from_column(source, what, name)
    for what in sorted(left):
        guess = _from_above(source, what)
        if guess is not None:
            left.discard(what)
            yield guess
    stamped = _session_of_stamps(clock)
    if "session" in left and stamped is not None:
        left.discard("session")
        yield stamped
    elif "session" in left and (said := _stated_day(source)):
        left.discard("session")
        yield Guess(
            "ids.session", said[0], "likely", f"above the table stands {said[1]!r}; other files will differ"
        )
    named = propose_pattern(paths, left, split == "file") if left else None
    if named is not None:
        left -= set(named.fields)
        read = ", ".join(f"{key} {value!r}" for key, value in named.fields.items())
        yield Guess("ids.pattern", named.pattern, "likely", f"{paths[0].name} reads as {read}")
    if "swing" in left and split == "file":
        left.discard("swing")
        yield Guess("ids.swing", "1", "likely", "the file holds one swing and its name no further number")
    for what in sorted(left):
        yield open_guess(f"ids.{what}", "no column and no part of the file's name tells it", _QUESTIONS[what])


def _from_above(source: Source, what: str) -> Guess | None:
    """An id that stands above the table behind a word for it."""
    wanted = getattr(load_words().names, what)
    for key, said in statements(source.preamble):
        words = tokens(key)
        if not words or not set(words) & wanted or len(words) > MAX_KEY_WORDS or side_in(tokens(said)):
            continue
        reason = f"above the table stands {key!r} with {said!r}"
        if what != "session":
            return Guess(f"ids.{what}", {"above": key}, "sure", reason)
        days = [each for each in _DAYS if _is_day(said, each)]
        if len(days) > 1:
            return None
        form = {"format": "iso"} if not days and _is_iso_stamp(said) else {}
        if days and days[0] != "%Y-%m-%d":
            form = {"format": days[0]}
        return Guess("ids.session", {"above": key, **form}, "sure", reason)
    return None


def _from_column(source: Source, what: str, name: str) -> Guess:
    path, words = f"ids.{what}", list(dict.fromkeys(map(str, source.cells[name])))[:200]
    if what != "session":
        return Guess(path, {"column": name}, "sure", "by its name; equal words stand together")
    days = [each for each in _DAYS if all(_is_day(word, each) for word in words)]
    if not days:
        if all(_is_iso_stamp(word) for word in words):
            return Guess(
                path, {"column": name, "format": "iso"}, "sure", "by its name; its stamps become dates"
            )
        return Guess(path, {"column": name}, "sure", "by its name; equal words stand together")
    if days[0] == "%Y-%m-%d":
        return Guess(path, {"column": name}, "sure", "by its name; ISO dates")
    if len(days) > 1:
        question = f"How are the dates of {name!r} written: {' or '.join(days)}?"
        return open_guess(path, f"{words[0]!r} may be read as {' or '.join(days)}", question)
    return Guess(path, {"column": name, "format": days[0]}, "sure", f"by its name; dates written {days[0]}")


def _is_day(word: str, form: str) -> bool:
    try:
        return datetime.strptime(word.strip(), form).year > 1990
    except ValueError:
        return False


def _is_iso_stamp(word: str) -> bool:
    try:
        datetime.fromisoformat(word.strip())
    except ValueError:
        return False
    return True


def _session_of_stamps(clock: Clock) -> Guess | None:
    guessed = {guess.path: guess.value for guess in clock.guesses}
    form = str(guessed.get("time.format", ""))
    if guessed.get("time.unit") != "datetime" or (form and "%d" not in form):
        return None
    value = {"column": clock.column, "format": form or "iso"}
    swapped = "; day and month may be the other way round" if form[:5] in ("%d/%m", "%m/%d") else ""
    return Guess("ids.session", value, "likely", f"the day of the stamps in {clock.column!r}{swapped}")


def _stated_day(source: Source) -> tuple[str, str] | None:
    wanted = load_words().names.session
    for line in source.preamble:
        match = re.search(r"\d{4}-\d\d-\d\d", line)
        if match and set(tokens(line)) & (wanted | {"recorded", "created"}):
            return match.group(), line
    return None


@dataclass(frozen=True)
class Named:
    """A file-name pattern and what it reads in the first file's name."""

    pattern: str
    fields: dict[str, str]


def propose_pattern(paths: Sequence[Path], wanted: set[str], one_swing: bool) -> Named | None:
    """A pattern of file names that tells some of the ids wanted, and fits every name; None where none does."""
    pieces = [name_pieces(path) for path in paths]
    if len({len(each) for each in pieces}) != 1:
        return None
    stable = [len({each[at] for each in pieces}) == 1 for at in range(len(pieces[0]))]
    kinds = _kinds(pieces[0], stable, wanted, one_swing, several=len(paths) > 1)
    pattern = "".join(
        piece if kind == "text" else f"{{{kind}}}" for piece, kind in zip(pieces[0], kinds, strict=True)
    )
    fields = {
        kind: piece for piece, kind in zip(pieces[0], kinds, strict=True) if kind not in ("text", "any")
    }
    if not fields:
        return None
    pattern += paths[0].name[len("".join(pieces[0])) :]
    try:
        parsed = parse_pattern(pattern)
        return Named(pattern, fields) if all(parsed.read(path) for path in paths) else None
    except InputError:
        return None


def name_pieces(path: Path) -> list[str]:
    """A file's name without its suffixes in words and what stands between; a date is one word."""
    stem = path.name.partition(".")[0] or path.stem
    pieces, at = [], 0
    for match in _DATE_IN_NAME.finditer(stem):
        pieces += [*NAME_GAP.split(stem[at : match.start()]), match.group()]
        at = match.end()
    pieces += NAME_GAP.split(stem[at:])
    whole = [piece for piece in pieces if piece]
    split = []
    for piece in whole:
        # "swing03" is a word and a number.
        numbered = re.fullmatch(r"([^\W\d_]+)(\d+)", piece)
        if numbered and numbered.group(1).casefold() in load_words().names.swing:
            split += [numbered.group(1), numbered.group(2)]
        else:
            split.append(piece)
    return split


def _kinds(
    pieces: list[str], stable: list[bool], wanted: set[str], one_swing: bool, *, several: bool
) -> list[str]:
    """What each piece is: ``text``, ``any`` or an id."""
    kinds = ["text" if NAME_GAP.fullmatch(piece) or stable[at] else "any" for at, piece in enumerate(pieces)]
    words = [at for at, piece in enumerate(pieces) if not NAME_GAP.fullmatch(piece)]

    def take(what: str, fitting: list[int]) -> None:
        free = [at for at in fitting if kinds[at] in ("text", "any")]
        if what in wanted and free:
            kinds[free[0]] = what

    take("session", [at for at in words if _DATE_IN_NAME.fullmatch(pieces[at])])
    if one_swing:
        numbers = [at for at in words if pieces[at].isdigit() and not (several and stable[at])]
        take("swing", [at for at in reversed(numbers) if not _DATE_IN_NAME.fullmatch(pieces[at])])
    known = load_words()
    vocabulary = set().union(*(angle.all for angle in known.angles.values()))
    for each in known.names.__struct_fields__:
        vocabulary |= getattr(known.names, each)
    plain = {
        "data",
        "recording",
        "rec",
        "export",
        "session",
        "range",
        "file",
        "log",
        "raw",
        "test",
        "sensor",
        "season",
    }
    take(
        "player",
        [
            at
            for at in words
            if not _DATE_IN_NAME.fullmatch(pieces[at])
            and not pieces[at].isdigit()
            and pieces[at].casefold() not in vocabulary | plain
            and kinds[at] != "swing"
        ],
    )
    for at in words:
        # A date or number that is no id here may differ in the next file.
        if kinds[at] == "text" and pieces[at].isdigit() and not (several and stable[at]):
            kinds[at] = "any"
    return kinds
