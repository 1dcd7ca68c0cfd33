"""``faultml align``: a calibration file in, an alignment out that a layout can name; bad files are refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from calibration_fakes import record_angles, record_orientations
from click.testing import CliRunner
from scipy.spatial.transform import Rotation

from faultml.cli import main
from faultml.errors import InputError
from faultml.importing.alignment import load_alignment, save_alignment
from faultml.importing.layout import load_layout
from faultml.importing.readers import read_blocks
from faultml.importing.rows import RowReader
from faultml.motion.turn import turn

ANGLES = """
schema = 1
[file]
reader = "text"
[time]
column = "t"
unit = "s"
[angles.flexion]
column = "fe"
unit = "deg"
positive = "flexion"
[angles.ulnar]
column = "ru"
unit = "deg"
positive = "ulnar"
[worn]
arm = "left"
hand = "right"
[ids]
player = "p1"
session = "2031-05-01"
swing = "1"
[swings]
split = "file"
"""
ORIENTATIONS = (
    ANGLES[: ANGLES.index("[angles")]
    + """
[orientation]
order = "wxyz"
frame = "segment-to-world"
[orientation.forearm]
columns = ["fw", "fx", "fy", "fz"]
[orientation.hand]
columns = ["hw", "hx", "hy", "hz"]
"""
    + ANGLES[ANGLES.index("[worn") :]
)


def write(path: Path, names: str, columns: list[np.ndarray]) -> Path:
    np.savetxt(path, np.column_stack(columns), "%.6f", ",", header=names, comments="")
    return path


@pytest.fixture
def angles_file(tmp_path: Path) -> Path:
    (tmp_path / "layout.toml").write_text(ANGLES)
    seen = record_angles(np.random.default_rng(4), 15.0)
    return write(tmp_path / "cal.csv", "t,fe,ru", [seen.t_s, *seen.angles_deg[:2]])


def align(folder: Path, file: Path, *options: str) -> tuple[int, str]:
    layout, out = str(folder / "layout.toml"), str(folder / "alignment.toml")
    run = CliRunner().invoke(main, ["align", str(file), "--layout", layout, "--out", out, *options])
    return run.exit_code, run.output


def test_the_alignment_of_angles_straightens_what_the_layout_reads(tmp_path: Path, angles_file: Path) -> None:
    code, reported = align(tmp_path, angles_file, "--session", "2031-05-01")
    assert code == 0 and "turned +1" in reported
    alignment = load_alignment(tmp_path / "alignment.toml")
    assert (alignment.side, alignment.kind, alignment.session) == ("left", "angles", "2031-05-01")
    read = turn(np.array([[-40.0, 10.0], [0.0, -20.0], [0.0, 0.0]]), 15.0)
    swing = write(tmp_path / "swing.csv", "t,fe,ru", [np.array([0.0, 0.01]), *read[:2]])
    layout = load_layout(tmp_path / "layout.toml")
    (block,) = read_blocks(swing, layout.file)
    rows = RowReader(swing, layout, alignment=alignment).read(block)
    assert abs(read[1, 0]) > 9.5
    np.testing.assert_allclose(rows.angles_deg[:2], [[-40.0, 10.0], [0.0, -20.0]], atol=2)


def test_two_sensors_are_aligned_from_their_quaternions(tmp_path: Path) -> None:
    (tmp_path / "layout.toml").write_text(ORIENTATIONS)
    worn = Rotation.from_euler("Y", 15, degrees=True), Rotation.from_rotvec([40, -30, 80], degrees=True)
    seen = record_orientations(np.random.default_rng(5), *worn, "left")
    quaternions = [*seen.forearm[:, [3, 0, 1, 2]].T, *seen.hand[:, [3, 0, 1, 2]].T]
    file = write(tmp_path / "cal.csv", "t,fw,fx,fy,fz,hw,hx,hy,hz", [seen.t_s, *quaternions])
    code, reported = align(tmp_path, file)
    assert code == 0, reported
    alignment = load_alignment(tmp_path / "alignment.toml")
    layout = load_layout(tmp_path / "layout.toml")
    (block,) = read_blocks(file, layout.file)
    rows = RowReader(file, layout, alignment=alignment).read(block)
    off = rows.angles_deg[:2] - seen.angles_deg[:2]
    assert np.sqrt((off**2).mean()) < 2


def test_what_goes_with_swings_is_not_looked_for(tmp_path: Path, angles_file: Path) -> None:
    more = '[contact]\ntime_column = "hit"\n[words]\nclub = { column = "club" }\n'
    (tmp_path / "layout.toml").write_text(ANGLES + more)
    assert align(tmp_path, angles_file)[0] == 0


def test_own_intervals_are_taken_and_nonsense_is_refused(tmp_path: Path, angles_file: Path) -> None:
    (tmp_path / "at.toml").write_text("still_s = [0.2, 1.7]\nflex_extend_s = [2.0, 9.5]\n")
    assert align(tmp_path, angles_file, "--movements", str(tmp_path / "at.toml"))[0] == 0
    assert load_alignment(tmp_path / "alignment.toml").movements.still_s == (0.2, 1.7)
    (tmp_path / "at.toml").write_text("still = 3\n")
    code, reported = align(tmp_path, angles_file, "--movements", str(tmp_path / "at.toml"))
    assert code == 2 and "bad-movements" in reported
    short = write(tmp_path / "short.csv", "t,fe,ru", [np.arange(3.0), np.zeros(3), np.zeros(3)])
    code, reported = align(tmp_path, short)
    assert code == 2 and "Traceback" not in reported


def test_an_alignment_is_read_back_as_written_and_a_broken_one_is_refused(
    tmp_path: Path, angles_file: Path
) -> None:
    assert align(tmp_path, angles_file, "--session", 'a "b" \\ c')[0] == 0
    path = tmp_path / "alignment.toml"
    alignment = load_alignment(path)
    save_alignment(alignment, tmp_path / "again.toml")
    assert load_alignment(tmp_path / "again.toml") == alignment
    text = path.read_text()
    for bad in (
        text.replace("schema = 1", "schema = 2"),
        text.replace('kind = "angles"', 'kind = "orientations"'),
        text.replace("forearm = [", "forearm = [3.0, ").replace(", 0.9", ""),
        text + "colour = 1\n",
        "\0",
    ):
        path.write_text(bad)
        with pytest.raises(InputError, match="bad-alignment"):
            load_alignment(path)
    with pytest.raises(InputError, match="alignment-kind"):
        alignment.bones(np.eye(4)[3:], np.eye(4)[3:])
