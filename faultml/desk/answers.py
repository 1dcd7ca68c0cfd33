"""The open questions of a layout, one at a time: what may be answered, and the layout with the answer in it."""

from __future__ import annotations

import types
from dataclasses import dataclass
from typing import Any, Final, Literal, Union, get_args, get_origin

import msgspec

from faultml.errors import InputError
from faultml.importing.layout import OPEN, POSITIVE, Layout, open_questions, parse_layout, plain
from faultml.importing.layout_toml import write_layout
from faultml.importing.propose.proposal import Proposal

Kind = Literal["choice", "text", "number", "columns"]

_WORDS: Final = {
    "flexion": "bowed (flexion): the palm goes toward the forearm",
    "extension": "cupped (extension): the back of the hand goes toward the forearm",
    "ulnar": "unhinged (ulnar): toward the little finger",
    "radial": "hinged (radial): toward the thumb",
    "pronation": "pronation: the palm turns down",
    "supination": "supination: the palm turns up",
    "lead": "always the lead arm (left of a right-handed golfer)",
    "roster": "as the roster says",
    "anatomical": "the same on both arms",
    "geometric": "turned round on the left arm",
    "file": "each file is one swing",
    "column": "a column numbers the swings",
    "clock": "time starts again, or jumps, at each swing",
    "row": "each row is one swing",
    "stream": "a whole session without a break: cut it into swings",
}
"""Choices as a coach reads them; what is not here stands as it is in the layout."""

_ALTERNATIVES: Final = {
    "worn.arm": ("left", "right", "lead"),
    "worn.hand": ("right", "left", "roster"),
}
"""Where a layout takes any word, the words that mean something."""


@dataclass(frozen=True)
class OpenQuestion:
    """A question that a layout leaves open.

    Attributes
    ----------
    path
        Dotted, as in the layout.
    question, reason
        What to ask, and why the file does not say it.
    kind
        Whether to choose one of `choices`, write a word, a number, or choose four columns of the file.
    choices
        Values with their words.
    """

    path: str
    question: str
    reason: str
    kind: Kind
    choices: tuple[tuple[str, str], ...] = ()


def next_question(layout: Layout, proposal: Proposal, columns: tuple[str, ...]) -> OpenQuestion | None:
    """The first question that the layout still leaves open; None where it can be used.

    Parameters
    ----------
    layout
        As answered so far.
    proposal
        Whose guesses hold the questions' words.
    columns
        Names of the file's columns.
    """
    paths = open_questions(layout)
    if not paths:
        return None
    path = paths[0]
    guess_of_path = next((guess for guess in proposal.guesses if guess.path == path and guess.question), None)
    question = guess_of_path.question if guess_of_path else f"What is {path}?"
    kind, choices = _form(path, columns)
    return OpenQuestion(
        path,
        question,
        guess_of_path.reason if guess_of_path else "it hangs on an earlier answer",
        kind,
        choices,
    )


def with_answer(layout: Layout, path: str, value: str | float | list[str]) -> Layout:
    """The layout with an answer in it, checked as a layout from a file is.

    Raises
    ------
    InputError
        ``bad-layout`` where the answer does not fit.
    """
    tree = plain(layout)
    *folders, last = path.split(".")
    part: dict[str, Any] = tree
    for folder in folders:
        part = part.setdefault(folder, {})
    part[last] = value
    try:
        changed = msgspec.convert(tree, Layout)
    except msgspec.ValidationError as error:
        raise InputError(
            "bad-layout", where=path, expected="an answer that fits", found=str(error)
        ) from error
    return parse_layout(write_layout(changed, {}, []), where=path)


def _form(path: str, columns: tuple[str, ...]) -> tuple[Kind, tuple[tuple[str, str], ...]]:
    *folders, last = path.split(".")
    if last == "positive":
        return "choice", _chosen(POSITIVE[folders[-1]])
    if path in _ALTERNATIVES:
        return "choice", _chosen(_ALTERNATIVES[path])
    if last == "columns":
        return "columns", tuple((name, name) for name in columns)
    if last.endswith("column"):
        return "choice", tuple((name, name) for name in columns)
    kind = _type_of(path)
    words = tuple(
        value
        for each in _parts(kind)
        if get_origin(each) is Literal
        for value in get_args(each)
        if value != OPEN
    )
    if words and all(isinstance(word, str) for word in words):
        return "choice", _chosen(words)
    if any(
        each is float or (get_origin(each) is not None and float in get_args(each)) for each in _parts(kind)
    ):
        return "number", ()
    return "text", ()


def _chosen(values: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    return tuple((value, _WORDS.get(value, value)) for value in values)


def _type_of(path: str) -> Any:
    """The type that a layout's field is declared with."""
    kind: Any = Layout
    for name in path.split("."):
        struct = next(
            each for each in _parts(kind) if isinstance(each, type) and issubclass(each, msgspec.Struct)
        )
        kind = next(field.type for field in msgspec.structs.fields(struct) if field.name == name)
    return kind


def _parts(kind: Any) -> tuple[Any, ...]:
    """The alternatives of a declared type, with what only annotates it taken off."""
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        return tuple(part for each in get_args(kind) for part in _parts(each))
    if hasattr(kind, "__metadata__"):
        return _parts(kind.__origin__)
    return (kind,)
