"""A recorder's rows in our terms: seconds, degrees in anatomical signs, words, contact marks.

Every conversion is one of these, exactly: a time is divided by its unit; an angle in radians is multiplied by
180 / pi; a sign is turned where the layout says that positive means the other way; orientations go through
`faultml.motion.rotations`. Nothing is smoothed, filled or cut here.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from faultml.channels import CHANNELS, FLEXION, ID_COLUMNS, PRONATION, ULNAR
from faultml.errors import InputError
from faultml.importing.above import read_above
from faultml.importing.alignment import Alignment
from faultml.importing.cells import Clock, Floats, Mask, Words, Written, find_column, read_numbers, read_words
from faultml.importing.layout import POSITIVE, AngleLayout, FromColumn, Layout, Orientation, Segment
from faultml.importing.lists import spread_lists
from faultml.importing.pattern import parse_pattern
from faultml.importing.readers import Block
from faultml.importing.wide import gather_wide
from faultml.motion.rotations import joint_angles
from faultml.recordings.problems import shorten

KEYS: Final = (*ID_COLUMNS, "arm", "hand")
"""What is the same in every row of a swing."""

TOLD: Final = ("club", "shot", "context")

SENSED_PER: Final = {"m/s2": 1.0, "g": 9.80665, "deg/s": 1.0, "rad/s": 180 / np.pi}
"""m/s2 or deg/s of one unit of an acceleration or angular rate."""

_ARMS: Final = ("left", "right", "lead")
_LEAD_ARM: Final = {"right": "left", "left": "right"}
_AXES: Final = {"x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0)}
_NO_TURN: Final = (0.0, 0.0, 0.0, 1.0)
_UNIT_WITHIN: Final = 1e-3


@dataclass(frozen=True)
class Fault:
    """Rows in which something cannot be read: a code of the findings, what was expected, and the column."""

    mask: Mask
    code: str
    expected: str
    column: pa.Array | None = None

    def found(self, row: int) -> str:
        """What stands in a row instead."""
        return "another number of them" if self.column is None else repr(shorten(self.column[row].as_py()))


@dataclass(frozen=True)
class Rows:
    """Rows of one file.

    Attributes
    ----------
    lines
        ``(n,)`` where each stands in the file.
    t_s, angles_deg
        ``(n,)`` seconds; ``(3, n)`` degrees in the order of `faultml.channels.CHANNELS`. NaN where lost.
    words
        `KEYS` and those of `TOLD` that the layout has.
    starts
        ``(n,)`` rows that begin a swing whatever the rest says.
    mark_s
        ``(n,)`` contact marks on the clock of `t_s`, NaN where there is none.
    mark_sample
        ``(n,)`` contact marks as sample numbers from 0, NaN where there is none.
    faults
        What could not be read.
    """

    lines: NDArray[np.int64]
    t_s: Floats
    angles_deg: Floats
    words: dict[str, Words]
    starts: Mask
    mark_s: Floats
    mark_sample: Floats
    faults: tuple[Fault, ...]
    sensed: Floats | None = None
    """``(n_axes, n)`` accelerations (m/s2), or angular rates (deg/s) where there are none; None where not recorded."""


@dataclass
class RowReader:
    """Turns the blocks of one file into `Rows`; the clock and a held event mark go on from block to block.

    Parameters
    ----------
    path, layout
        The file, and a layout without open questions.
    hands
        Handedness by player, for a layout whose hand is ``roster``.
    rename
        Called with each player's name for the name to write.
    alignment
        What the layout's `alignment` names, loaded.
    content
        Where the file's content lies, if not at `path`: of a file out of an archive.

    Raises
    ------
    InputError
        ``name-differs`` where the file's name does not fit the layout's pattern.
    """

    path: Path
    layout: Layout
    hands: Mapping[str, str] = field(default_factory=dict)
    rename: Callable[[str], str] = str
    alignment: Alignment | None = None
    content: Path | None = None
    _last: dict[str, str] = field(default_factory=dict)
    _done: int = 0
    _event: bool = False

    def __post_init__(self) -> None:
        pattern = self.layout.ids.pattern
        self._named = parse_pattern(pattern).read(self.path) if pattern else {}
        self._written = Written.of(self.layout.file)
        self._clock = Clock(self.layout.time, self._written)

    def read(self, block: Block) -> Rows:
        """The next block of the file.

        Raises
        ------
        InputError
            Where a column is missing or of another type, or the file contradicts the layout.
        """
        layout = self.layout
        faults: list[Fault] = []
        starts = np.zeros(len(block.lines), dtype=bool)
        if layout.file.shape == "wide":
            block = gather_wide(block, named_columns(layout))
        if layout.file.shape != "rows":
            block, starts, unequal = spread_lists(
                block, sample_columns(layout, block), layout.file.list_delimiter
            )
            faults.append(Fault(unequal, "length-mismatch", "lists of the same length"))
        table, n_rows = block.table, len(block.lines)
        if block.broken is not None:
            faults.append(Fault(block.broken, "field-count", f"{table.num_columns} fields"))

        words = self._words(block, n_rows)
        if block.broken is not None:
            # Nobody knows whose row it is: it is taken for one more of the swing it stands in, which it refuses.
            words = {
                name: each.carried(block.broken, self._last.get(name, "")) for name, each in words.items()
            }
        self._last = {name: each.at(n_rows - 1) for name, each in words.items()}
        arms = self.sides(words)
        t_s, bad = self._clock.read(table, self._done)
        if layout.time.column is not None:
            faults.append(
                Fault(
                    bad,
                    "not-a-number",
                    f"a time ({layout.time.unit})",
                    find_column(table, layout.time.column),
                )
            )
        if layout.orientation is not None:
            angles_deg = self._from_orientations(table, layout.orientation, arms, faults)
        else:
            angles_deg = self._from_angles(block, arms, faults)
        mark_s, mark_sample = self._marks(table, t_s, faults)
        sensed = self._sensed(table)
        self._done += n_rows
        seen = tuple(fault for fault in faults if fault.mask.any())
        return Rows(block.lines, t_s, angles_deg, words, starts, mark_s, mark_sample, seen, sensed)

    def read_sensors(self, block: Block) -> tuple[Floats, Floats]:
        """The forearm's and the hand's sensor in the common frame as they were recorded, ``(n, 4)`` quaternions each,
        scalar last, NaN where lost; for a layout with orientations."""
        layout = self.layout.orientation
        assert layout is not None
        forearm, hand = (
            self._quaternions(block.table, part, layout, []) for part in (layout.forearm, layout.hand)
        )
        return forearm, hand

    def _words(self, block: Block, n_rows: int) -> dict[str, Words]:
        def read(value: str | FromColumn | None) -> Words:
            if isinstance(value, FromColumn):
                if value.above is not None:
                    return Words.constant(read_above(block.above, value), n_rows)
                return read_words(block.table, value)
            return Words.constant(value or "", n_rows)

        ids, worn = self.layout.ids, self.layout.worn
        words = {
            name: Words.constant(self._named[name], n_rows)
            if name in self._named
            else read(getattr(ids, name))
            for name in ID_COLUMNS
        }
        players = words["player"]
        words["arm"] = read(worn.arm)
        if worn.hand == "roster":
            words["hand"] = Words(players.codes, tuple(self.hands.get(name) or "" for name in players.words))
        else:
            words["hand"] = read("" if worn.hand == "?" else worn.hand)
        words["player"] = Words(
            players.codes, tuple(self.rename(name) if name else "" for name in players.words)
        )
        given = {name: getattr(self.layout.words, name) for name in TOLD}
        return words | {name: read(value) for name, value in given.items() if value is not None}

    def sides(self, words: Mapping[str, Words]) -> NDArray[np.str_]:
        """``(n_rows,)`` the arm of each row: left, right, or "" where it is not known."""
        known = [word if word in _ARMS else "" for word in map(str.lower, words["arm"].words)]
        arms = np.array(known)[words["arm"].codes]
        hands = [_LEAD_ARM.get(word.lower(), "") for word in words["hand"].words]
        lead = np.array(hands)[words["hand"].codes]
        return np.where(arms == "lead", lead, arms)

    def _from_angles(self, block: Block, arms: NDArray[np.str_], faults: list[Fault]) -> Floats:
        angles_deg = np.full((len(CHANNELS), len(arms)), np.nan)
        for channel, name in enumerate(POSITIVE):
            angle: AngleLayout | None = getattr(self.layout.angles, name)
            if angle is None:
                continue
            column = find_column(block.table, angle.column)
            values, bad = read_numbers(column, self._written)
            faults.append(Fault(bad, "not-a-number", f"a number in {shorten(angle.column)}", column))
            assert isinstance(angle.straight, float | int)  # an open question is never applied
            values = values - angle.straight
            if _unit(angle.unit, block.angle_unit) == "rad":
                values = np.degrees(values)
            if angle.positive != POSITIVE[name][0]:
                values = -values
            if angle.sign == "geometric":
                values = np.where(arms == "left", -values, np.where(arms == "right", values, np.nan))
            angles_deg[channel] = values
        if self.alignment is not None:
            self._check_side(arms)
            angles_deg = self.alignment.angles(angles_deg)
        return angles_deg

    def _check_side(self, arms: NDArray[np.str_]) -> None:
        """An alignment is of one arm."""
        assert self.alignment is not None
        others = sorted(set(arms.tolist()) - {"", self.alignment.side})
        if others:
            raise InputError(
                "alignment-side",
                expected=f"the {self.alignment.side} arm, which was aligned",
                found=others[0],
            )

    def _from_orientations(
        self, table: pa.Table, layout: Orientation, arms: NDArray[np.str_], faults: list[Fault]
    ) -> Floats:
        def read(segment: Segment) -> Floats:
            return self._quaternions(table, segment, layout, faults)

        forearm, hand = read(layout.forearm), read(layout.hand)
        lost = np.isnan(forearm).any(axis=1) | np.isnan(hand).any(axis=1)
        if self.alignment is not None:
            self._check_side(arms)
            forearm[lost] = hand[lost] = _NO_TURN
            forearm, hand = self.alignment.bones(forearm, hand)
            forearm[lost] = hand[lost] = np.nan
        else:
            forearm, hand = _bones(forearm, layout.forearm), _bones(hand, layout.hand)
        upper_arm = None if layout.upper_arm is None else _bones(read(layout.upper_arm), layout.upper_arm)
        angles_deg = np.full((len(CHANNELS), len(arms)), np.nan)
        for side in ("right", "left"):
            rows = (arms == side) & np.isfinite(forearm).all(axis=1) & np.isfinite(hand).all(axis=1)
            wrist = _angles(forearm[rows], hand[rows], side)
            angles_deg[FLEXION, rows], angles_deg[ULNAR, rows] = wrist[:, 0], wrist[:, 1]
            if upper_arm is not None:
                rows &= np.isfinite(upper_arm).all(axis=1)
                angles_deg[PRONATION, rows] = _angles(upper_arm[rows], forearm[rows], side)[:, 2]
        return angles_deg

    def _quaternions(
        self, table: pa.Table, segment: Segment, layout: Orientation, faults: list[Fault]
    ) -> Floats:
        """``(n_rows, 4)``, scalar last, of the segment in the common frame; NaN where lost."""
        parts = []
        for name in segment.columns:
            column = find_column(table, name)
            values, bad = read_numbers(column, self._written)
            faults.append(Fault(bad, "not-a-number", f"a number in {shorten(name)}", column))
            parts.append(values)
        values = np.stack(parts, axis=1)
        if layout.order == "wxyz":
            values = values[:, [1, 2, 3, 0]]
        if layout.frame == "world-to-segment":
            values = values * [-1.0, -1.0, -1.0, 1.0]
        assert isinstance(layout.scale, float | int)  # an open question is never applied
        # Whole numbers are off by half a step in each part.
        within = _UNIT_WITHIN if layout.scale == 1 else max(_UNIT_WITHIN, 1 / layout.scale)
        with np.errstate(over="ignore", invalid="ignore"):
            values = values / layout.scale
            off = np.abs(np.linalg.norm(values, axis=1) - 1) > within
        off &= np.isfinite(values).all(axis=1)
        expected = f"quaternions of length {layout.scale:g} from {shorten(segment.columns[0])} on"
        faults.append(Fault(off, "not-a-number", expected))
        values[off | ~np.isfinite(values).all(axis=1)] = np.nan
        return values

    def _sensed(self, table: pa.Table) -> Floats | None:
        """Accelerations, or angular rates where there are none; a cell that is no number is a lost sample."""
        layout = self.layout.acceleration or self.layout.angular_rate
        if layout is None:
            return None
        columns = [find_column(table, name) for name in layout.columns]
        return np.stack([read_numbers(each, self._written)[0] for each in columns]) * SENSED_PER[layout.unit]

    def _marks(self, table: pa.Table, t_s: Floats, faults: list[Fault]) -> tuple[Floats, Floats]:
        layout = self.layout.contact
        mark_s, mark_sample = np.full(len(t_s), np.nan), np.full(len(t_s), np.nan)
        if layout.time_column is not None:
            column = find_column(table, layout.time_column)
            mark_s, bad = self._clock.seconds(column, layout.unit or self.layout.time.unit)
            faults.append(Fault(bad, "impact-unreadable", "a time of contact", column))
        elif layout.event_column is not None:
            events = read_words(table, FromColumn(layout.event_column))
            wanted = {word.strip().casefold() for word in layout.events}
            held = np.array([word.casefold() in wanted for word in events.words])[events.codes]
            rising = held & ~np.concatenate([[self._event], held[:-1]])
            self._event = bool(held[-1])
            mark_s = np.where(rising, t_s, np.nan)
        elif layout.sample_column is not None:
            column = find_column(table, layout.sample_column)
            numbers, bad = read_numbers(column, self._written)
            faults.append(Fault(bad, "impact-unreadable", "a sample number", column))
            mark_sample = numbers - int(layout.first_sample)
        return mark_s, mark_sample


def named_columns(layout: Layout) -> list[str]:
    """The columns that hold a value for each sample, as the layout names them, once each."""
    names = [layout.time.column, layout.contact.event_column]
    if layout.angles is not None:
        names += [getattr(layout.angles, name).column for name in POSITIVE if getattr(layout.angles, name)]
    if layout.orientation is not None:
        parts = (layout.orientation.forearm, layout.orientation.hand, layout.orientation.upper_arm)
        names += [name for part in parts if part is not None for name in part.columns]
    sensed = layout.acceleration or layout.angular_rate
    names += [] if sensed is None else sensed.columns
    return [name for name in dict.fromkeys(names) if name is not None]


def sample_columns(layout: Layout, block: Block) -> list[str]:
    """The same, once they are known to be there."""
    given = named_columns(layout)
    for name in given:
        find_column(block.table, name)
    return given


def _unit(stated: str, own: str) -> str:
    """The unit of an angle, by the layout and by the file itself, which must not contradict each other."""
    if stated == "file":
        if not own:
            raise InputError(
                "unit-not-stated", expected="a file whose header states its angles' unit", found="none"
            )
        return own
    if own and own != stated:
        raise InputError("unit-contradicted", expected=f"angles in {stated}, as the layout says", found=own)
    return stated


def _bones(sensor: Floats, segment: Segment) -> Floats:
    """Orientations of the bone from those of the sensor on it, by where two bone axes point in the sensor."""
    volar, proximal = _axis(segment.volar), _axis(segment.proximal)
    bone = Rotation.from_matrix(np.stack([volar, proximal, np.cross(volar, proximal)], axis=1))
    lost = np.asarray(np.isnan(sensor).any(axis=1), dtype=bool)
    turned = (Rotation.from_quat(np.where(lost[:, None], _NO_TURN, sensor)) * bone).as_quat()
    turned[lost] = np.nan
    return turned


def _axis(name: str | None) -> Floats:
    assert name is not None  # an open question is never applied
    return np.array(_AXES[name[1]]) * (1.0 if name[0] == "+" else -1.0)


def _angles(proximal: Floats, distal: Floats, side: str) -> Floats:
    if not len(proximal):
        return np.empty((0, 3))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a deviation of 90 degrees is refused by the checks
        return joint_angles(proximal, distal, side)  # type: ignore[arg-type]
