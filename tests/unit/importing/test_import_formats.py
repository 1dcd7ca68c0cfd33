"""Files of laboratories and archives: each read as it was, refused with a word where it holds no angles."""

from __future__ import annotations

import json
import stat
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.feather
import pytest
from click.testing import CliRunner
from importing_one import SEASON, read
from msgspec.structs import replace
from plain_files import recording, values, written
from recorder_files import layout_of, recorder_table

from faultml.cli import main
from faultml.errors import InputError
from faultml.importing.entries import find_recordings
from faultml.importing.layout import FileLayout, Ids, Swings, parse_layout
from faultml.importing.propose.proposal import as_toml, propose_layout
from faultml.importing.readers import read_blocks


def one_swing() -> tuple[pd.DataFrame, dict[str, np.ndarray]]:
    t_s, angles = recording()
    return pd.DataFrame({"time": t_s, **angles}), angles


def proposed(path: Path, folder: Path, **answers: str):  # type: ignore[no-untyped-def]
    """What is imported by the proposal, with its questions answered."""
    text = as_toml(propose_layout([path]))
    for name, answer in {"positive": "flexion", "arm": "lead", "hand": "right"}.items() | answers.items():
        text = text.replace(f'{name} = "?"', f'{name} = "{answer}"')
    return read(path, parse_layout(text), folder)


def same(got, angles: dict[str, np.ndarray], n_swings: int = 1) -> None:  # type: ignore[no-untyped-def]
    assert (got.run.n_swings, got.run.n_problems) == (n_swings, 0), (got.problems, got.run.unread)
    for name, column in (("flexion", "flexion_deg"), ("deviation", "ulnar_deg"), ("roll", "pronation_deg")):
        np.testing.assert_allclose(got.season[column][0], angles[name], atol=1e-4)


# --- JSON lines ---


@pytest.mark.parametrize("shape", ["lines", "array", "one line", "nested"])
def test_json_with_one_object_a_sample(shape: str, tmp_path: Path) -> None:
    table, angles = one_swing()
    rows = table.to_dict("records")
    if shape == "nested":
        rows = [{"time": row.pop("time"), "wrist": {"left": row}} for row in rows]
    content = "\n".join(map(json.dumps, rows))
    content = {
        "array": "[\n" + content.replace("\n", ",\n") + "\n]",
        "one line": json.dumps(rows),
    }.get(shape, content)
    path = tmp_path / "ann_2031-01-02_001.jsonl"
    path.write_text(content)
    same(proposed(path, tmp_path), angles)


def test_json_with_one_object_a_swing(tmp_path: Path) -> None:
    table, angles = one_swing()
    swing = {name: table[name].tolist() for name in table}
    path = tmp_path / "range.jsonl"
    rows = [{"player": "ann", "session": "2031-01-02", "swing": at, **swing} for at in range(3)]
    path.write_text("\n".join(map(json.dumps, rows)))
    same(proposed(path, tmp_path), angles, 3)


def test_json_that_holds_no_angles_says_what_it_holds(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    path.write_text("\n".join(json.dumps({"time": at, "heart_rate": 60, "steps": at}) for at in range(50)))
    with pytest.raises(InputError, match=r"no-angles.*heart_rate"):
        propose_layout([path])


@pytest.mark.parametrize(
    "content", ["{1}", "[1, 2]", '{"a": 1}\n"b"', '{"a":' * 100_000, '{"a": 1', "[]", "\n\n"]
)
def test_what_is_no_json_lines_is_a_typed_error(content: str, tmp_path: Path) -> None:
    (tmp_path / "a.jsonl").write_text(content)
    with pytest.raises(InputError):
        list(read_blocks(tmp_path / "a.jsonl", FileLayout("jsonl")))


# --- Feather, Parquet ---


@pytest.mark.parametrize("compression", ["uncompressed", "lz4"])
def test_feather(compression: str, tmp_path: Path) -> None:
    table, angles = one_swing()
    path = tmp_path / "ann_2031-01-02_001.feather"
    pa.feather.write_feather(table, path, compression=compression)
    same(proposed(path, tmp_path), angles)
    path.write_bytes(path.read_bytes()[:-30])
    with pytest.raises(InputError, match="damaged-file"):
        list(read_blocks(path, FileLayout("feather")))


def test_parquet_of_a_frame_with_an_index(tmp_path: Path) -> None:
    table, angles = one_swing()
    path = tmp_path / "ann_2031-01-02_001.parquet"
    table.set_index("time").to_parquet(path)
    same(proposed(path, tmp_path), angles)


# --- HDF5 ---


@pytest.mark.parametrize("form", ["group", "compound", "lying", "frame"])
def test_hdf5(form: str, tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    table, angles = one_swing()
    path = tmp_path / "export.h5"
    with h5py.File(path, "w") as file:
        group = file.create_group("trial")
        group.attrs["Subject"] = "ann"
        file.attrs["Date"] = "2031-01-02"
        if form == "compound":
            group["table"] = table.to_records(index=False)
        elif form == "frame":  # as pandas stores one
            group["axis1"] = np.arange(len(table))
            group["block0_items"] = np.array([name.encode() for name in table])
            group["block0_values"] = table.to_numpy()
        else:
            for name in table:
                group[name] = table[name].to_numpy()[None] if form == "lying" else table[name].to_numpy()
        file["note"] = np.arange(3)
    got = proposed(path, tmp_path, player="ann", session="2031-01-02", swing="1")
    same(got, angles)


def test_hdf5_of_several_trials_is_asked_for_its_sheet(tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    table, angles = one_swing()
    path = tmp_path / "ann_2031-01-02_001.h5"
    with h5py.File(path, "w") as file:
        for trial, n in (("cal", 50), ("swing", len(table))):
            for name in table:
                file[f"{trial}/{name}"] = table[name].to_numpy()[:n]
    assert values(propose_layout([path]))["file.sheet"] == "/swing"
    same(proposed(path, tmp_path), angles)
    with pytest.raises(InputError, match="no-such-sheet"):
        list(read_blocks(path, FileLayout("hdf5")))


def test_hdf5_follows_nothing_out_of_the_file(tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    with h5py.File(tmp_path / "secret.h5", "w") as file:
        file["time"], file["flexion"] = np.arange(9.0), np.arange(9.0)
    np.arange(9.0).tofile(tmp_path / "raw.bin")
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["time"] = h5py.ExternalLink("secret.h5", "/time")
        file["flexion"] = h5py.ExternalLink("secret.h5", "/flexion")
        layout = h5py.VirtualLayout((9,), float)
        layout[:] = h5py.VirtualSource("secret.h5", "time", (9,))
        file.create_virtual_dataset("virtual", layout)
        for name in ("raw", "raw2"):
            file.create_dataset(name, (9,), float, external=[(str(tmp_path / "raw.bin"), 0, 72)])
        file["loop"] = h5py.SoftLink("/")
    with pytest.raises(InputError, match="no-such-sheet"):
        list(read_blocks(tmp_path / "a.h5", FileLayout("hdf5")))


def test_an_hdf5_bomb_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    with h5py.File(tmp_path / "a.h5", "w") as file:
        for name in ("time", "flexion"):
            file.create_dataset(name, (2**40,), "f8", chunks=(2**20,), compression="gzip", fillvalue=0)
    with pytest.raises(InputError, match="unpacks-too-far"):
        list(read_blocks(tmp_path / "a.h5", FileLayout("hdf5")))


# --- C3D, TRC ---


def c3d_file(path: Path, *, angles: bool, analog: bool) -> pd.DataFrame:
    c3d = pytest.importorskip("c3d")
    table, _ = one_swing()
    writer = c3d.Writer(point_rate=100.0, analog_rate=100.0)
    labels = ["LWristAngles", "LWRA"] if angles else ["LWRB", "LWRA"]
    writer.set_point_labels(labels)
    channels = ["flexion", "deviation", "roll"] if analog else []
    if channels:
        writer.set_analog_labels(channels)
        writer.set_analog_general_scale(1.0)
        writer.set_analog_scales(np.ones(len(channels)))
        writer.set_analog_offsets(np.zeros(len(channels), dtype=np.int16))
    frames = []
    for row in table.itertuples():
        point = np.zeros((2, 5), dtype=np.float32)
        point[0, :3] = (row.flexion, row.deviation, row.roll)
        point[1, :3] = (100, 200, 300)
        measured = np.array([[getattr(row, name)] for name in channels], dtype=np.float32).reshape(
            len(channels), 1
        )
        frames.append((point, measured))
    writer.add_frames(frames)
    with path.open("wb") as stream:
        writer.write(stream)
    return table


def test_c3d_points_that_are_angles(tmp_path: Path) -> None:
    path = tmp_path / "ann_2031-01-02_001.c3d"
    table = c3d_file(path, angles=True, analog=False)
    (block,) = read_blocks(path, FileLayout("c3d"))
    assert block.table.column_names == ["time", "LWristAngles.x", "LWristAngles.y", "LWristAngles.z"]
    np.testing.assert_allclose(block.table["time"].to_numpy(), table["time"], atol=1e-6)
    np.testing.assert_allclose(block.table["LWristAngles.y"].to_numpy(), table["deviation"], atol=1e-4)
    proposed = values(propose_layout([path]))
    assert proposed["file.reader"] == "c3d" and proposed["time.column"] == "time"


def test_c3d_analog_channels_that_are_angles(tmp_path: Path) -> None:
    path = tmp_path / "ann_2031-01-02_001.c3d"
    table = c3d_file(path, angles=False, analog=True)
    same(proposed(path, tmp_path), {name: table[name].to_numpy() for name in table})


def test_c3d_of_markers_and_trc_say_what_they_hold(tmp_path: Path) -> None:
    path = tmp_path / "a.c3d"
    c3d_file(path, angles=False, analog=False)
    with pytest.raises(InputError, match=r"no-angles.*2 points that are markers, such as LWRB, LWRA"):
        list(read_blocks(path, FileLayout("c3d")))
    path.write_bytes(path.read_bytes()[:2000])
    with pytest.raises(InputError):
        list(read_blocks(path, FileLayout("c3d", sheet="analog")))
    trc = tmp_path / "a.trc"
    trc.write_text(
        "PathFileType\t4\t(X/Y/Z)\ta.trc\nDataRate\n100\nFrame#\tTime\tLWRA\t\t\tLWRB\n\tX1\tY1\n1\t0\t1\t2\n"
    )
    with pytest.raises(InputError, match=r"no-angles.*2 markers .LWRA, LWRB."):
        propose_layout([trc])


# --- archives ---


def archive(path: Path, files: dict[str, str | bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in files.items():
            packed.writestr(name, content)
    return path


def season_files() -> dict[str, str | bytes]:
    one = recorder_table(SEASON.iloc[:1], layout_of())
    return {f"ann/2026-05-0{day}_{swing}.csv": one.to_csv(index=False) for day in (1, 2) for swing in (1, 2)}


NAMED = replace(layout_of(), ids=Ids(pattern="{player}/{session}_{swing}.csv"), swings=Swings("file"))


def test_an_archive_is_read_as_the_folder_it_was(tmp_path: Path) -> None:
    files = season_files() | {
        "roster.csv": "player\n",
        "__MACOSX/._a.csv": "x",
        "l.toml": "x",
        "ann/bad.csv": "1,2",
    }
    got = read(archive(tmp_path / "season.zip", files), NAMED, tmp_path)
    assert got.run.n_sound == 4
    assert got.season["session"].tolist() == ["2026-05-01"] * 2 + ["2026-05-02"] * 2
    assert [Path(each.file).relative_to(tmp_path).as_posix() for each in got.run.unread] == [
        "season.zip/ann/bad.csv"
    ]
    first = (tmp_path / "season" / "season.parquet").read_bytes()
    assert read(tmp_path / "season.zip", NAMED, tmp_path).run.n_sound == 4
    assert (tmp_path / "season" / "season.parquet").read_bytes() == first


def test_an_archive_writes_nothing_outside_and_makes_no_links(tmp_path: Path) -> None:
    link = zipfile.ZipInfo("ann/link.csv")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    path = tmp_path / "evil.zip"
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("../../outside.csv", "x")
        packed.writestr("/root.csv", "x")
        packed.writestr("ann\\windows.csv", "x")
        packed.writestr(link, "/etc/passwd")
        packed.writestr("ann/2026-05-01_1.csv", next(iter(season_files().values())))
    into = tmp_path / "a" / "b" / "into"
    found = find_recordings([path], unpack_into=into)
    assert [each.name for each in found.paths] == ["2026-05-01_1.csv"]
    assert {each.code for each in found.problems} == {"not-unpacked"} and len(found.problems) == 4
    made = {each.relative_to(tmp_path).as_posix() for each in tmp_path.rglob("*") if each.is_file()}
    assert made == {"evil.zip", "a/b/into/0/ann/2026-05-01_1.csv"}


def test_archives_that_are_bombs_or_damaged(tmp_path: Path) -> None:
    bomb = archive(tmp_path / "bomb.zip", {"a.csv": b"0" * 120_000_000})
    whole = archive(tmp_path / "cut.zip", season_files()).read_bytes()
    (tmp_path / "cut.zip").write_bytes(whole[: len(whole) // 3] + b"\0" * 40 + whole[len(whole) // 3 + 40 :])
    assert [each.code for each in find_recordings([bomb], unpack_into=tmp_path / "x").problems] == [
        "unpacks-too-far"
    ]
    codes = [
        each.code for each in find_recordings([tmp_path / "cut.zip"], unpack_into=tmp_path / "y").problems
    ]
    assert codes == ["damaged-file"]


def test_a_lying_size_does_not_unpack_further(tmp_path: Path) -> None:
    path = archive(tmp_path / "liar.zip", {"a.csv": b"0" * 130_000_000})
    content = bytearray(path.read_bytes())
    size = (130_000_000).to_bytes(4, "little")
    assert content.count(size) == 2
    path.write_bytes(bytes(content.replace(size, (1000).to_bytes(4, "little"))))
    found = find_recordings([path], unpack_into=tmp_path / "x")
    assert not found.paths or found.contents[found.paths[0]].stat().st_size <= 1000


def test_a_layout_is_proposed_and_checked_from_an_archive(tmp_path: Path) -> None:
    t_s, angles = recording()
    folder = tmp_path / "files"
    folder.mkdir()
    for swing in (1, 2):
        written(folder, {"time": t_s, **angles}, f"ann_2031-01-02_{swing:03d}.csv")
    path = archive(tmp_path / "day.zip", {each.name: each.read_bytes() for each in folder.iterdir()})
    out = tmp_path / "l.toml"
    done = CliRunner().invoke(main, ["layout", "propose", str(path), "--out", str(out)])
    assert done.exit_code == 0, done.output
    text = (
        out.read_text().replace('positive = "?"', 'positive = "flexion"').replace('arm = "?"', 'arm = "lead"')
    )
    out.write_text(text.replace('hand = "?"', 'hand = "right"'))
    done = CliRunner().invoke(main, ["layout", "check", str(out), str(path)])
    assert done.exit_code in (0, 1, 3), done.output
    assert "swing 001" in done.output
    assert text.count("{swing}") == 1
