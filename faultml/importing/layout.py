"""The layout of a recorder's files: where everything stands, in which unit, and what its sign means.

A layout is TOML and says only what is known. What is unknown is absent or ``"?"``: an open question. Nothing is
guessed from a layout with open questions, see `open_questions`. docs/layouts.md describes every field for whoever
writes one; this module is the same in types.

A **column** is named as in the file, or counted from the left as ``"#3"`` where names are absent or repeated.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Final, Literal

import msgspec

from faultml.errors import InputError
from faultml.importing.pattern import parse_pattern
from faultml.recordings.problems import shorten

OPEN: Final = "?"
"""Stands for what only the coach can say."""

MAX_LAYOUT_BYTES: Final = 200_000

Open = Literal["?"]
Column = Annotated[str, msgspec.Meta(min_length=1, max_length=1000)]
Line = Annotated[int, msgspec.Meta(ge=0, le=1_000_000)]
Scale = Annotated[float, msgspec.Meta(gt=0, le=1e12)]
Straight = Annotated[float, msgspec.Meta(ge=-400, le=400)]
Positive = Annotated[float, msgspec.Meta(gt=0, le=1e6)]
Axis = Literal["+x", "-x", "+y", "-y", "+z", "-z", "?"]


class _Part(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    pass


class FileLayout(_Part, frozen=True):
    """``[file]``: which reader, and how the table stands in the file.

    ``names_line`` is the line of the column names, counted from 1, and 0 where there is none; ``first_line`` that of
    the first sample, by default the next one. `delimiter` is one character, ``"tab"``, or ``"space"`` for any run of
    blanks. `shape` is ``rows`` (one row a sample), ``lists`` (one row a swing, samples in lists; in a text cell they
    are separated by `list_delimiter`) or ``wide`` (one row a swing, a column a sample; ``"f_*"`` names ``f_0`` and on).
    `thousands` is the mark between groups of three digits, where the recorder writes one. `missing` are the
    recorder's own words or numbers for a lost sample, such as ``"-999"``.
    """

    reader: str = OPEN
    encoding: str = "utf-8"
    delimiter: str = ","
    decimal: Literal[".", ",", "?"] = "."
    thousands: Literal["", ".", ",", "'", " "] = ""
    missing: tuple[Annotated[str, msgspec.Meta(min_length=1, max_length=100)], ...] = ()
    names_line: Line = 1
    first_line: Line | None = None
    sheet: str = ""
    shape: Literal["rows", "lists", "wide", "?"] = "rows"
    list_delimiter: str = " "


class Join(_Part, frozen=True):
    """``[join]``: a swing lies in two files, whose names differ in one text, such as ``_forearm`` and ``_hand``.

    The second's columns are named with ``2:`` before their names. A sample takes the second's nearest one in time that
    is no further than `within_s`.
    """

    first: Annotated[str, msgspec.Meta(min_length=1, max_length=200)]
    second: Annotated[str, msgspec.Meta(min_length=1, max_length=200)]
    within_s: Annotated[float, msgspec.Meta(gt=0, le=1)] = 0.001


class TimeLayout(_Part, frozen=True):
    """``[time]``: a column with its unit; or ``samples``, counted by a column or by the rows, with a rate.

    `format` is of `datetime.strptime`, for unit ``datetime``; without it stamps are ISO 8601.
    """

    unit: Literal["s", "ms", "us", "ns", "datetime", "samples", "?"] = OPEN
    column: Column | None = None
    format: str = ""
    rate_hz: Positive | Open | None = None


class AngleLayout(_Part, frozen=True):
    """``[angles.flexion]`` and the like: a column of a joint angle, its unit and what its positive values mean.

    `unit` ``"file"`` is what the file's own header says (motion files only). `sign` is ``anatomical`` where positive
    means the same on both arms, ``geometric`` where `positive` holds for a right arm and turns round for a left one.
    `straight` is what the column reads with the wrist straight, in its own unit: 180 of many goniometers.
    """

    column: Column = OPEN
    unit: Literal["deg", "rad", "file", "?"] = OPEN
    positive: str = OPEN
    sign: Literal["anatomical", "geometric", "?"] = "anatomical"
    straight: Straight | Open = 0.0


class Angles(_Part, frozen=True):
    """``[angles]``: the wrist's two angles and, where it is recorded, the forearm's rotation.

    `alignment` is a file of ``faultml align`` beside the layout, by which the two are turned into the bone's axes.
    """

    flexion: AngleLayout
    ulnar: AngleLayout
    pronation: AngleLayout | None = None
    alignment: str = ""


POSITIVE: Final = {
    "flexion": ("flexion", "extension"),
    "ulnar": ("ulnar", "radial"),
    "pronation": ("pronation", "supination"),
}
"""Words that `AngleLayout.positive` may have, ours first."""


class Segment(_Part, frozen=True):
    """``[orientation.hand]`` and the like: four quaternion columns, and where two bone axes point in the sensor.

    `volar` (palm side) and `proximal` (toward the elbow) are sensor axes such as ``"+x"``; they may be absent where
    an alignment is used. The third bone axis follows from them.
    """

    columns: tuple[Column, Column, Column, Column] | Open = OPEN
    volar: Axis | None = None
    proximal: Axis | None = None


class Orientation(_Part, frozen=True):
    """``[orientation]``: segment orientations as quaternions instead of angles.

    `order` is that of the four columns. `frame` says what a quaternion turns: ``segment-to-world`` vectors of the
    segment into the common frame, or ``world-to-segment`` the other way. `alignment` is a file of ``faultml align``
    beside the layout, which takes the place of `volar` and `proximal`. With an upper arm, forearm rotation is read
    too. `scale` is the length of the quaternions as recorded: 1, or another where they are whole numbers.
    """

    forearm: Segment
    hand: Segment
    upper_arm: Segment | None = None
    order: Literal["wxyz", "xyzw", "?"] = OPEN
    frame: Literal["segment-to-world", "world-to-segment", "?"] = OPEN
    scale: Scale | Open = 1.0
    alignment: str = ""


class Acceleration(_Part, frozen=True):
    """``[acceleration]``: of the sensor at the wrist, three columns (its axes) or one (their norm)."""

    columns: tuple[Column, ...] | Open = OPEN
    unit: Literal["m/s2", "g", "?"] = OPEN


class AngularRate(_Part, frozen=True):
    """``[angular_rate]``: of the sensor at the wrist, three columns (its axes) or one (their norm)."""

    columns: tuple[Column, ...] | Open = OPEN
    unit: Literal["deg/s", "rad/s", "?"] = OPEN


class FromColumn(_Part, frozen=True):
    """A value in a column, or behind the word `above` above the table; the file's words put into ours by `words`.

    With `format` (of `datetime.strptime`, or ``"iso"``) a stamp becomes its ISO date. A word that `words` lacks stays
    as it is.
    """

    column: Column | None = None
    words: dict[str, str] = {}
    format: str = ""
    above: Annotated[str, msgspec.Meta(min_length=1, max_length=200)] | None = None


Value = Annotated[str, msgspec.Meta(max_length=1000)] | FromColumn
"""One word for every swing, a column, or what stands above the table."""


class Worn(_Part, frozen=True):
    """``[worn]``: the arm that carries the recorder (``left``, ``right`` or ``lead``) and the golfer's handedness.

    `hand` is ``right``, ``left``, a column, or ``roster``. What was recorded on the trail arm is refused.
    """

    arm: Value = OPEN
    hand: Value = OPEN


class Ids(_Part, frozen=True):
    """``[ids]``: each id is one word, a column, or a field of the file name's `pattern`.

    `pattern` is plain text with the fields ``{player}``, ``{session}``, ``{swing}`` and ``{any}``; with ``/`` it
    reaches over folders. `swing` is counted from 1 in each session where `Swings.split` is ``clock`` or ``stream``.
    """

    player: Value | None = None
    session: Value | None = None
    swing: Value | None = None
    pattern: str = ""


class Swings(_Part, frozen=True):
    """``[swings]``: where one swing ends and the next begins.

    ``file``: a file is a swing; ``column``: where an id changes; ``clock``: where time falls back, or jumps by more
    than `gap_s`; ``row``: a row is a swing (shape ``lists``); ``stream``: a whole session, to be cut into swings.
    """

    split: Literal["file", "column", "clock", "row", "stream", "?"] = OPEN
    gap_s: Positive | Open | None = None


class Contact(_Part, frozen=True):
    """``[contact]``: how the recorder marks the contact with the ball. At most one of the three columns.

    `time_column` holds it on the clock of ``[time]``, in `unit` (by default the clock's). `event_column` holds one of
    `events` at the sample of contact. `sample_column` holds its number, the first sample being `first_sample`.
    """

    time_column: Column | None = None
    unit: Literal["s", "ms", "us", "ns", "datetime", "?"] | None = None
    event_column: Column | None = None
    events: tuple[str, ...] = ("1",)
    sample_column: Column | None = None
    first_sample: Literal[0, 1, "?"] = OPEN


class Words(_Part, frozen=True):
    """``[words]``: what may be known of a swing besides; the words of the season table, by `FromColumn.words`."""

    club: Value | None = None
    shot: Value | None = None
    context: Value | None = None


class Layout(_Part, frozen=True):
    """A layout: see the module and docs/layouts.md. Either `angles` or `orientation` is given."""

    schema: Literal[1]
    file: FileLayout = FileLayout()
    time: TimeLayout = TimeLayout()
    angles: Angles | None = None
    orientation: Orientation | None = None
    worn: Worn = Worn()
    ids: Ids = Ids()
    swings: Swings = Swings()
    contact: Contact = Contact()
    acceleration: Acceleration | None = None
    angular_rate: AngularRate | None = None
    words: Words = Words()
    join: Join | None = None


def load_layout(path: Path) -> Layout:
    """A layout from a file, its schema checked and its open questions left open.

    Raises
    ------
    InputError
        ``bad-layout`` where it is no layout, contradicts itself or cannot be read.
    """
    try:
        if path.stat().st_size > MAX_LAYOUT_BYTES:
            raise InputError(
                "bad-layout", where=str(path), expected=f"at most {MAX_LAYOUT_BYTES:,} bytes", found="more"
            )
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            "bad-layout", where=str(path), expected="a TOML file", found=shorten(error)
        ) from error
    return parse_layout(text, where=str(path))


def parse_layout(text: str, where: str = "") -> Layout:
    """A layout from TOML; see `load_layout`."""
    try:
        layout = msgspec.toml.decode(text, type=Layout)
    except (msgspec.DecodeError, RecursionError) as error:  # a ValidationError is a DecodeError
        raise InputError(
            "bad-layout", where=where, expected="a layout as in docs/layouts.md", found=shorten(error)
        ) from error
    for place, expected, found in _contradictions(layout):
        raise InputError(
            "bad-layout", where=f"{where}: {place}" if where else place, expected=expected, found=found
        )
    return layout


def open_questions(layout: Layout) -> list[str]:
    """What the layout leaves open, as dotted paths such as ``angles.flexion.positive``, in the layout's order."""
    questions = list(dict.fromkeys(_open(layout, "")))
    if layout.worn.hand == OPEN and layout.worn.arm == "lead" and not needs_side(layout):
        questions.remove("worn.hand")
    return questions


def needs_side(layout: Layout) -> bool:
    """Whether the angles depend on which arm it is."""
    angles = [getattr(layout.angles, name) for name in POSITIVE] if layout.angles else []
    geometric = any(angle is not None and angle.sign == "geometric" for angle in angles)
    return geometric or layout.orientation is not None


def _open(part: object, path: str) -> Iterator[str]:
    if isinstance(part, str):
        if part == OPEN:
            yield path
        return
    if not isinstance(part, _Part):
        return
    for name in part.__struct_fields__:
        if _matters(part, name):
            yield from _open(getattr(part, name), f"{path}.{name}" if path else name)
    if isinstance(part, Layout):
        yield from _absent(part)


def _matters(part: msgspec.Struct, name: str) -> bool:
    """Whether anybody reads the field."""
    return not (isinstance(part, Contact) and name == "first_sample" and part.sample_column is None)


def _absent(layout: Layout) -> Iterator[str]:
    """What is needed besides and not there."""
    if layout.time.unit == "samples" and layout.time.rate_hz is None:
        yield "time.rate_hz"
    if layout.time.unit not in ("samples", OPEN) and layout.time.column is None:
        yield "time.column"
    if layout.angles is None and layout.orientation is None:
        yield "angles"
    if layout.orientation is not None:
        yield from _axes(layout.orientation)
    counted = layout.swings.split in ("clock", "stream")
    for name in ("player", "session", "swing"):
        given = getattr(layout.ids, name) is not None or f"{{{name}}}" in layout.ids.pattern
        if not given and not (name == "swing" and counted):
            yield f"ids.{name}"


def _axes(orientation: Orientation) -> Iterator[str]:
    """Segments without axes that no alignment gives."""
    for name in ("forearm", "hand", "upper_arm"):
        segment: Segment | None = getattr(orientation, name)
        aligned = orientation.alignment and name != "upper_arm"
        if segment is not None and not aligned:
            missing = (axis for axis in ("volar", "proximal") if getattr(segment, axis) is None)
            yield from (f"orientation.{name}.{axis}" for axis in missing)


def _contradictions(layout: Layout) -> Iterator[tuple[str, str, str]]:
    """Where the layout says two things: place, expected, found."""
    if layout.angles is not None and layout.orientation is not None:
        yield "angles", "angles or orientation", "both"
    if layout.angles is not None:
        for name, words in POSITIVE.items():
            angle: AngleLayout | None = getattr(layout.angles, name)
            if angle is not None and angle.positive not in (*words, OPEN):
                yield f"angles.{name}.positive", f"{words[0]} or {words[1]}", shorten(angle.positive)
    if layout.orientation is not None:
        for name in ("forearm", "hand", "upper_arm"):
            segment: Segment | None = getattr(layout.orientation, name)
            if segment is not None and _one_axis(segment):
                yield f"orientation.{name}", "volar and proximal along two axes of the sensor", "one axis"
    for name in ("acceleration", "angular_rate"):
        sensed: Acceleration | AngularRate | None = getattr(layout, name)
        if sensed is not None and sensed.columns != OPEN and len(sensed.columns) not in (1, 3):
            yield f"{name}.columns", "three axes, or one norm", f"{len(sensed.columns)}"
    marks = ("time_column", "event_column", "sample_column")
    given = [name for name in marks if getattr(layout.contact, name) is not None]
    if len(given) > 1:
        yield "contact", "one kind of mark", " and ".join(given)
    if (layout.swings.split == "row") != (layout.file.shape in ("lists", "wide")) and OPEN not in (
        layout.swings.split,
        layout.file.shape,
    ):
        yield "swings.split", '"row" with file.shape = "lists" or "wide", and only then', layout.swings.split
    if layout.swings.split != "clock" and layout.swings.gap_s is not None:
        yield "swings.gap_s", 'split = "clock"', f"split = {layout.swings.split!r}"
    if layout.swings.split == "stream" and layout.contact.sample_column is not None:
        yield "contact.sample_column", "a time or an event in a stream", "a sample number"
    if (
        layout.time.unit == "samples"
        and layout.contact.time_column is not None
        and layout.contact.unit is None
    ):
        yield "contact.unit", "a unit of time", "none, and the clock counts samples"
    if layout.ids.pattern not in ("", OPEN):
        try:
            parse_pattern(layout.ids.pattern)
        except InputError as error:
            yield "ids.pattern", error.expected, error.found
    file = layout.file
    if file.first_line is not None and file.first_line <= file.names_line:
        yield "file.first_line", "a line after names_line", str(file.first_line)
    if (len(file.delimiter) != 1 or file.delimiter in '"\n\r') and file.delimiter not in ("tab", "space"):
        yield "file.delimiter", 'one character, "tab" or "space"', shorten(file.delimiter)
    if file.delimiter == file.decimal and file.delimiter != OPEN:
        yield "file.decimal", "another mark than the delimiter", file.decimal
    if layout.join is not None and layout.join.first == layout.join.second:
        yield "join.second", "another text than first", layout.join.second
    if file.thousands and file.thousands == file.decimal:
        yield "file.thousands", "another mark than the decimal one", file.thousands
    for table in ("ids", "worn", "words"):
        part = getattr(layout, table)
        for name in part.__struct_fields__:
            value = getattr(part, name)
            if isinstance(value, FromColumn) and (value.column is None) == (value.above is None):
                yield f"{table}.{name}", "column or above", "both" if value.column else "neither"
    for name in ("player", "session", "swing"):
        if getattr(layout.ids, name) is not None and f"{{{name}}}" in layout.ids.pattern:
            yield f"ids.{name}", "one source", "one here and one in ids.pattern"


def _one_axis(segment: Segment) -> bool:
    given = [axis for axis in (segment.volar, segment.proximal) if axis not in (None, OPEN)]
    return len({axis[1] for axis in given}) < len(given)


def plain(part: msgspec.Struct) -> dict[str, Any]:
    """The layout as nested dicts and lists in the order of its file: defaults left out, open questions kept."""
    kept = {}
    for field in msgspec.structs.fields(part):
        value = getattr(part, field.name)
        if isinstance(value, _Part):
            if plain(value) or field.required:
                kept[field.name] = plain(value)
        elif value != field.default or (value == OPEN and _matters(part, field.name)):
            kept[field.name] = msgspec.to_builtins(value)
    return kept
