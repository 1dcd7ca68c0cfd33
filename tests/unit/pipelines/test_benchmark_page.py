"""What `make benchmark` measures and leaves beside a bundle."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from faultml.classifier.bundle import MANIFEST_FILE, default_bundle_path, read_manifest
from faultml.pipelines.benchmarks.benchmark import SWINGS_PER_PLAYER, write_long_season
from faultml.pipelines.benchmarks.benchmark_page import PAGE_FILE, as_json, as_page, as_text, write_page
from faultml.pipelines.training.card import CARD_FILE, TIMED, figures_of
from faultml.recordings.read import open_season
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season


def season_figures(swings: int, per_s: float) -> dict[str, float]:
    return {
        "swings": swings,
        "seconds": swings / per_s,
        "cpu_s": 2 * swings / per_s,
        "swings_per_s": per_s,
        "swings_per_cpu_s": per_s / 2,
        "peak_mb": 500.0,
    }


@pytest.fixture
def figures() -> dict[str, Any]:
    manifest = read_manifest(default_bundle_path())
    return {
        "model": {"name": manifest.name, "version": manifest.version, "sha256": manifest.sha256},
        "threads": 2,
        "cores": 2,
        "load_before": 0.1,
        "samples": 450.0,
        "help_s": 0.21,
        "small_classify_s": 2.5,
        "one_swing_ms": 8.25,
        "season": season_figures(20_000, 5_000.0),
        "long_season": season_figures(200_000, 12_345.0),
        "times_memory": 1.07,
        "quant_per_s": 2_000.0,
        "tsfresh_per_s": None,
        "times_quant": 6.17,
        "times_tsfresh": None,
    }


def test_page_and_text_tell_each_figure_and_what_is_wanted(figures: dict[str, Any]) -> None:
    for reported in (as_page(figures), as_text(figures)):
        for words in ("12,345", "10,000", "6.2", "1.07", "8.2", "0.21", "not measured", "200,000"):
            assert words in reported, words
    assert "| swings a second, season of 200,000 | 12,345 | 10,000 |" in as_page(figures)
    assert "| swings a second, season of 20,000 | 5,000 |  |" in as_page(figures)


def test_without_a_long_season_the_short_one_is_held_to_the_target(figures: dict[str, Any]) -> None:
    del figures["long_season"], figures["times_memory"]
    reported = as_page(figures)
    assert "| swings a second, season of 20,000 | 5,000 | 10,000 |" in reported
    assert "| the longer season's memory, times the other's | not measured | 1.2 |" in reported


def test_what_is_left_beside_a_bundle_names_its_model_and_the_card_says_so(
    figures: dict[str, Any], tmp_path: Path
) -> None:
    shutil.copy(default_bundle_path() / MANIFEST_FILE, tmp_path / MANIFEST_FILE)
    write_page(figures, tmp_path)
    assert figures_of(tmp_path, TIMED, read_manifest(tmp_path)) == json.loads(as_json(figures))
    assert f"[{PAGE_FILE}]({PAGE_FILE})" in (tmp_path / CARD_FILE).read_text(encoding="utf-8")


def test_a_long_season_repeats_swings_under_new_ids(tmp_path: Path) -> None:
    from faultml.faults.catalogue import load_catalogue

    batch = draw_season(load_catalogue(), Recipe(golfers=2, sessions=1, swings=3, seed=1)).batch
    count = SWINGS_PER_PLAYER + 7
    season = open_season([write_long_season(batch, tmp_path / "long", count)])
    tables = [read.table for read in season.batches()]
    assert season.n_swings == count == sum(map(len, tables))
    assert {len(table["player"].unique()) for table in tables} == {2}
    assert not any("repeated-id" in codes for table in tables for codes in table["findings"])
