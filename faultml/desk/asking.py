"""The open questions of a drop, one at a time, as a coach reads them: what each answer would mean for these files."""

from __future__ import annotations

import types
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin

import msgspec
import numpy as np

from faultml.desk.answers import NO_ROLL, Answer, Answers
from faultml.desk.consequences import rate_words, sign_words, span_words, straight_words, unit_words
from faultml.desk.name_parts import id_choices
from faultml.importing.layout import OPEN, POSITIVE, Layout
from faultml.importing.propose.clock import PER_S
from faultml.report.text import shown

Kind = Literal["choice", "text", "number", "columns"]

CALLED: Final = {
    "flexion": "wrist bend: bowing and cupping (flexion and extension)",
    "ulnar": "wrist hinge: toward the thumb and toward the little finger (radial and ulnar deviation)",
    "pronation": "forearm roll (pronation and supination)",
}
_MOVES: Final = {"flexion": "wrist bend", "ulnar": "wrist hinge", "pronation": "forearm roll"}
_SEGMENTS: Final = {"forearm": "forearm", "hand": "hand", "upper_arm": "upper arm"}
_BY_PATH: Final = {
    "worn.arm": "Which arm wore the recorder?",
    "worn.hand": "Does the player play right- or left-handed?",
    "ids.player": "Whose swings are these?",
    "ids.session": "On which day were they recorded?",
    "ids.swing": "What tells one swing from the next?",
    "time.column": "Which column holds the time?",
    "time.rate_hz": "How many samples a second does the recorder take?",
    "swings.split": "What does one file hold?",
    "swings.gap_s": "How long, in seconds, is the shortest pause between two swings?",
    "file.decimal": "Which sign stands before the decimals?",
    "orientation.order": "Each orientation is four numbers. Which stands first?",
    "orientation.frame": "Which way do the orientations turn?",
    "orientation.scale": "How long is one orientation's four numbers together (their length)?",
    "acceleration.columns": "Which columns are the acceleration?",
    "acceleration.unit": "In what is the acceleration counted?",
    "angular_rate.columns": "Which columns say how fast the sensor turns?",
    "angular_rate.unit": "Does the sensor's speed of turning stand in degrees or in radians a second?",
    "contact.event_column": "Which column marks the contact with the ball?",
    "contact.time_column": "Which column holds the time of contact with the ball?",
    "contact.sample_column": "Which column holds the number of the sample at contact with the ball?",
    "contact.unit": "In what is the time of contact counted?",
    "contact.first_sample": "From which number are the samples counted?",
}
_BY_END: Final[dict[str, Callable[[str, str], str]]] = {
    "column": lambda owner, _: f"Which of these is {CALLED.get(owner, owner)}?",
    "unit": lambda _, column: f"Is {column} written in degrees or in radians?",
    "positive": lambda owner, column: (
        f"When {column} rises, which way does the {_MOVES.get(owner, 'wrist go')}?"
    ),
    "sign": lambda _, column: f"Does {column} mean the same on a left arm as on a right one?",
    "straight": lambda _, column: f"What does {column} read with the wrist straight?",
    "columns": lambda owner, _: (
        f"Which four columns are the orientation of the {_SEGMENTS.get(owner, owner)}?"
    ),
    "volar": lambda owner, _: _axis_question(owner, "out of the palm side"),
    "proximal": lambda owner, _: _axis_question(owner, "toward the elbow"),
}
_TRY: Final = {
    "flexion": "let the player bow the wrist, palm toward the forearm, and watch whether the number rises",
    "ulnar": "let the player hinge the wrist, thumb toward the forearm, and watch whether the number rises",
    "pronation": "let the player turn the palm down and watch whether the number rises",
}
WORDS: Final = {
    "lead": "always the lead arm (left of a right-handed golfer)",
    "left": "the left",
    "right": "the right",
    "roster": "each as the roster says",
    "anatomical": "yes, the same on both arms",
    "geometric": "no, turned round on the left arm",
    "file": "each file is one swing",
    "clock": "several swings: time starts again, or jumps, at each",
    "row": "each row is one swing",
    "column": "several swings, which a column numbers",
    "stream": "a whole session without a break, to be cut into swings",
    "s": "seconds",
    "ms": "milliseconds",
    "us": "microseconds",
    "ns": "nanoseconds",
    "samples": "numbers of samples; the rate is asked next",
    "datetime": "dates with the time of day",
    ".": "a point, as in 12.5",
    ",": "a comma, as in 12,5",
    "wxyz": "the scalar (w) first: w, x, y, z",
    "xyzw": "the scalar (w) last: x, y, z, w",
    "segment-to-world": "from the sensor's axes into the room's",
    "world-to-segment": "from the room's axes into the sensor's",
    "0": "from 0",
    "1": "from 1",
} | {
    f"{sign}{axis}": f"{'along' if sign == '+' else 'against'} its {axis} axis"
    for sign in "+-"
    for axis in "xyz"
}
"""Values of a layout as a coach reads them; what is not here stands as it is."""
_ALTERNATIVES: Final = {
    "worn.arm": ("left", "right", "lead"),
    "worn.hand": ("right", "left", "roster"),
}
"""Where a layout takes any word, the words that mean something."""


@dataclass(frozen=True)
class Choice:
    """One possible answer: its words, and the layout's values by path that it stands for."""

    words: str
    changes: dict[str, Answer]


@dataclass(frozen=True)
class Question:
    """A question that is put to the coach.

    Attributes
    ----------
    path
        Dotted, as in the layout; never shown.
    question, reason
        What to ask, and what is known already or how to find out.
    kind
        Whether to take one of `choices`, a word, a number, or four columns of the file.
    choices
        Possible answers.
    free
        Beside choices: what may be written instead; "" where nothing may.
    columns
        The columns in question, to be drawn.
    is_about_names
        Whether to show the files' names, since the answer may stand in them.
    """

    path: str
    question: str
    reason: str
    kind: Kind
    choices: tuple[Choice, ...] = ()
    free: str = ""
    columns: tuple[str, ...] = ()
    is_about_names: bool = False

    def changes(self, value: Answer) -> dict[str, Answer]:
        """What an answer changes: the number of a choice, or what was written."""
        if self.kind == "choice" and isinstance(value, int):
            return self.choices[value].changes
        return {self.path: value}


def next_question(answers: Answers) -> Question | None:
    """The first question that is still open; None where the layout can be used."""
    paths = answers.open_paths
    return question_of(answers, paths[0]) if paths else None


def question_of(answers: Answers, path: str) -> Question:
    """The question about a path of the layout."""
    *folders, last = path.split(".")
    owner = folders[-1] if folders else ""
    angle = answers.angles.get(owner)
    column = shown(angle.column) if angle is not None and angle.column != OPEN else "the column"
    guess = answers.guess(path)
    if path in _BY_PATH:
        words = _BY_PATH[path]
    elif path == "time.unit":
        words = f"In what does {shown(answers.layout.time.column or 'the clock')} count time?"
    elif last in _BY_END:
        words = _BY_END[last](owner, column)
    else:
        words = guess.question if guess else f"{last.replace('_', ' ').capitalize()}?"
    reason = _reason(answers, path, owner, guess.reason if guess else "")
    drawn = _drawn(answers, path, owner)
    if path.startswith("ids."):
        choices = tuple(Choice(each.words, each.changes) for each in id_choices(answers, last))
        return Question(
            path, words, reason, "choice" if choices else "text", choices, _FREE[last], is_about_names=True
        )
    kind, choices = _form(answers, path, owner, last)
    return Question(path, words, reason, kind, choices, columns=drawn)


_FREE: Final = {
    "player": "One player's, called",
    "session": "All on one day (as 2031-05-02), or another name for the session",
    "swing": "One swing, numbered",
}


def _axis_question(owner: str, where: str) -> str:
    return f"Which way of the sensor on the {_SEGMENTS.get(owner, owner)} points {where}?"


def _reason(answers: Answers, path: str, owner: str, known: str) -> str:
    if path == "angles.pronation.column":
        return "without it, the faults that are read from the forearm's roll are not assessed"
    if path.endswith(".positive") and owner in _TRY:
        start = "most lead wrists stand cupped by 10 to 30 degrees at address. " if owner == "flexion" else ""
        return f"{start}Where you are not sure, {_TRY[owner]}".strip()
    if path.startswith("ids.") or path in ("worn.arm", "worn.hand"):
        return "the files do not say it"
    if path == "time.rate_hz":
        return f"the first file holds {len(answers.source):,} samples and no clock"
    if path.startswith("angles.") and path.endswith(".column") and known == "no name says so":
        return "the columns' names do not say it: see what each curve does in this swing"
    return known or "the file does not say it"


def _drawn(answers: Answers, path: str, owner: str) -> tuple[str, ...]:
    """The columns that a question is about."""
    numbers = answers.source.numbers
    if path.startswith("angles."):
        angle = answers.angles.get(owner)
        if not path.endswith(".column") and angle is not None and angle.column in numbers:
            return (angle.column,)
        return tuple(answers.spare)
    if path == "time.column":
        return tuple(numbers)
    if path.startswith("time.") and answers.layout.time.column in numbers:
        return (str(answers.layout.time.column),)
    if path.startswith(("swings.", "contact.")):
        known = [angle.column for angle in answers.angles.values() if angle.column in numbers]
        return tuple(known or answers.spare)
    return ()


def _form(answers: Answers, path: str, owner: str, last: str) -> tuple[Kind, tuple[Choice, ...]]:
    """How a question is answered, and its choices with what each would mean."""
    if path == "angles.pronation.column":
        then_open: dict[str, Answer] = dict.fromkeys(
            ("angles.pronation.unit", "angles.pronation.positive"), OPEN
        )
        columns = [Choice(span_words(answers, name), {path: name} | then_open) for name in answers.spare]
        return "choice", (*columns, Choice("none of them", {NO_ROLL: "yes"}))
    if last == "column" and owner in POSITIVE:
        return "choice", tuple(Choice(span_words(answers, name), {path: name}) for name in answers.spare)
    if last.endswith("column"):
        names = list(answers.source.names)
        none = [Choice("no column does", {path: None})] if path.startswith("contact.") else []
        return "choice", (*(Choice(shown(name), {path: name}) for name in names), *none)
    if last == "columns":
        return "columns", tuple(Choice(shown(name), {}) for name in answers.source.names)
    if last == "unit" and owner in POSITIVE:
        return "choice", tuple(
            Choice(unit_words(answers, owner, unit), {path: unit}) for unit in ("deg", "rad")
        )
    if last == "positive":
        return "choice", tuple(
            Choice(sign_words(answers, owner, word), {path: word}) for word in POSITIVE[owner]
        )
    if last == "straight":
        return "choice", tuple(
            Choice(straight_words(answers, owner, at), {path: at}) for at in _straights(answers, owner)
        )
    if path == "time.unit" and answers.layout.time.column in answers.source.numbers:
        counted = tuple(Choice(rate_words(answers, unit, WORDS[unit]), {path: unit}) for unit in PER_S)
        return "choice", (*counted, Choice(WORDS["samples"], {path: "samples"}))
    values = _ALTERNATIVES.get(path) or tuple(_values(path))
    if values:
        return "choice", tuple(Choice(WORDS.get(str(each), str(each)), {path: each}) for each in values)
    return ("number" if _is_number(path) else "text"), ()


def _straights(answers: Answers, owner: str) -> tuple[float, ...]:
    angle = answers.angles[owner]
    half_turn = 180.0 if angle.unit != "rad" else round(float(np.pi), 4)
    below = float(np.nanmedian(answers.source.numbers[angle.column])) < 0
    return (-half_turn if below else half_turn), 0.0


def _values(path: str) -> Iterator[str | int]:
    """The values that a layout's field is declared to take, where those are words or numbers of a list."""
    for each in _parts(_type_of(path)):
        if get_origin(each) is Literal:
            yield from (value for value in get_args(each) if value != OPEN)


def _is_number(path: str) -> bool:
    return any(each is float for each in _parts(_type_of(path)))


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
    if origin is Annotated or hasattr(kind, "__metadata__"):
        return _parts(kind.__origin__)
    return (kind,)
