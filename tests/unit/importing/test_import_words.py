"""Arm, hand, words, contact marks and orientations, as a layout says where they stand."""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from importing_one import SEASON, read, text
from recorder_files import layout_of, recorder_table, text_bytes
from scipy.spatial.transform import Rotation

from faultml.errors import InputError
from faultml.importing.layout import (
    Contact,
    FromColumn,
    Ids,
    Orientation,
    Segment,
    Swings,
    Words,
    Worn,
)
from faultml.importing.season import import_season
from faultml.motion.rotations import joint_rotations

replace = msgspec.structs.replace


@pytest.mark.parametrize(
    ("arm", "hand", "reason"),
    [
        ("left", "right", ""),
        ("right", "left", ""),
        ("lead", "left", ""),
        ("left", "left", "trail-arm"),
        ("right", "right", "trail-arm"),
        ("neither", "right", "arm-unknown"),
        ("left", "both", "arm-unknown"),
    ],
)
def test_the_trail_arm_is_refused_and_not_turned_round(
    arm: str, hand: str, reason: str, tmp_path: Path
) -> None:
    layout = layout_of(arm=arm, hand=hand)
    got = read(text(layout_of()).encode(), layout, tmp_path)
    assert got.codes == ({reason} if reason else set())
    assert len(got.season) == (0 if reason else 2)


def test_arm_and_hand_from_columns(tmp_path: Path) -> None:
    table = recorder_table(SEASON, layout_of()).assign(Side="L", Hand="Right")
    table.loc[table["No"] == "002", "Side"] = "R"
    worn = Worn(FromColumn("Side", {"l": "left", "R": "right"}), FromColumn("Hand"))
    got = read(text_bytes(table, layout_of()), replace(layout_of(), worn=worn), tmp_path)
    assert got.season[["swing", "hand"]].to_numpy().tolist() == [["001", "right"]]
    assert got.problems[["swing", "code"]].to_numpy().tolist() == [["002", "trail-arm"]]


def test_the_hand_from_the_roster(tmp_path: Path) -> None:
    layout = layout_of(arm="left", hand="roster")
    (tmp_path / "a.csv").write_bytes(text_bytes(recorder_table(SEASON, layout_of()), layout))
    (tmp_path / "roster.csv").write_text("player,hand\np1,right\n")
    run = import_season([tmp_path / "a.csv"], layout, tmp_path / "s", roster=tmp_path / "roster.csv")
    assert (run.n_sound, run.n_problems) == (2, 0)
    with pytest.raises(InputError, match="bad-roster"):
        import_season([tmp_path / "a.csv"], layout, tmp_path / "s")


@pytest.mark.parametrize(
    ("contact", "cells", "impact_s", "code"),
    [
        (Contact(event_column="Hit", events=("x",)), {63: "X", 64: "X"}, 63 / 60, ""),
        (Contact(event_column="Hit"), {40: "1", 63: "1"}, None, "inconsistent-rows"),
        (Contact(time_column="Hit"), {0: "1.05"}, 1.05, ""),
        (Contact(time_column="Hit", unit="ms"), dict.fromkeys(range(121), "1050"), 1.05, ""),
        (Contact(time_column="Hit"), {0: "soon"}, None, "impact-unreadable"),
        (Contact(time_column="Hit"), {0: "9"}, 9.0, "impact-outside"),
        (Contact(sample_column="Hit", first_sample=1), {0: "64"}, 63 / 60, ""),
        (Contact(sample_column="Hit", first_sample=0), {0: "63"}, 63 / 60, ""),
    ],
)
def test_contact_marks(
    contact: Contact, cells: dict[int, str], impact_s: float | None, code: str, tmp_path: Path
) -> None:
    table = recorder_table(SEASON.iloc[:1], layout_of()).assign(Hit="")
    for row, cell in cells.items():
        table.loc[row, "Hit"] = cell
    got = read(text_bytes(table, layout_of()), replace(layout_of(), contact=contact), tmp_path)
    assert got.codes == ({code} if code else set())
    assert got.season["impact_s"].tolist() == pytest.approx(
        [impact_s if impact_s is not None else np.nan], nan_ok=True
    )


def test_words_are_put_into_ours(tmp_path: Path) -> None:
    table = recorder_table(SEASON, layout_of()).assign(Flight="rechts+dünn", Iron="7i")
    table.loc[table["No"] == "002", "Flight"] = ""
    words = Words(
        FromColumn("Iron", {"7I": "7-iron"}), FromColumn("Flight", {"rechts+dünn": "slice thin"}), "retest"
    )
    got = read(text_bytes(table, layout_of()), replace(layout_of(), words=words), tmp_path)
    assert got.season["club"].tolist() == ["7-iron", "7-iron"]
    assert [None if shot is None else list(shot) for shot in got.season["shot"]] == [["slice", "thin"], None]
    assert set(got.season["context"]) == {"retest"}


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("order", ["wxyz", "xyzw"])
@pytest.mark.parametrize("frame", ["segment-to-world", "world-to-segment"])
@pytest.mark.parametrize(("volar", "proximal"), [("+x", "+y"), ("+z", "-x"), ("-y", "+z")])
def test_orientations(side: str, order: str, frame: str, volar: str, proximal: str, tmp_path: Path) -> None:
    """Against scipy: the two sensors are put on moving bones, and the layout takes them off again."""
    angles = np.stack([SEASON[name][0] for name in ("flexion_deg", "ulnar_deg", "pronation_deg")]).astype(
        float
    )
    n = angles.shape[1]
    elbow = np.stack([np.full(n, 70.0), np.full(n, 8.0), angles[2]], axis=1)
    upper = Rotation.from_rotvec(np.linspace([0, 0, 0], [1, 2, -1], n))
    forearm = upper * Rotation.from_quat(joint_rotations(elbow, side))
    hand = forearm * Rotation.from_quat(
        joint_rotations(np.stack([angles[0], angles[1], np.full(n, 3.0)], axis=1), side)
    )
    axes = {"x": [1, 0, 0], "y": [0, 1, 0], "z": [0, 0, 1]}
    first, second = (np.array(axes[name[1]]) * (1 if name[0] == "+" else -1) for name in (volar, proximal))
    bone_in_sensor = Rotation.from_matrix(np.stack([first, second, np.cross(first, second)], axis=1))
    columns = {"Clock": SEASON["t_s"][0]}
    segments = {}
    for name, bone in {"upper_arm": upper, "forearm": forearm, "hand": hand}.items():
        sensor = bone * bone_in_sensor.inv()
        quaternion = (sensor.inv() if frame == "world-to-segment" else sensor).as_quat()
        quaternion = quaternion[:, [3, 0, 1, 2]] if order == "wxyz" else quaternion
        names = tuple(f"{name}_{at}" for at in range(4))
        columns |= dict(zip(names, quaternion.T, strict=True))
        segments[name] = Segment(names, volar, proximal)  # type: ignore[arg-type]
    layout = replace(
        layout_of("parquet"),
        angles=None,
        orientation=Orientation(**segments, order=order, frame=frame),  # type: ignore[arg-type]
        worn=Worn(side, "right" if side == "left" else "left"),
        ids=Ids("ann", "day", "1"),
        swings=Swings("file"),
    )
    pq.write_table(pa.table(columns), tmp_path / "a.parquet")
    got = read(tmp_path / "a.parquet", layout, tmp_path)
    assert got.run.n_problems == 0
    for channel, name in enumerate(("flexion_deg", "ulnar_deg", "pronation_deg")):
        np.testing.assert_allclose(got.season[name][0], angles[channel], atol=1e-4)
    bare = replace(layout, orientation=replace(layout.orientation, upper_arm=None))  # type: ignore[type-var]
    assert read(tmp_path / "a.parquet", bare, tmp_path).season["pronation_deg"][0] is None
