"""Forearm rotation that wraps is taken up again or left out; the wrist's angles stay as they are."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from season_fakes import fake_season, write_parquet

from faultml.recordings.read import open_season
from faultml.recordings.swings import SwingBatch


def read(folder: Path, change, **swing: float) -> tuple[SwingBatch, np.ndarray]:  # type: ignore[no-untyped-def]
    season = fake_season(1, rate_hz=100.0, **swing)
    truth = np.asarray(season["pronation_deg"][0], dtype=float)
    season.at[0, "pronation_deg"] = np.asarray(change(truth), dtype=np.float32)
    (batch,) = open_season([write_parquet(season, folder / "s.parquet")]).batches()
    np.testing.assert_array_equal(batch.angles_deg[0, 0], season["flexion_deg"][0])
    np.testing.assert_array_equal(batch.angles_deg[0, 1], season["ulnar_deg"][0])
    return batch, truth


def wrapped(flat: np.ndarray) -> np.ndarray:
    return (flat + 180) % 360 - 180


@pytest.mark.parametrize("zero", [150.0, -170.0, 160.0, 870.0])
@pytest.mark.parametrize("at_deg", [180, 360])
def test_whole_turns_are_taken_out(zero: float, at_deg: int, tmp_path: Path) -> None:
    low = at_deg - 360
    batch, truth = read(tmp_path, lambda flat: (flat + zero + 180 * (at_deg == 360) - low) % 360 + low)
    seen = batch.angles_deg[0, 2]
    np.testing.assert_allclose(seen - seen[0], truth - truth[0], atol=1e-3)
    assert "pronation-unwrapped" in batch.table["findings"][0]
    assert np.abs(seen).max() <= 200
    assert "jump" not in batch.table["findings"][0]


def test_a_wrap_beside_lost_samples(tmp_path: Path) -> None:
    def change(flat: np.ndarray) -> np.ndarray:
        flat = wrapped(flat + 150)
        flat[np.flatnonzero(np.abs(np.diff(flat)) > 180)[0]] = np.nan
        return flat

    batch, truth = read(tmp_path, change)
    seen = batch.angles_deg[0, 2]
    np.testing.assert_allclose(seen - seen[0], truth - truth[0], atol=0.5)
    assert {"pronation-unwrapped", "gap-filled"} <= set(batch.table["findings"][0])
    assert "pronation-unusable" not in batch.table["findings"][0]


def test_other_jumps_leave_the_channel_out(tmp_path: Path) -> None:
    def change(flat: np.ndarray) -> np.ndarray:
        flat = flat / 2
        flat[len(flat) // 2 :] += 220
        return flat

    batch, _ = read(tmp_path, change)
    assert np.isnan(batch.angles_deg[0, 2]).all()
    assert batch.table["findings"][0] == ("pronation-unusable",)
    assert batch.table["reason"][0] == ""


def test_a_spike_is_a_spike(tmp_path: Path) -> None:
    def change(flat: np.ndarray) -> np.ndarray:
        flat = flat.copy()
        flat[30] += 250
        return flat

    batch, truth = read(tmp_path, change)
    assert "spike" in batch.table["findings"][0] and "pronation-unusable" not in batch.table["findings"][0]
    np.testing.assert_allclose(batch.angles_deg[0, 2], truth, atol=0.5)
