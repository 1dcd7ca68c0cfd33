"""docs/layouts.md is true: its layouts are layouts, each reads a file made to fit it, and every field is named."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import msgspec
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from recorder_files import recorder_table, text_bytes
from scipy.spatial.transform import Rotation
from season_fakes import fake_season

from faultml.importing.layout import FromColumn, Layout, open_questions, parse_layout
from faultml.importing.season import SEASON_FILE, import_season
from faultml.motion.rotations import joint_rotations

PAGE = (Path(__file__).parents[3] / "docs" / "layouts.md").read_text(encoding="utf-8")
EXAMPLES = [parse_layout(text) for text in re.findall(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL)]
SEASON = fake_season(2, rate_hz=100.0)


def test_the_page_has_two_complete_examples() -> None:
    assert len(EXAMPLES) == 2
    assert [open_questions(layout) for layout in EXAMPLES] == [[], []]


def parts(kind: type[msgspec.Struct]) -> Iterator[type[msgspec.Struct]]:
    """A part of the layout and those below it."""
    yield kind
    for field in msgspec.structs.fields(kind):
        below = msgspec.inspect.type_info(field.type)
        for each in getattr(below, "types", (below,)):
            if isinstance(each, msgspec.inspect.StructType):
                yield from parts(each.cls)


@pytest.mark.parametrize("part", [part for part in dict.fromkeys(parts(Layout)) if part is not FromColumn])
def test_every_field_is_documented(part: type[msgspec.Struct]) -> None:
    below = [field.name for field in msgspec.structs.fields(part)]
    tables = set(re.findall(r"\[(?:\w+\.)?(\w+)\]", PAGE))
    assert [
        name for name in below if f"`{name}`" not in PAGE and name not in tables and name != "schema"
    ] == []


def test_the_first_example_reads_a_file_made_to_fit_it(tmp_path: Path) -> None:
    layout = EXAMPLES[0]
    table = recorder_table(SEASON, layout).rename(columns={"Player": "Golfer", "Clock": "Time"})
    table["Day"] = "01.05.2026"
    table["Club"] = "7I"
    table["Hit"] = ["1" if at % len(SEASON["t_s"][0]) == 106 else "0" for at in range(len(table))]
    content = text_bytes(table, layout, preamble=3).decode("utf-16").split("\n")
    content.insert(4, ";;;ms;rad;rad;rad;;")
    (tmp_path / "a.csv").write_bytes("\n".join(content).encode("utf-16"))
    run = import_season([tmp_path / "a.csv"], layout, tmp_path / "season")
    assert (run.n_sound, run.n_problems) == (2, 0), run.unread
    read = pq.read_table(tmp_path / "season" / SEASON_FILE).to_pandas()
    assert read["session"].tolist() == ["2026-05-01"] * 2
    assert read["club"].tolist() == ["7-iron"] * 2
    assert read["impact_s"].tolist() == pytest.approx([1.06, 1.06])
    for name in ("flexion_deg", "ulnar_deg", "pronation_deg"):
        np.testing.assert_allclose(read[name][1], SEASON[name][1], rtol=1e-6)


def test_the_second_example_reads_a_file_made_to_fit_it(tmp_path: Path) -> None:
    layout = EXAMPLES[1]
    angles = np.stack([SEASON["flexion_deg"][0], SEASON["ulnar_deg"][0], 0 * SEASON["ulnar_deg"][0]], axis=1)
    # A bone whose volar axis is the sensor's z and whose proximal axis is the sensor's -x, forearm at rest.
    third = np.cross([0, 0, 1], [-1, 0, 0])
    bone = np.stack([[0, 0, 1], [-1, 0, 0], third], axis=1)
    mounted = Rotation.from_matrix(bone).inv()
    hand = (Rotation.from_quat(joint_rotations(angles, "left")) * mounted).as_quat(scalar_first=True)
    forearm = np.tile(mounted.as_quat(scalar_first=True), (len(hand), 1))
    stamps = np.round(1_790_000_000_000_000 + SEASON["t_s"][0] * 1e6).astype(np.int64)
    columns = {"stamp": stamps}
    columns |= {f"f_{part}": forearm[:, at] for at, part in enumerate("wxyz")}
    columns |= {f"h_{part}": hand[:, at] for at, part in enumerate("wxyz")}
    path = tmp_path / "ann" / "2026-05-01_1.parquet"
    path.parent.mkdir()
    pq.write_table(pa.table(columns), path)
    run = import_season([tmp_path / "ann"], layout, tmp_path / "season")
    assert (run.n_sound, run.n_problems) == (1, 0), run.unread
    read = pd.read_parquet(tmp_path / "season" / SEASON_FILE)
    assert read.loc[0, ["player", "session", "swing"]].tolist() == ["ann", "2026-05-01", "1"]
    np.testing.assert_allclose(read["flexion_deg"][0], SEASON["flexion_deg"][0], atol=1e-4)
    np.testing.assert_allclose(read["ulnar_deg"][0], SEASON["ulnar_deg"][0], atol=1e-4)
