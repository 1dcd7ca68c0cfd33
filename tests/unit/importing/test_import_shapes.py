"""Swings in other shapes: one row a swing with a column a sample, and two files a swing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from importing_one import read
from msgspec.structs import replace
from plain_files import recording, values, written
from stranger_files import quaternions

from faultml.importing.layout import Layout, parse_layout
from faultml.importing.propose.proposal import as_toml, propose_layout
from faultml.importing.season import import_season
from faultml.importing.wide import families


def answered(paths: list[Path], **answers: str) -> Layout:
    """The proposal with its questions answered."""
    text = as_toml(propose_layout(paths))
    for name, answer in answers.items():
        text = text.replace(f'{name} = "?"', f'{name} = "{answer}"')
    return parse_layout(text)


WIDE = """
schema = 1
file = { reader = "text", shape = "wide" }
time = { unit = "s", column = "t_*" }
worn.arm = "lead"
ids = { player = { column = "who" }, session = "d", swing = { column = "no" } }
swings.split = "row"
[angles]
flexion = { column = "flex_*", unit = "deg", positive = "flexion" }
ulnar = { column = "dev_*", unit = "deg", positive = "ulnar" }
"""


def wide_table(lengths: tuple[int, ...] = (220, 150)) -> tuple[pd.DataFrame, list[dict[str, np.ndarray]]]:
    rows, truth = [], []
    for number, length in enumerate(lengths, 1):
        t_s, angles = recording()
        own = {
            "t": t_s[:length],
            "flex": angles["flexion"][:length] + number,
            "dev": angles["deviation"][:length],
        }
        row: dict[str, object] = {"who": "ann", "no": number}
        # Out of order, as a sheet sorted by name has them.
        for name, channel in own.items():
            row |= {f"{name}_{at}": channel[at] for at in sorted(range(length), key=str)}
        rows.append(row)
        truth.append(own)
    return pd.DataFrame(rows), truth


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_a_row_with_a_column_for_each_sample_is_a_swing(kind: str, tmp_path: Path) -> None:
    table, truth = wide_table()
    path = tmp_path / f"a.{kind}"
    table.to_csv(path, index=False) if kind == "csv" else table.to_parquet(path)
    layout = parse_layout(WIDE)
    layout = replace(layout, file=replace(layout.file, reader="text" if kind == "csv" else "parquet"))
    got = read(path, layout, tmp_path)
    assert got.run.n_swings == 2 and not got.run.unread
    for row, own in zip(got.season.itertuples(), truth, strict=True):
        np.testing.assert_allclose(row.t_s, own["t"], atol=1e-9)
        np.testing.assert_allclose(row.flexion_deg, own["flex"], atol=1e-4)
        np.testing.assert_allclose(row.ulnar_deg, own["dev"], atol=1e-4)


def test_a_lost_sample_of_a_wide_row_stays_lost(tmp_path: Path) -> None:
    table, _ = wide_table((220,))
    table.loc[0, "flex_50"] = np.nan
    table.to_csv(tmp_path / "a.csv", index=False)
    got = read(tmp_path / "a.csv", parse_layout(WIDE), tmp_path)
    assert np.flatnonzero(np.isnan(got.season["flexion_deg"][0])).tolist() == [50]


@pytest.mark.parametrize(
    ("change", "code"),
    [({"dev_*": "yaw_*"}, "missing-column"), ({"t_*": "t_1*"}, "length-mismatch")],
)
def test_columns_that_are_not_there_or_not_as_many(change: dict[str, str], code: str, tmp_path: Path) -> None:
    table, _ = wide_table((220,))
    table.to_csv(tmp_path / "a.csv", index=False)
    text = WIDE
    for old, new in change.items():
        text = text.replace(old, new)
    got = read(tmp_path / "a.csv", parse_layout(text), tmp_path)
    assert [problem.code for problem in got.run.unread] == [code]


def test_a_wide_table_is_proposed(tmp_path: Path) -> None:
    table, truth = wide_table((220, 220, 220))
    path = tmp_path / "range.csv"
    table.rename(columns={"who": "player", "no": "swing"}).to_csv(path, index=False)
    proposed = values(propose_layout([path]))
    assert proposed["file.shape"] == "wide" and proposed["swings.split"] == "row"
    assert proposed["angles.flexion.column"] == "flex_*" and proposed["angles.ulnar.positive"] == "ulnar"
    assert proposed["time.column"] == "t_*" and proposed["time.unit"] == "s"
    layout = answered([path], positive="flexion", arm="lead", hand="right", session="d")
    got = read(path, layout, tmp_path)
    assert got.run.n_problems == 0, got.problems
    np.testing.assert_allclose(got.season["flexion_deg"][1], truth[1]["flex"], atol=1e-4)


def test_many_markers_are_no_wide_table() -> None:
    assert families([f"m{at}_x" for at in range(30)] + ["time"]) == ["m*_x"]
    assert families([f"emg_{at}" for at in range(8)]) == []


def pair(folder: Path, number: int = 1, lost: slice = slice(0, 0)) -> tuple[Path, Path, np.ndarray]:
    t_s, angles = recording()
    truth = np.stack([angles["flexion"], angles["deviation"], angles["roll"]])
    paths = []
    for name, turned in zip(("forearm", "hand"), quaternions(truth, "left", number), strict=True):
        table = {"time": t_s, **{f"q{part}": turned[:, at] for at, part in enumerate("xyzw")}}
        if name == "hand":
            table = {key: np.delete(column, lost) for key, column in table.items()}
        paths.append(written(folder, table, f"ann_2031-01-02_{number:03d}_{name}.csv"))
    return paths[0], paths[1], truth


def sensors(paths: list[Path]) -> Layout:
    return answered(paths, volar="+x", proximal="+y", arm="left", hand="right")


@pytest.mark.parametrize("give_both", [True, False])
def test_two_files_a_swing_are_proposed_and_joined(give_both: bool, tmp_path: Path) -> None:
    folder = tmp_path / "files"
    folder.mkdir()
    first, second, truth = pair(folder)
    pair(folder, 2)
    layout = sensors([first, second] if give_both else [first])
    assert layout.join is not None and (layout.join.first, layout.join.second) == ("_forearm", "_hand")
    run = import_season([folder], layout, tmp_path / "season")
    assert (run.n_swings, run.n_problems) == (2, 0), run.unread
    season = pd.read_parquet(tmp_path / "season" / "season.parquet")
    assert season["swing"].tolist() == ["001", "002"]
    np.testing.assert_allclose(season["flexion_deg"][0], truth[0], atol=1e-3)
    np.testing.assert_allclose(season["ulnar_deg"][0], truth[1], atol=1e-3)


def test_what_the_second_file_lacks_is_lost(tmp_path: Path) -> None:
    folder = tmp_path / "files"
    folder.mkdir()
    first, second, _ = pair(folder, lost=slice(50, 53))
    got = read(folder, sensors([first, second]), tmp_path)
    assert np.flatnonzero(np.isnan(got.season["flexion_deg"][0])).tolist() == [50, 51, 52]
    assert got.run.findings["gap-filled"] == 1


def test_a_file_without_its_other_is_a_problem(tmp_path: Path) -> None:
    folder = tmp_path / "files"
    folder.mkdir()
    first, second, _ = pair(folder)
    layout = sensors([first, second])
    second.rename(folder / "ann_2031-01-02_002_hand.csv")
    got = read(folder, layout, tmp_path)
    assert got.codes == {"no-second-file", "no-first-file"}
    assert got.run.exit_code == 1


def test_clocks_that_do_not_meet_lose_everything(tmp_path: Path) -> None:
    """A wrong pair, or a recorder whose parts have clocks of their own: refused, never joined by guess."""
    folder = tmp_path / "files"
    folder.mkdir()
    first, second, _ = pair(folder)
    layout = sensors([first, second])
    table = pd.read_csv(second)
    table["time"] += 0.004
    table.to_csv(second, index=False)
    got = read(folder, layout, tmp_path)
    assert got.run.n_sound == 0
