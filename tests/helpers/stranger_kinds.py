"""Nineteen more kinds of strangers' files, of swings whose truth is known, and the edits that a coach has to make."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.feather
from scipy.spatial.transform import Rotation
from stranger_files import Swing, quaternions

from faultml.importing.layout import Layout, parse_layout, plain
from faultml.importing.layout_toml import write_layout

Make = Callable[[Path, Sequence[Swing]], Path]
WORN = {"worn.arm": "left", "worn.hand": "right"}
AXES = {
    f"orientation.{part}.{axis}": sensor
    for part in ("forearm", "hand")
    for axis, sensor in (("volar", "+x"), ("proximal", "+y"))
}


@dataclass(frozen=True)
class Kind:
    """How a kind of file is made, the answers to the proposal's questions, and how many swings come of it.

    `edits` are those that no question asks for. `error_deg` is the largest error allowed of flexion and ulnar
    deviation, `findings` what is to be said.
    """

    make: Make
    answers: Mapping[str, object] = field(default_factory=dict)
    edits: Mapping[str, object] = field(default_factory=dict)
    swings: int = 1
    error_deg: float = 0.005
    findings: frozenset[str] = frozenset()
    extra: str = ""


def answered(layout: Layout, answers: Mapping[str, object]) -> Layout:
    """The layout with answers put in their places; None takes a table out."""
    tree: dict[str, Any] = plain(layout)
    for path, value in answers.items():
        *folders, last = path.split(".")
        part = tree
        for folder in folders:
            part = part.setdefault(folder, {})
        if value is None:
            part.pop(last, None)
        else:
            part[last] = value
    text = "\n".join(_lines(tree))
    return parse_layout(write_layout(parse_layout(text)))


def _lines(tree: Mapping[str, Any]) -> list[str]:
    def inline(value: object) -> str:
        if isinstance(value, dict):
            return (
                "{ " + ", ".join(f"{json.dumps(key)} = {inline(part)}" for key, part in value.items()) + " }"
            )
        if isinstance(value, list | tuple):
            return "[" + ", ".join(map(inline, value)) + "]"
        return json.dumps(value, ensure_ascii=False)

    return [f"{name} = {inline(value)}" for name, value in tree.items()]


def plain_columns(swing: Swing) -> dict[str, np.ndarray]:
    """Names that say what they are, in degrees."""
    names = ("wrist_flexion_deg", "wrist_ulnar_deg", "forearm_pronation_deg")
    return {"time_s": swing.t_s, **dict(zip(names, swing.angles_deg, strict=True))}


def write(
    folder: Path, columns: Mapping[str, Any], name: str = "p07_2031-04-02_003.csv", head: str = ""
) -> Path:
    """Comma-separated, four decimals."""
    path = folder / name
    path.write_text(head + pd.DataFrame(columns).to_csv(index=False, float_format="%.4f"), encoding="utf-8")
    return path


def sensor_columns(
    swing: Swing, names: tuple[str, str], parts: str = "wxyz", *, inverse: bool = False, ends: str = ""
) -> dict[str, np.ndarray]:
    """Two sensors' quaternions."""
    columns = {"time_s": swing.t_s}
    for name, turned in zip(names, quaternions(swing.angles_deg, "left", 5), strict=True):
        turned = Rotation.from_quat(turned).inv().as_quat() if inverse else turned
        for at, part in enumerate(ends or parts):
            columns[f"{name}_{part}"] = turned[:, "xyzw".index(parts[at])]
    return columns


def goniometer(folder: Path, swings: Sequence[Swing]) -> Path:
    columns = plain_columns(swings[0])
    return write(folder, columns | {name: 180 + columns[name] for name in list(columns)[1:3]})


def radians_called_degrees(folder: Path, swings: Sequence[Swing]) -> Path:
    columns = plain_columns(swings[0])
    path = folder / "p07_2031-04-02_003.csv"
    for name in list(columns)[1:]:
        columns[name] = np.deg2rad(columns[name])
    path.write_text(pd.DataFrame(columns).to_csv(index=False, float_format="%.7f"))
    return path


def sensors(**options: Any) -> Make:
    def make(folder: Path, swings: Sequence[Swing]) -> Path:
        path = folder / "p07_2031-04-02_003.csv"
        columns = sensor_columns(swings[0], options.pop("names", ("forearm", "hand")), **options)
        path.write_text(pd.DataFrame(columns).to_csv(index=False, float_format="%.7f"))
        return path

    return make


def wrapped(folder: Path, swings: Sequence[Swing]) -> Path:
    columns = plain_columns(swings[0])
    roll = columns["forearm_pronation_deg"]
    columns["forearm_pronation_deg"] = (roll + 180 - 0.5 * roll.max() + 180) % 360 - 180
    return write(folder, columns)


def roll_pitch_yaw(folder: Path, swings: Sequence[Swing]) -> Path:
    columns = plain_columns(swings[0])
    roll = columns.pop("forearm_pronation_deg")
    return write(folder, columns | {"wrist_roll": roll, "wrist_pitch": 0.3 * roll, "wrist_yaw": 0.5 * roll})


def stand_ins(folder: Path, swings: Sequence[Swing]) -> Path:
    table = pd.DataFrame(plain_columns(swings[0])).round(4).astype(object)
    table.iloc[40:42, 1], table.iloc[60, 2] = -999, "--"
    return write(folder, table)


def thousands(folder: Path, swings: Sequence[Swing]) -> Path:
    columns = plain_columns(swings[0])
    lines = ["time_ms;" + ";".join(list(columns)[1:])]
    for t, *angles in zip(*columns.values(), strict=True):
        lines.append(";".join([f"{1000 * t + 40_000:,.2f}", *(f"{angle:.4f}" for angle in angles)]))
    path = folder / "p07_2031-04-02_003.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


def whole_numbers(folder: Path, swings: Sequence[Swing]) -> Path:
    columns = sensor_columns(swings[0], ("forearm", "hand"))
    table = {
        name: column if name == "time_s" else np.round(column * 2**14).astype(int)
        for name, column in columns.items()
    }
    return write(folder, table)


def two_files(folder: Path, swings: Sequence[Swing]) -> Path:
    columns = sensor_columns(swings[0], ("forearm", "hand"))
    for name in ("forearm", "hand"):
        own = {"time_s": columns["time_s"]} | {
            f"q{key[-1]}": value for key, value in columns.items() if key.startswith(name)
        }
        text = pd.DataFrame(own).to_csv(index=False, float_format="%.7f")
        (folder / f"p07_2031-04-02_003_{name}.csv").write_text(text)
    return folder / "p07_2031-04-02_003_forearm.csv"


def wide(folder: Path, swings: Sequence[Swing]) -> Path:
    rows = []
    for number, swing in enumerate(swings[:3], 1):
        row: dict[str, object] = {"player": "p07", "session": "2031-04-02", "swing": number}
        for name, column in zip(
            ("t", "flexion", "ulnar", "pronation"), plain_columns(swing).values(), strict=True
        ):
            row |= {f"{name}_{at}": cell for at, cell in enumerate(column.round(4))}
        rows.append(row)
    return write(folder, pd.DataFrame(rows), "range.csv")


def c3d_points(folder: Path, swings: Sequence[Swing]) -> Path:
    import c3d

    swing = swings[0]
    writer = c3d.Writer(point_rate=120.0, analog_rate=0.0)
    writer.set_point_labels(["LWristAngles", "LWRA"])
    frames = []
    for at in range(len(swing.t_s)):
        point = np.zeros((2, 5), dtype=np.float32)
        point[0, :3], point[1, :3] = swing.angles_deg[:, at], 100
        frames.append((point, np.empty((0, 0), dtype=np.float32)))
    writer.add_frames(frames)
    path = folder / "p07_2031-04-02_003.c3d"
    with path.open("wb") as stream:
        writer.write(stream)
    return path


def json_lines(folder: Path, swings: Sequence[Swing]) -> Path:
    path = folder / "p07_2031-04-02_003.jsonl"
    rows = pd.DataFrame(plain_columns(swings[0])).round(4).to_dict("records")
    path.write_text("\n".join(map(json.dumps, rows)))
    return path


def above(folder: Path, swings: Sequence[Swing]) -> Path:
    head = "Subject: p07\nRecorded on\nDate: 2031-04-02\nTrial: 003\nArm: left\n\n"
    return write(folder, plain_columns(swings[0]), "export.csv", head)


def archive(folder: Path, swings: Sequence[Swing]) -> Path:
    path = folder / "season.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for number, swing in enumerate(swings[:3], 1):
            text = pd.DataFrame(plain_columns(swing)).to_csv(index=False, float_format="%.4f")
            packed.writestr(f"p07_2031-04-02_{number:03d}.csv", text)
    return path


def feather(folder: Path, swings: Sequence[Swing]) -> Path:
    path = folder / "p07_2031-04-02_003.feather"
    pyarrow.feather.write_feather(pd.DataFrame(plain_columns(swings[0])), path)
    return path


def hdf5(folder: Path, swings: Sequence[Swing]) -> Path:
    import h5py

    path = folder / "p07_2031-04-02_003.h5"
    with h5py.File(path, "w") as file:
        for name, column in plain_columns(swings[0]).items():
            file[f"trial/{name}"] = column
    return path


def duplicates_and_resets(folder: Path, swings: Sequence[Swing]) -> Path:
    tables = [pd.DataFrame(plain_columns(swing)) for swing in swings[:3]]
    tables[1] = tables[1].loc[tables[1].index.repeat(2)]  # each row stands twice
    return write(folder, pd.concat(tables), "p07_2031-04-02.csv")


TURNED = {"angles.flexion.positive": "flexion", "angles.ulnar.positive": "ulnar"}
KINDS: dict[str, Kind] = {
    "goniometer": Kind(
        goniometer, WORN | TURNED | {f"angles.{name}.straight": 180 for name in ("flexion", "ulnar")}
    ),
    "radians called degrees": Kind(
        radians_called_degrees,
        WORN
        | TURNED
        | {"angles.pronation.positive": "pronation"}
        | {f"angles.{name}.unit": "rad" for name in ("flexion", "ulnar", "pronation")},
    ),
    "order not said": Kind(
        sensors(ends="1234"),
        WORN | AXES | {"orientation.order": "wxyz", "orientation.frame": "segment-to-world"},
    ),
    "world to segment": Kind(sensors(inverse=True), WORN | AXES),
    "segments not named": Kind(
        sensors(names=("s1", "s2")),
        WORN
        | AXES
        | {"orientation.forearm.columns": [f"s1_{part}" for part in "wxyz"]}
        | {"orientation.hand.columns": [f"s2_{part}" for part in "wxyz"]}
        | {"orientation.frame": "segment-to-world"},
    ),
    "forearm that wraps": Kind(wrapped, WORN, findings=frozenset({"pronation-unwrapped"})),
    "roll, pitch and yaw": Kind(roll_pitch_yaw, WORN, edits={"angles.pronation": None}),
    "stand-ins": Kind(stand_ins, WORN, findings=frozenset({"gap-filled"})),
    "thousands": Kind(thousands, WORN),
    "whole-number quaternions": Kind(whole_numbers, WORN | AXES, error_deg=0.02),
    "two files a swing": Kind(two_files, WORN | AXES),
    "a column a sample": Kind(wide, WORN, swings=3),
    "c3d": Kind(
        c3d_points,
        WORN,
        edits={
            f"angles.{name}": {"column": f"LWristAngles.{axis}", "unit": "deg", "positive": name}
            for name, axis in (("flexion", "x"), ("ulnar", "y"), ("pronation", "z"))
        },
        extra="c3d",
    ),
    "json lines": Kind(json_lines, WORN),
    "ids above the table": Kind(above, {"worn.hand": "right"}),
    "archive": Kind(archive, WORN, swings=3),
    "feather": Kind(feather, WORN),
    "hdf5": Kind(hdf5, WORN, extra="h5py"),
    "duplicates and resets": Kind(
        duplicates_and_resets, WORN, swings=3, findings=frozenset({"duplicate-rows"})
    ),
}
