"""From a calibration recording to an alignment: read by a layout, find the movements, fit."""

from __future__ import annotations

from pathlib import Path
from typing import Final, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from faultml.errors import InputError
from faultml.importing.alignment import Alignment, Movements, Residuals
from faultml.importing.join import blocks_of
from faultml.importing.layout import Contact, Ids, Layout, Words, Worn, open_questions
from faultml.importing.rows import RowReader
from faultml.motion import align
from faultml.recordings.problems import shorten

Array = NDArray[np.float64]

MAX_SAMPLES: Final = 1_000_000
"""A calibration lasts a minute or two; what is longer is something else."""

_NEEDED: Final = ("file", "time", "angles", "orientation", "worn")


def calibrate(
    path: Path,
    layout: Layout,
    *,
    arm: Literal["left", "right"] | None = None,
    movements: Movements | None = None,
    session: str = "",
    made: str = "",
) -> Alignment:
    """The alignment that a calibration recording gives.

    Parameters
    ----------
    path, layout
        The recording, and the layout of the recorder's files; neither its ids, contact
        and words nor an alignment it names are used.
    arm
        By default what the layout says.
    movements
        Where the movements are; found in the recording where not given.
    session, made
        Kept in the alignment.

    Raises
    ------
    InputError
        ``open-questions``, ``unknown-side``, ``too-long``, what the readers raise, and what `faultml.motion.align`
        raises where a movement is missing, too short, too small or not about one axis.
    """
    layout = _for_calibration(layout, arm)
    t_s, first, second, side = _read(path, layout)
    if layout.orientation is None:
        spans = _spans(movements) or align.find_in_angles(t_s, first)
        fit = align.align_angles(t_s, first, spans)
    else:
        spans = _spans(movements) or align.find_in_orientations(t_s, first, second)
        fit = align.align_orientations(t_s, first, second, spans, side)
    return Alignment(
        schema=1,
        kind="angles" if layout.orientation is None else "orientations",
        side=side,
        forearm=_quaternion(fit.forearm.as_quat()),
        hand=None if fit.hand is None else _quaternion(fit.hand.as_quat()),
        turn_deg=_rounded(fit.turn_deg),
        mounting_sd_deg=round(fit.mounting_sd_deg, 2),
        residuals=Residuals(
            hinge_deg=round(fit.hinge_deg, 2),
            axis_sd_deg=round(fit.axis_sd_deg, 2),
            roll_deg=_rounded(fit.roll_deg),
            square_deg=_rounded(fit.square_deg),
            pose_deg=_rounded(fit.pose_deg),
        ),
        movements=Movements(
            *(None if span is None else (round(span[0], 3), round(span[1], 3)) for span in spans)  # type: ignore[arg-type]
        ),
        session=session,
        source=path.name,
        made=made,
    )


def load_movements(path: Path) -> Movements:
    """The coach's own intervals: TOML with ``still_s``, ``flex_extend_s`` and, for orientations, ``roll_s``.

    Raises
    ------
    InputError
        ``bad-movements``.
    """
    try:
        return msgspec.toml.decode(path.read_bytes(), type=Movements)
    except (OSError, UnicodeDecodeError, msgspec.DecodeError, RecursionError) as error:
        expected = "still_s = [0.0, 2.0] and the like"
        raise InputError("bad-movements", where=str(path), expected=expected, found=shorten(error)) from error


def _for_calibration(layout: Layout, arm: str | None) -> Layout:
    replace = msgspec.structs.replace
    if arm is not None:
        layout = replace(layout, worn=Worn(arm=arm, hand="right" if arm == "left" else "left"))
    if layout.orientation is not None:
        # How the sensors sit is what is looked for: nobody needs to say it, and whatever is said is not used.
        orientation = layout.orientation
        forearm, hand = (
            replace(part, volar="+x", proximal="+y") for part in (orientation.forearm, orientation.hand)
        )
        layout = replace(
            layout, orientation=replace(orientation, forearm=forearm, hand=hand, upper_arm=None, alignment="")
        )
    # Nor is what goes with a swing: a recording of three movements need not have it.
    ids = Ids(player="calibration", session="calibration", swing="1")
    layout = replace(layout, ids=ids, contact=Contact(), words=Words())
    questions = [name for name in open_questions(layout) if name.split(".")[0] in _NEEDED]
    if questions:
        raise InputError("open-questions", expected="answers in the layout", found=", ".join(questions))
    return layout


def _read(path: Path, layout: Layout) -> tuple[Array, Array, Array, Literal["left", "right"]]:
    """Times and angles ``(3, n)``, or times and the two sensors' quaternions ``(n, 4)``; complete samples only."""
    reader = RowReader(path, layout)
    times, parts, count = [], [], 0
    sides: set[str] = set()
    for block in blocks_of(path, layout):
        rows = reader.read(block)
        sides |= set(reader.sides(rows.words).tolist())
        if layout.orientation is None:
            values = rows.angles_deg.T
            complete = np.isfinite(values[:, :2]).all(axis=1)
        else:
            values = np.concatenate(reader.read_sensors(block), axis=1)
            complete = np.isfinite(values).all(axis=1)
        complete &= np.isfinite(rows.t_s)
        times.append(rows.t_s[complete])
        parts.append(values[complete])
        count += int(complete.sum())
        if count > MAX_SAMPLES:
            expected = f"at most {MAX_SAMPLES:,} samples of calibration"
            raise InputError("too-long", where=str(path), expected=expected, found="more")
    if len(sides) != 1 or not sides <= {"left", "right"}:
        found = ", ".join(sorted(sides)) or "no rows"
        raise InputError("unknown-side", where=str(path), expected="one arm, left or right", found=found)
    side: Literal["left", "right"] = "left" if "left" in sides else "right"
    t_s, values = np.concatenate(times), np.concatenate(parts)
    if layout.orientation is None:
        return t_s, values.T, np.empty((0, 4)), side
    return t_s, values[:, :4], values[:, 4:], side


def _spans(movements: Movements | None) -> align.Spans | None:
    if movements is None:
        return None
    return align.Spans(movements.still_s, movements.flex_extend_s, movements.roll_s)


def _quaternion(values: Array) -> tuple[float, float, float, float]:
    x, y, z, w = (round(float(value), 9) for value in values)
    return x, y, z, w


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)
