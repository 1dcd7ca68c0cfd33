"""A layout that reads wrong numbers is doubted, by `layout check`, `import` and `classify`, and no golfer is blamed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from stranger_files import Swing, draw_swings, quaternions

from faultml.cli import main
from faultml.results import read_results

HEAD = """
schema = 1
file.reader = "text"
time = { column = "t", unit = "s" }
ids = { player = "ann", session = "2031-05-01" }
swings.split = "clock"
"""
ANGLES = (
    HEAD
    + """
worn.arm = "lead"
[angles]
flexion = { column = "f", unit = "deg", positive = "flexion" }
ulnar = { column = "u", unit = "deg", positive = "ulnar" }
"""
)
SENSORS = (
    HEAD
    + """
worn = { arm = "left", hand = "right" }
[orientation]
order = "wxyz"
frame = "segment-to-world"
forearm = { columns = ["a0", "a1", "a2", "a3"], volar = "+x", proximal = "+y" }
hand = { columns = ["b0", "b1", "b2", "b3"], volar = "+x", proximal = "+y" }
"""
)


@pytest.fixture(scope="module")
def swings() -> list[Swing]:
    drawn = [s for s in draw_swings(10, 3, 5, rate_hz=120.0) if np.isfinite(s.angles_deg).all()]
    assert len(drawn) >= 20
    return drawn[:20]


def angle_file(folder: Path, swings: list[Swing], change: Callable[[np.ndarray], np.ndarray]) -> Path:
    rows = [
        pd.DataFrame({"t": s.t_s, "f": change(s.angles_deg[0]), "u": change(s.angles_deg[1])}) for s in swings
    ]
    pd.concat(rows).to_csv(folder / "a.csv", index=False, float_format="%.5f")
    return folder / "a.csv"


def sensor_file(folder: Path, swings: list[Swing]) -> Path:
    rows = []
    for number, swing in enumerate(swings):
        forearm, hand = quaternions(swing.angles_deg, "left", number)
        own = {"t": swing.t_s}
        for name, values in (("a", forearm), ("b", hand)):
            own |= {f"{name}{at}": values[:, part] for at, part in enumerate((3, 0, 1, 2))}
        rows.append(pd.DataFrame(own))
    pd.concat(rows).to_csv(folder / "a.csv", index=False, float_format="%.7f")
    return folder / "a.csv"


def codes(folder: Path, path: Path, text: str) -> tuple[int, int, str, str]:
    """Exit codes of `layout check` and `import`, and what each says."""
    (folder / "l.toml").write_text(text)
    runner = CliRunner()
    checked = runner.invoke(main, ["layout", "check", str(folder / "l.toml"), str(path)])
    imported = runner.invoke(
        main, ["import", str(path), "--layout", str(folder / "l.toml"), "--out", str(folder / "s")]
    )
    for result in (checked, imported):
        assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return checked.exit_code, imported.exit_code, checked.output, imported.output


def drills(folder: Path) -> pd.DataFrame:
    done = CliRunner().invoke(
        main, ["classify", str(folder / "s"), "--out", str(folder / "r"), "--quiet", "--no-report"]
    )
    assert done.exit_code in (1, 3), done.output
    return read_results(folder / "r").drills


def test_the_right_layouts_are_not_doubted(tmp_path: Path, swings: list[Swing]) -> None:
    path = angle_file(tmp_path, swings, lambda angle: angle)
    assert codes(tmp_path, path, ANGLES)[:2] == (0, 0)
    path = sensor_file(tmp_path, swings)
    assert codes(tmp_path, path, SENSORS)[:2] == (0, 0)


@pytest.mark.parametrize(
    ("change", "hint"),
    [(lambda angle: angle + 180, "straight = 180"), (np.deg2rad, "are radians rather than degrees")],
    ids=["goniometer", "radians"],
)
def test_angles_off_by_a_zero_or_a_unit(
    change: Callable[[np.ndarray], np.ndarray], hint: str, tmp_path: Path, swings: list[Swing]
) -> None:
    checked, imported, said, outcome = codes(tmp_path, angle_file(tmp_path, swings, change), ANGLES)
    assert (checked, imported) == (1, 1)
    assert hint in said
    assert "0 of 20 swings can be assessed." in outcome
    assert drills(tmp_path)["rank"].tolist() == [0]


def test_what_reads_180_straight_is_read_once_it_is_said(tmp_path: Path, swings: list[Swing]) -> None:
    path = angle_file(tmp_path, swings, lambda angle: angle + 180)
    said = ANGLES.replace('unit = "deg"', 'unit = "deg", straight = 180')
    assert codes(tmp_path, path, said)[:2] == (0, 0)
    read = pd.read_parquet(tmp_path / "s" / "season.parquet")
    np.testing.assert_allclose(read["ulnar_deg"][0], swings[0].angles_deg[1], atol=1e-4)


@pytest.mark.parametrize(
    ("said", "instead", "hint"),
    [
        ('"wxyz"', '"xyzw"', 'order = "wxyz", frame = "segment-to-world": '),
        ('"segment-to-world"', '"world-to-segment"', 'frame = "segment-to-world": '),
        (
            '"a0", "a1", "a2", "a3"',
            '"b0", "b1", "b2", "b3"',
            "the columns of forearm and hand exchanged: ",
        ),
    ],
    ids=["order", "frame", "segments"],
)
def test_orientations_read_the_wrong_way(
    said: str, instead: str, hint: str, tmp_path: Path, swings: list[Swing]
) -> None:
    text = SENSORS.replace(said, instead, 1)
    if "a0" in said:
        text = text.replace("hand = { " + f"columns = [{instead}]", "hand = { " + f"columns = [{said}]")
    checked, imported, shown, _ = codes(tmp_path, sensor_file(tmp_path, swings), text)
    assert checked in (1, 3) and imported in (1, 3)
    assert hint in shown
    found = drills(tmp_path)
    assert found["rank"].tolist() == [0]
