"""A season in batches: every swing once, in order, the same in any batch; memory does not grow."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from season_fakes import fake_season, fake_swing, to_long, write_long, write_parquet

from faultml.recordings import csv_blocks, parquet
from faultml.recordings import read as reading
from faultml.recordings.read import open_season, read_frame


def mixed_season(n_swings: int = 25) -> pd.DataFrame:
    """Swings of different rates and lengths, every fifth of them bad."""
    season = fake_season(n_swings)
    for at in range(n_swings):
        row = fake_swing(rate_hz=100.0 + 10 * at, seed=at)
        if at % 5 == 2:
            row["t_s"] = row["t_s"] * 1000
        for name, flat in row.items():
            season.loc[at, [name]] = pd.Series([flat], [name])
    return season


@pytest.mark.parametrize("suffix", ["csv", "parquet"])
@pytest.mark.parametrize("batch_size", [1, 7, 25, 1000])
def test_every_swing_once_and_the_same_in_any_batch(suffix: str, batch_size: int, tmp_path: Path) -> None:
    season = mixed_season()
    path = (write_long if suffix == "csv" else write_parquet)(season, tmp_path / f"a.{suffix}")
    opened = open_season([path], batch_size=batch_size)
    batches = list(opened.batches())
    assert [len(batch) for batch in batches][:-1] == [batch_size] * (len(batches) - 1)
    assert opened.n_swings == 25
    at = 0
    for batch in batches:
        for row in range(len(batch)):
            alone, _ = read_frame(season.iloc[[at]])
            assert (
                batch.table.loc[row].to_dict().items()
                >= alone.table.loc[0, ["swing", "reason", "findings"]].to_dict().items()
            )
            n_samples = batch.n_samples[row]
            assert n_samples == alone.n_samples[0]
            np.testing.assert_array_equal(batch.t_s[row, :n_samples], alone.t_s[0])
            np.testing.assert_array_equal(batch.angles_deg[row, :, :n_samples], alone.angles_deg[0])
            assert np.isnan(batch.t_s[row, n_samples:]).all()
            assert np.isnan(batch.angles_deg[row, :, n_samples:]).all()
            at += 1
    assert at == 25
    assert len(opened.problems) == 5


def test_files_are_read_in_the_order_of_their_names_and_share_batches(tmp_path: Path) -> None:
    season = fake_season(6)
    for at in (3, 1, 0, 5, 2, 4):
        write_long(season.iloc[[at]], tmp_path / f"{at}.csv")
    (batch,) = open_season([tmp_path]).batches()
    assert batch.table["swing"].tolist() == season["swing"].tolist()


def test_a_batch_of_very_unequal_swings_is_cut(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "MAX_BATCH_SAMPLES", 5000)
    season = fake_season(20)
    for name, flat in fake_swing(address_s=20.0).items():
        season.loc[7, [name]] = pd.Series([flat], [name])
    batches = list(open_season([write_parquet(season, tmp_path / "a.parquet")]).batches())
    assert sum(map(len, batches)) == 20
    assert all(batch.t_s.size <= 5000 for batch in batches)
    assert [swing for batch in batches for swing in batch.table["swing"]] == season["swing"].tolist()


def test_problems_are_handed_over_once(tmp_path: Path) -> None:
    opened = open_season([write_parquet(mixed_season(), tmp_path / "a.parquet")], batch_size=5)
    taken = [len(opened.take_problems()) for _ in opened.batches()]
    assert taken == [1] * 5 and opened.problems == []


def test_problems_of_rows_are_handed_over_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(csv_blocks, "BLOCK_BYTES", 20_000)
    lines = to_long(fake_season(4)).to_csv(index=False).splitlines()
    for at in range(4):
        lines[2 + 402 * at] += ",extra"
    (tmp_path / "a.csv").write_text("\n".join(lines))
    opened = open_season([tmp_path / "a.csv"], batch_size=1)
    taken = [row.swing for _ in opened.batches() for row in opened.take_problems()] + opened.take_problems()
    assert taken == ["001", "002", "003", "004"]


def test_a_season_may_be_read_twice(tmp_path: Path) -> None:
    opened = open_season([write_parquet(fake_season(3), tmp_path / "a.parquet")])
    assert [len(list(opened.batches())) for _ in range(2)] == [1, 1]


def test_the_table_has_the_types_it_promises(tmp_path: Path) -> None:
    (batch,) = open_season([write_long(fake_season(2), tmp_path / "a.csv")]).batches()
    kinds = batch.table.dtypes.astype(str).to_dict()
    assert kinds == {
        **dict.fromkeys(("player", "session", "swing", "hand", "club", "context", "reason"), "str"),
        "impact_from": "str",
        "impact_s": "float64",
        "impact_sd_s": "float64",
        "mounting_sd_deg": "float64",
        "declared_rate_hz": "float64",
        "file": "object",
        "row": "object",
        "shot": "object",
        "findings": "object",
    }
    assert batch.table.index.tolist() == [0, 1]
    assert (batch.t_s.dtype, batch.angles_deg.dtype, batch.n_samples.dtype) == (
        np.float64,
        np.float64,
        np.int64,
    )


@pytest.mark.parametrize("suffix", ["csv", "parquet"])
def test_memory_does_not_grow_with_the_season(
    suffix: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What Arrow holds while a batch is at hand, for a season four times as long."""
    monkeypatch.setattr(csv_blocks, "BLOCK_BYTES", 500_000)
    monkeypatch.setattr(parquet, "_BATCH_ROWS", 100)

    def peak(n_swings: int) -> int:
        season = pd.concat([fake_season(100, noise_deg=1.0)] * (n_swings // 100), ignore_index=True)
        season["swing"] = np.arange(n_swings).astype(str)
        path = (write_long if suffix == "csv" else write_parquet)(season, tmp_path / f"{n_swings}.{suffix}")
        before = pa.total_allocated_bytes()
        return max(pa.total_allocated_bytes() - before for _ in open_season([path], batch_size=100).batches())

    few = 300 if suffix == "csv" else 1500
    assert peak(4 * few) < 1.3 * peak(few)
