"""Whatever the bytes or the table: typed problems and findings, every swing once, none changed in silence."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from season_fakes import fake_season, fake_swing, to_long

from faultml.channels import CHANNELS, FLEXION
from faultml.recordings.findings import findings
from faultml.recordings.read import open_season, read_frame
from faultml.recordings.roster import read_roster
from faultml.recordings.swings import SwingBatch
from faultml.recordings.write import write_season

QUICK = settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
FILE_CODES = {
    *(
        "damaged-file",
        "doubled-column",
        "empty-file",
        "id-not-text",
        "line-too-long",
        "missing-column",
        "no-rows",
    ),
    *("not-a-table", "not-utf-8", "other-delimiter", "text-too-long", "unknown-column", "unpacks-too-far"),
    "wrong-type",
}


def read_all(path: Path) -> list[SwingBatch]:
    """Read a season and hold it to what every season keeps."""
    season = open_season([path])
    batches = list(season.batches())
    for batch in batches:
        assert_sound(batch)
    assert all(row.code in FILE_CODES | set(findings()) for row in season.problems)
    if not any(row.code == "damaged-file" for row in season.problems):
        assert sum(map(len, batches)) == season.n_swings
    return batches


def assert_sound(batch: SwingBatch) -> None:
    known = findings()
    assert len(batch.t_s) == len(batch.angles_deg) == len(batch.n_samples) == len(batch.table)
    for row in range(len(batch)):
        reason, codes, n_samples = (
            batch.table["reason"][row],
            batch.table["findings"][row],
            batch.n_samples[row],
        )
        assert (reason == "") == (n_samples > 0)
        assert set(codes) <= set(known)
        assert {code for code in codes if known[code].severity == "refuse"} >= ({reason} if reason else set())
        assert (np.diff(batch.t_s[row, :n_samples]) > 0).all()
        assert np.isfinite(batch.angles_deg[row, : FLEXION + 2, :n_samples]).all()
        rolled = np.isfinite(batch.angles_deg[row, 2, :n_samples])
        assert rolled.all() or not rolled.any()


SEASON_CSV = to_long(fake_season(2, rate_hz=60.0)).round(3).to_csv(index=False).encode()


@QUICK
@given(content=st.binary(max_size=2000), suffix=st.sampled_from(["csv", "parquet", "csv.gz"]))
def test_arbitrary_bytes(content: bytes, suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"a.{suffix}"
    path.write_bytes(content)
    read_all(path)
    read_roster(path)


@QUICK
@given(
    edits=st.lists(st.tuples(st.integers(0, len(SEASON_CSV) - 1), st.binary(max_size=6)), max_size=12),
    packed=st.booleans(),
)
def test_a_season_with_arbitrary_damage(edits: list[tuple[int, bytes]], packed: bool, tmp_path: Path) -> None:
    content = bytearray(SEASON_CSV)
    for at, new in edits:
        content[at : at + 3] = new
    (tmp_path / "a.csv").write_bytes(gzip.compress(bytes(content)) if packed else bytes(content))
    read_all(tmp_path / "a.csv")


cells = st.one_of(
    st.sampled_from(
        ["", "nan", "inf", "0", "1", "-1", "1e308", "0.005", '"', ",", ";", "NA", "=1", "p1", "x\x00y", "ö"]
    ),
    st.text(max_size=5),
    st.floats().map(repr),
)
names = st.sampled_from(
    [
        "player",
        "session",
        "swing",
        "t_s",
        "flexion_deg",
        "ulnar_deg",
        "pronation_deg",
        "hand",
        "shot",
        "impact_s",
        "x",
    ]
)


@QUICK
@given(
    header=st.lists(names, min_size=5, max_size=11),
    rows=st.lists(st.lists(cells, max_size=11), max_size=40),
    sep=st.sampled_from(",;\t"),
)
def test_arbitrary_tables(header: list[str], rows: list[list[str]], sep: str, tmp_path: Path) -> None:
    text = "\n".join(sep.join(row) for row in [header, *rows])
    (tmp_path / "a.csv").write_text(text, encoding="utf-8", errors="replace")
    read_all(tmp_path / "a.csv")


numbers = st.one_of(st.floats(), st.floats(-60, 60), st.none())


@QUICK
@given(data=st.data())
def test_arbitrary_swings_in_parquet(data: st.DataObject, tmp_path: Path) -> None:
    n_swings = data.draw(st.integers(0, 4))
    columns: dict[str, object] = {
        name: data.draw(st.lists(st.text(max_size=3) | st.none(), min_size=n_swings, max_size=n_swings))
        for name in ("player", "session", "swing")
    }
    for name in ("t_s", *CHANNELS):
        lists = data.draw(
            st.lists(st.lists(numbers, max_size=60) | st.none(), min_size=n_swings, max_size=n_swings)
        )
        columns[name] = pa.array(lists, pa.list_(pa.float64()))
    columns["t_s"] = pa.array(
        [
            sorted(x for x in row if x is not None and x == x) if row else row
            for row in columns["t_s"].to_pylist()
        ],
        pa.list_(pa.float64()),
    )
    pq.write_table(
        pa.table(
            {
                name: column if isinstance(column, pa.Array) else pa.array(column, pa.string())
                for name, column in columns.items()
            }
        ),
        tmp_path / "a.parquet",
    )
    read_all(tmp_path / "a.parquet")


types = st.sampled_from(
    [
        *(pa.int64(), pa.float32(), pa.decimal128(9, 3), pa.bool_(), pa.null(), pa.string(), pa.binary()),
        *(pa.date32(), pa.timestamp("ns"), pa.duration("s"), pa.dictionary(pa.int8(), pa.string())),
        *(pa.struct([("a", pa.int8())]), pa.map_(pa.string(), pa.int8()), pa.list_(pa.list_(pa.float32()))),
        *map(pa.list_, (pa.int8(), pa.string(), pa.float16(), pa.null())),
        *(pa.large_list(pa.float64()), pa.list_(pa.float64(), 30)),
    ]
)


@QUICK
@given(data=st.data())
def test_arbitrary_column_types_in_parquet(data: st.DataObject, tmp_path: Path) -> None:
    columns = {
        name: pa.nulls(2, data.draw(types)) for name in ("player", "session", "swing", "t_s", *CHANNELS)
    }
    optional = data.draw(
        st.lists(st.sampled_from(["hand", "club", "context", "shot", "impact_s"]), unique=True)
    )
    columns |= {name: pa.nulls(2, data.draw(types)) for name in optional}
    try:
        pq.write_table(pa.table(columns), tmp_path / "a.parquet")
    except (pa.ArrowNotImplementedError, pa.ArrowInvalid):
        return
    read_all(tmp_path / "a.parquet")


@pytest.fixture(scope="module")
def parquet_season(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("season") / "a.parquet"
    write_season(read_frame(fake_season(3, rate_hz=60.0))[0], path)
    return path.read_bytes()


@QUICK
@given(data=st.data())
def test_a_parquet_file_with_arbitrary_damage(
    data: st.DataObject, parquet_season: bytes, tmp_path: Path
) -> None:
    content = bytearray(parquet_season)
    for _ in range(data.draw(st.integers(1, 4))):
        content[data.draw(st.integers(4, len(content) - 1))] = data.draw(st.integers(0, 255))
    content = content[: data.draw(st.integers(len(content) // 2, 2 * len(content)))]
    (tmp_path / "a.parquet").write_bytes(bytes(content))
    read_all(tmp_path / "a.parquet")


ids = st.text(st.characters(codec="utf-8", exclude_characters="\r\n\0"), min_size=1, max_size=8)


@QUICK
@given(
    swings=st.lists(
        st.fixed_dictionaries(
            {
                "player": ids,
                "session": ids,
                "swing": ids,
                "hand": st.sampled_from(["left", "right", ""]),
                "club": st.text(st.characters(codec="utf-8", exclude_characters="\r\n\0"), max_size=5),
                "context": st.sampled_from(["play", "practice", "retest"]),
                "shot": st.lists(st.sampled_from(["hook", "push", "thin"]), max_size=2, unique=True),
                "impact_s": st.floats(0, 1.9) | st.just(float("nan")),
                "rate_hz": st.floats(45, 300),
                "offset_s": st.floats(-1e4, 1e6),
                "seed": st.integers(0, 9),
            }
        ),
        min_size=1,
        max_size=4,
        unique_by=lambda swing: (swing["player"], swing["session"], swing["swing"]),
    ),
    suffix=st.sampled_from(["csv", "parquet"]),
)
def test_what_is_written_reads_back_the_same(swings: list[dict], suffix: str, tmp_path: Path) -> None:
    rows = []
    for swing in swings:
        row = fake_swing(swing.pop("rate_hz"), noise_deg=0.5, seed=swing.pop("seed"))
        offset_s = swing.pop("offset_s")
        rows.append({**swing, **row, "t_s": row["t_s"] + offset_s, "impact_s": swing["impact_s"] + offset_s})
    batch, problems = read_frame(pd.DataFrame(rows))
    assert problems == [] and (batch.table["reason"] == "").all()
    path = tmp_path / f"a.{suffix}"
    write_season(batch, path)
    (again,) = read_all(path)
    where = ["file", "row"]
    pd.testing.assert_frame_equal(batch.table.drop(columns=where), again.table.drop(columns=where))
    np.testing.assert_array_equal(batch.t_s, again.t_s)
    np.testing.assert_array_equal(batch.angles_deg, again.angles_deg)


@QUICK
@given(order=st.permutations(range(6)), size=st.integers(1, 7), suffix=st.sampled_from(["csv", "parquet"]))
def test_a_swing_is_the_same_in_any_order_and_batch(
    order: list[int], size: int, suffix: str, tmp_path: Path
) -> None:
    season = fake_season(6, rate_hz=60.0, noise_deg=1.0).iloc[order]
    season["t_s"] = [
        t_s * 1000 if swing == "004" else t_s
        for t_s, swing in zip(season["t_s"], season["swing"], strict=True)
    ]
    path = tmp_path / f"a.{suffix}"
    to_long(season).to_csv(path, index=False) if suffix == "csv" else season.to_parquet(path, index=False)
    seen = {}
    for batch in open_season([path], batch_size=size).batches():
        for row, swing in enumerate(batch.table["swing"]):
            n_samples = batch.n_samples[row]
            seen[swing] = (
                batch.table["reason"][row],
                batch.table["findings"][row],
                batch.angles_deg[row, :, :n_samples],
            )
    whole, _ = read_frame(fake_season(6, rate_hz=60.0, noise_deg=1.0))
    assert len(seen) == 6
    for row, swing in enumerate(whole.table["swing"]):
        reason, codes, angles_deg = seen[swing]
        if swing == "004":
            assert reason == "unit-suspected"
        else:
            assert (reason, codes) == (whole.table["reason"][row], whole.table["findings"][row])
            np.testing.assert_array_equal(angles_deg, whole.angles_deg[row, :, : whole.n_samples[row]])


@QUICK
@given(shift_s=st.integers(-1000, 1000), seed=st.integers(0, 50))
def test_a_shift_in_time_changes_nothing_but_times(shift_s: int, seed: int) -> None:
    row = fake_swing(128.0, noise_deg=1.0, seed=seed)
    row["flexion_deg"] = row["flexion_deg"].copy()
    row["flexion_deg"][60:63] = np.nan
    ids = {"player": "p", "session": "s", "swing": "x"}
    first, _ = read_frame(pd.DataFrame([{**ids, **row}]))
    later, _ = read_frame(pd.DataFrame([{**ids, **row, "t_s": row["t_s"] + shift_s}]))
    pd.testing.assert_frame_equal(first.table, later.table)
    np.testing.assert_allclose(first.angles_deg, later.angles_deg, atol=1e-9)
