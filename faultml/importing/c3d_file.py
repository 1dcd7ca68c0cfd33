"""C3D files of a motion laboratory: points that are angles, or analog channels. Markers stay unread."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa

from faultml.errors import InputError, MissingExtraError
from faultml.importing.layout import FileLayout
from faultml.importing.readers import Block
from faultml.recordings.problems import shorten

ANGLES: Final = "angles"
ANALOG: Final = "analog"
"""What `FileLayout.sheet` may say: which of the two, where a file has both."""

BLOCK_FRAMES: Final = 4096
INSTALL_LINE: Final = "pip install 'faultml[lab]'"


class C3dReader:
    """Reader ``c3d``: the columns ``time`` and ``NAME.x``, ``.y``, ``.z`` of each angle point, or analog channels."""

    def read(self, path: Path, layout: FileLayout) -> Iterator[Block]:
        """The angles of a file, see `faultml.importing.readers.Reader.read`.

        Raises
        ------
        InputError
            ``no-angles`` where the file holds neither, ``rows-missing`` where it ends too early.
        MissingExtraError
            Where the library c3d is not installed.
        """
        with path.open("rb") as stream, warnings.catch_warnings():
            warnings.simplefilter("ignore")  # frames that are missing are counted below
            file = _open(stream)
            kind = layout.sheet or (ANGLES if angle_points(file) else ANALOG)
            yield from _points(file) if kind == ANGLES else _analog(file)


def _open(stream: Any) -> Any:
    try:
        import c3d
    except ImportError as error:
        raise MissingExtraError(
            "missing-extra", expected=INSTALL_LINE, found="no c3d, which reads C3D files"
        ) from error
    return c3d.Reader(stream)


def angle_points(file: Any) -> dict[str, int]:
    """Points that the file itself calls angles, by name and place."""
    labels = [str(label).strip() for label in file.point_labels]
    listed: set[str] = set()
    parameter = file.get("POINT:ANGLES")
    if parameter is not None:
        listed = {str(name).strip() for name in np.ravel(parameter.string_array)}
    return {
        label: at
        for at, label in enumerate(labels)
        if label in listed or label.casefold().endswith(("angle", "angles"))
    }


def _points(file: Any) -> Iterator[Block]:
    found = angle_points(file)
    if not found:
        raise _no_angles(file)
    names = ["time", *(f"{name}.{axis}" for name in found for axis in "xyz")]
    places = list(found.values())
    rows: list[np.ndarray] = []
    for number, points, _ in _frames(file):
        values = points[places, :3].astype(float)
        values[points[places, 3] < 0] = np.nan
        rows.append(np.concatenate([[(number - file.first_frame) / file.point_rate], values.ravel()]))
        if len(rows) == BLOCK_FRAMES:
            yield _block(names, np.array(rows), number - file.first_frame + 2 - len(rows), file)
            rows = []
    if rows:
        yield _block(names, np.array(rows), number - file.first_frame + 2 - len(rows), file)


def _analog(file: Any) -> Iterator[Block]:
    labels = [str(label).strip() for label in file.analog_labels] if file.analog_used else []
    if not labels:
        raise _no_angles(file)
    done, held = 0, []
    for _, _, analog in _frames(file):
        held.append(analog.T[:, : len(labels)])
        if len(held) == BLOCK_FRAMES:
            yield _analog_block(labels, held, done, file)
            done, held = done + sum(map(len, held)), []
    if held:
        yield _analog_block(labels, held, done, file)


def _analog_block(labels: list[str], held: list[np.ndarray], done: int, file: Any) -> Block:
    values = np.concatenate(held)
    t_s = (done + np.arange(len(values))) / file.analog_rate
    return _block(["time", *labels], np.column_stack([t_s, values]), done + 1, file)


def _frames(file: Any) -> Iterator[tuple[int, np.ndarray, np.ndarray]]:
    count = 0
    for frame in file.read_frames():
        count += 1
        yield frame
    expected = file.last_frame - file.first_frame + 1
    if count != expected:
        raise InputError("rows-missing", expected=f"{expected} frames, as the header says", found=f"{count}")


def _block(names: list[str], values: np.ndarray, first: int, file: Any) -> Block:
    table = pa.Table.from_arrays([pa.array(column) for column in values.T], names=names)
    units = file.get("POINT:ANGLE_UNITS")
    said = "" if units is None else str(units.string_value).strip().casefold()
    unit: Any = {"deg": "deg", "degrees": "deg", "rad": "rad", "radians": "rad"}.get(said, "")
    above = (f"point rate: {file.point_rate:g} Hz", f"analog rate: {file.analog_rate:g} Hz")
    return Block(table, first + np.arange(len(values)), angle_unit=unit, above=above)


def _no_angles(file: Any) -> InputError:
    labels = [str(label).strip() for label in file.point_labels]
    found = f"{len(labels)} points that are markers, such as {', '.join(labels[:4])}" if labels else "neither"
    return InputError(
        "no-angles", expected="points that are angles, or analog channels", found=shorten(found)
    )
