"""A drop's layout on its way: the answers given so far, and what follows from them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import msgspec

from faultml.errors import InputError
from faultml.importing.layout import AngleLayout, Layout, open_questions, parse_layout, plain
from faultml.importing.layout_toml import write_layout
from faultml.importing.propose.further import SoFar, concluded, read_so_far
from faultml.importing.propose.proposal import Proposal, propose_layout
from faultml.importing.propose.sniff import sniff
from faultml.importing.propose.source import Guess, Source, read_source

Answer = str | float | Sequence[str] | Mapping[str, str] | None
NO_ROLL = "no roll"
"""Stands for the forearm's roll where no column holds it; it is no part of a layout."""


@dataclass(frozen=True)
class Answers:
    """What is known of a drop's files.

    Attributes
    ----------
    layout
        With every answer so far.
    proposal
        What it began with.
    source
        The first file.
    files
        All of them.
    no_roll
        Whether the coach has said that no column holds the forearm's roll.
    """

    layout: Layout
    proposal: Proposal
    source: Source
    files: tuple[Path, ...]
    no_roll: bool = False

    @cached_property
    def so_far(self) -> SoFar:
        """The first file as the answers read it."""
        return read_so_far(self.source, self.layout)

    @property
    def open_paths(self) -> list[str]:
        """What is still to be asked: the angles' columns first, since they tell more of the rest."""
        paths = open_questions(self.layout)
        angles = self.layout.angles
        named = any(guess.path.startswith("angles.pronation") for guess in self.proposal.guesses)
        asks_roll = angles is not None and angles.pronation is None and not named and not self.no_roll
        if asks_roll and self.spare:
            paths.append("angles.pronation.column")
        return sorted(paths, key=_is_no_column)

    @property
    def spare(self) -> list[str]:
        """Columns of numbers that are neither the clock nor an angle yet."""
        taken = {self.layout.time.column, *(angle.column for angle in self.angles.values())}
        return [name for name in self.source.numbers if name not in taken]

    @property
    def angles(self) -> dict[str, AngleLayout]:
        """The angles of the layout by name."""
        angles = self.layout.angles
        every = {} if angles is None else {name: getattr(angles, name) for name in angles.__struct_fields__}
        return {name: angle for name, angle in every.items() if isinstance(angle, AngleLayout)}

    @property
    def to_look_at(self) -> list[Guess]:
        """What was concluded, not said: by the proposal, and from the answers since."""
        later = {guess.path: guess for guess in self.so_far.guesses if guess.doubt != "open"}
        first = [guess for guess in self.proposal.guesses if guess.doubt == "likely"]
        asked = {guess.path for guess in self.proposal.guesses if guess.doubt == "open"}
        new = [
            guess for path, guess in later.items()
            if path in asked and _value(self.layout, path) == guess.value and path.endswith((".unit", ".positive"))
        ]  # fmt: skip
        return [*first, *new]

    def guess(self, path: str) -> Guess | None:
        """What is known of why a path is open."""
        own = [guess for guess in (*self.so_far.guesses, *self.proposal.guesses) if guess.path == path]
        return next((guess for guess in own if guess.question and "docs/" not in guess.question), None)

    def answered(self, changes: Mapping[str, Answer]) -> Answers:
        """With values by path put in and what follows from them concluded.

        Raises
        ------
        InputError
            ``bad-layout`` where an answer does not fit.
        """
        changes = dict(changes)
        no_roll = self.no_roll or bool(changes.pop(NO_ROLL, ""))
        after = replace(self, layout=with_answers(self.layout, changes), no_roll=no_roll)
        follows = concluded(after.so_far, after.layout)
        return replace(after, layout=with_answers(after.layout, follows)) if follows else after


def begun(files: Sequence[Path]) -> Answers:
    """What the files themselves say; raises as `faultml.importing.propose.proposal.propose_layout`."""
    proposal = propose_layout(files)
    source = read_source(files[0], sniff(files[0]))
    return Answers(proposal.layout, proposal, source, tuple(files)).answered({})


def with_answers(layout: Layout, changes: Mapping[str, Answer]) -> Layout:
    """The layout with values by dotted path in it, checked as a layout from a file is; None takes a field out.

    Raises
    ------
    InputError
        ``bad-layout`` where an answer does not fit.
    """
    tree = plain(layout)
    for path, value in changes.items():
        *folders, last = path.split(".")
        part: dict[str, Any] = tree
        for folder in folders:
            part = part.setdefault(folder, {})
        if value is None:
            part.pop(last, None)
        else:
            part[last] = value
    where = ", ".join(changes)
    try:
        changed = msgspec.convert(tree, Layout)
    except msgspec.ValidationError as error:
        raise InputError(
            "bad-layout", where=where, expected="an answer that fits", found=str(error)
        ) from error
    return parse_layout(write_layout(changed, {}, []), where=where)


def _value(layout: Layout, path: str) -> object:
    part: object = layout
    for name in path.split("."):
        part = getattr(part, name, None)
    return part


def _is_no_column(path: str) -> bool:
    return not (path.startswith("angles.") and path.endswith(".column"))
