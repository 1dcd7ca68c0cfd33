"""The generator: repeatable, golfer by golfer, each pattern doing its fault, and the truth kept out of the season."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from joblib import parallel_config
from numpy.typing import NDArray

from faultml.channels import CHANNELS, ID_COLUMNS, PRONATION
from faultml.faults.catalogue import Catalogue
from faultml.faults.measure import evaluate_all, evaluate_guards
from faultml.recordings.read import open_season
from faultml.recordings.swings import SwingBatch
from faultml.recordings.write import write_season
from faultml.synthetic.clock import CLOCK_S
from faultml.synthetic.latent import draw_motion
from faultml.synthetic.motion import SwingPlan
from faultml.synthetic.nonswings import DEAD_CHANNEL, NON_SWINGS
from faultml.synthetic.patterns import load_patterns
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import SyntheticSeason, draw_golfer_season, draw_season, roster_golfers
from faultml.synthetic.sensors import draw_recorder, record

Array = NDArray[np.float64]
RECIPE = Recipe(golfers=4, sessions=3, swings=5, seed=3)


def plan_of(catalogue: Catalogue, size: Array, seed: int = 0) -> SwingPlan:
    """Swings of ordinary golfers with the wanted fault sizes, ``(n_swings, n_faults)``."""
    golfers = roster_golfers(catalogue, replace(RECIPE, golfers=len(size), slow_start_share=0.0))
    numbers = np.random.default_rng(seed).normal(0, 1, (len(size), 64))
    # Whoever goes to an end of the wrist's range has a joint that lets them.
    loose_deg = golfers.range_deg + np.array([[0.0, 0.0], [-15.0, 10.0], [0.0, 0.0]])
    return SwingPlan(golfers.table, golfers.style_deg * 0.3, loose_deg, size, numbers)


def same(one: SwingBatch, other: SwingBatch) -> None:
    pd.testing.assert_frame_equal(one.table, other.table)
    np.testing.assert_array_equal(one.t_s, other.t_s)
    np.testing.assert_array_equal(one.angles_deg, other.angles_deg)


def test_patterns_are_complete_and_fit_the_catalogue(catalogue: Catalogue) -> None:
    patterns = load_patterns()
    assert tuple(patterns) == catalogue.ids
    for fault in catalogue.faults:
        pattern = patterns[fault.id]
        assert pattern.channel == fault.measure.channel
        assert pattern.size.low < 0 < pattern.size.typical < pattern.size.high, "from under the edge to gross"
        assert {brought.fault for brought in pattern.brings} >= set(fault.brings)
        assert (pattern.kind == "release") == (fault.measure.stat == "release")
        if pattern.kind == "bump":
            assert list(pattern.corners) == sorted(pattern.corners)


def test_sizes_stay_between_their_ends() -> None:
    random = np.random.default_rng(0)
    for pattern in load_patterns().values():
        drawn = pattern.size.draw(random, 2000)
        assert pattern.size.low <= drawn.min() and drawn.max() <= pattern.size.high
        assert drawn.mean() == pytest.approx(pattern.size.typical, rel=0.25)


@pytest.mark.parametrize("fault_id", list(load_patterns()))
def test_a_pattern_makes_its_fault_appear(fault_id: str, catalogue: Catalogue) -> None:
    column, softness = catalogue.ids.index(fault_id), catalogue.softness_by_fault
    edges = np.array([fault.edge for fault in catalogue.faults])
    size = np.full((24, 17), np.nan)
    clean = draw_motion(catalogue, plan_of(catalogue, size), np.random.default_rng(1))
    size[:, column] = 0.7 * load_patterns()[fault_id].size.high
    faulty = draw_motion(catalogue, plan_of(catalogue, size), np.random.default_rng(1))
    past = [
        catalogue.signs[column] * (motion.measures[:, column] - edges[column]) / softness[column]
        for motion in (clean, faulty)
    ]
    assert np.nanmean(past[1]) > 1.0
    assert np.nanmean(past[1] > 0) >= 0.9
    assert np.nanmean(past[0]) < 0 and np.nanmean(past[1]) > np.nanmean(past[0]) + 2


def test_the_truth_is_measured_by_the_catalogue(catalogue: Catalogue, generated: SyntheticSeason) -> None:
    full = (generated.truth["kind"] == "full").to_numpy()
    reported = generated.truth[[f"measure_{fault}" for fault in catalogue.ids]].to_numpy(float)
    np.testing.assert_array_equal(reported[full], evaluate_all(catalogue, generated.phase_deg[full]))
    guards = generated.truth[["guard_recupping"]].to_numpy(float)
    np.testing.assert_array_equal(guards[full], evaluate_guards(catalogue, generated.phase_deg[full]))
    assert np.isnan(reported[~full]).all() and np.isnan(generated.phase_deg[~full]).all()


def test_true_landmarks_lie_in_order_and_in_the_recording(generated: SyntheticSeason) -> None:
    full = (generated.truth["kind"] == "full").to_numpy()
    times = generated.truth.loc[full, ["takeaway_s", "top_s", "impact_s", "finish_s"]].to_numpy(float)
    assert (np.diff(times, axis=1) > 0).all()
    t_s = generated.batch.t_s[full]
    assert (np.nanmin(t_s, axis=1) < times[:, 0]).all() and (np.nanmax(t_s, axis=1) > times[:, 2]).all()
    marks = generated.batch.table["impact_s"].to_numpy(float)[full]
    error_s = np.abs(marks - times[:, 2])
    assert np.isfinite(error_s).any() and np.isnan(error_s).any(), "contact is marked by some recorders only"
    assert 0 < np.nanmax(error_s) < 0.006, "and marked as a recorder would, not as it truly was"


def test_the_season_table_holds_no_truth(
    catalogue: Catalogue, generated: SyntheticSeason, tmp_path: Path
) -> None:
    reported = {*ID_COLUMNS, "t_s", *CHANNELS, "impact_s", "hand", "club", "shot", "context"}
    reported |= {"mounting_sd_deg", "declared_rate_hz", "impact_sd_s", "impact_from"}
    write_season(generated.batch, tmp_path / "season.parquet")
    assert set(pq.read_schema(tmp_path / "season.parquet").names) == reported
    assert set(generated.batch.table) <= reported | {"reason", "findings"}
    secret = set(generated.truth) - {*ID_COLUMNS, "impact_s"}
    assert not secret & set(generated.batch.table)
    assert not [name for name in generated.batch.table for fault in catalogue.ids if fault in name]
    assert (generated.batch.table["reason"] == "").all() and not generated.batch.table["findings"].any()
    assert not set(generated.roster) & {"grip", "tempo", "skill", "repeatability"}


def test_a_written_season_is_read_back_whole(generated: SyntheticSeason, tmp_path: Path) -> None:
    write_season(generated.batch, tmp_path / "season.parquet")
    season = open_season([tmp_path / "season.parquet"])
    tables = [batch.table for batch in season.batches()]
    kind = generated.truth.set_index(list(ID_COLUMNS))["kind"]
    problems = season.take_problems()
    assert {kind[problem.player, problem.session, problem.swing] for problem in problems} <= {DEAD_CHANNEL}
    read = pd.concat(tables, ignore_index=True)
    merged = read.merge(generated.truth[[*ID_COLUMNS, "kind"]], on=list(ID_COLUMNS))
    assert len(merged) == len(generated.truth)
    assert (merged.loc[merged["kind"] == "full", "reason"] == "").mean() > 0.98


def test_a_season_repeats_and_another_seed_is_another(catalogue: Catalogue) -> None:
    one, again = draw_season(catalogue, RECIPE), draw_season(catalogue, RECIPE)
    same(one.batch, again.batch)
    pd.testing.assert_frame_equal(one.truth, again.truth)
    pd.testing.assert_frame_equal(one.roster, again.roster)
    np.testing.assert_array_equal(one.phase_deg, again.phase_deg)
    other = draw_season(catalogue, replace(RECIPE, seed=4))
    assert not one.truth["measure_flexed_top"].equals(other.truth["measure_flexed_top"])


def test_a_season_does_not_depend_on_jobs(catalogue: Catalogue) -> None:
    one = draw_season(catalogue, RECIPE)
    with parallel_config("threading"):
        two = draw_season(catalogue, RECIPE, jobs=2)
    same(one.batch, two.batch)
    pd.testing.assert_frame_equal(one.truth, two.truth)


def test_a_golfers_swings_do_not_depend_on_the_others(catalogue: Catalogue) -> None:
    golfers = roster_golfers(catalogue, RECIPE)
    alone = draw_golfer_season(catalogue, RECIPE, golfers, 2)
    whole = draw_season(catalogue, RECIPE)
    mine = (whole.truth["player"] == golfers.table["player"][2]).to_numpy()
    pd.testing.assert_frame_equal(whole.truth[mine].reset_index(drop=True), alone.truth)
    others = np.arange(4) != 2
    changed = replace(
        golfers,
        table=golfers.table.assign(tempo=np.where(others, 2.0, golfers.table["tempo"])),
        fault_size=np.where(others[:, None], np.nan, golfers.fault_size),
        style_deg=np.where(others[:, None, None], 0.0, golfers.style_deg),
    )
    again = draw_golfer_season(catalogue, RECIPE, changed, 2)
    same(alone.batch, again.batch)


def test_golfers_of_one_build_still_swing_each_their_own(catalogue: Catalogue) -> None:
    golfers = roster_golfers(catalogue, RECIPE)
    twins = replace(
        golfers,
        table=golfers.table.iloc[[0] * 4].reset_index(drop=True),
        fault_size=golfers.fault_size[[0] * 4],
        style_deg=golfers.style_deg[[0] * 4],
        range_deg=golfers.range_deg[[0] * 4],
    )
    one, other = (draw_golfer_season(catalogue, RECIPE, twins, index).truth for index in (0, 1))
    assert not one["address_flexion_deg"].equals(other["address_flexion_deg"])


def test_names_are_given_to_the_first(catalogue: Catalogue) -> None:
    named = roster_golfers(catalogue, replace(RECIPE, names=("wren", "heron")))
    assert named.table["player"].tolist()[:2] == ["wren", "heron"]
    assert named.table["player"].is_unique and len(named) == 4
    assert roster_golfers(catalogue, replace(RECIPE, names=tuple("abcdefg"))).table[
        "player"
    ].tolist() == list("abcd")


def test_every_kind_of_non_swing_is_drawn(catalogue: Catalogue) -> None:
    recipe = Recipe(golfers=3, sessions=2, swings=60, seed=8, non_swing_share=0.7, rate_hz=60.0)
    season = draw_season(catalogue, recipe)
    assert set(season.truth["kind"]) == {"full", *NON_SWINGS}
    assert (season.truth["kind"] != "full").mean() == pytest.approx(0.7, abs=0.08)
    assert not any(season.batch.table["shot"][season.truth["kind"] != "full"]), "no ball, no shot"
    none = draw_season(catalogue, replace(RECIPE, non_swing_share=0.0))
    assert (none.truth["kind"] == "full").all()


def test_a_lesson_makes_the_taught_fault_smaller_on_average(catalogue: Catalogue) -> None:
    recipe = Recipe(
        golfers=40, sessions=4, swings=3, seed=12, clean_share=0.0, non_swing_share=0.0, rate_hz=50.0
    )
    season = draw_season(catalogue, recipe)
    sizes = (
        season.truth[[f"size_{fault}" for fault in catalogue.ids]].to_numpy(float)
        / catalogue.softness_by_fault
    )
    worst = np.nanmax(sizes, axis=1)
    session = season.batch.table["session"].rank(method="dense").to_numpy()
    assert worst[session == 4].mean() < worst[session == 1].mean() - 0.5


def test_golfers_have_their_own_way(catalogue: Catalogue, generated: SyntheticSeason) -> None:
    full = generated.truth[generated.truth["kind"] == "full"]
    tempo = (full["top_s"] - full["takeaway_s"]) / (full["impact_s"] - full["top_s"])
    groups = tempo.groupby(full["player"])
    assert groups.mean().std() > groups.std().mean() * 0.8, "golfers differ more than their swings do"


class TestRecorder:
    """What a recorder does to true motion, one trait at a time."""

    @pytest.fixture
    def motion(self, catalogue: Catalogue) -> tuple[Array, Array]:
        motion = draw_motion(
            catalogue, plan_of(catalogue, np.full((6, 17), np.nan)), np.random.default_rng(2)
        )
        return motion.angles_deg, motion.landmarks_s[:, 2]

    def recorded(self, motion: tuple[Array, Array], **traits: object):  # type: ignore[no-untyped-def]
        plain = replace(
            draw_recorder(np.random.default_rng(0), rate_hz=200.0),
            jitter=0.0,
            noise_deg=0.0,
            slow_noise_deg=1e-9,
            drift_dps=np.zeros(3),
            mounting=np.zeros((2, 3)),
            under_read=1.0,
            pronation=True,
            contact_mark=True,
            ms_rounded=False,
            gyro_limit_dps=np.inf,
            gap_chance=0.0,
            shake_deg=0.0,
        )
        angles, impact_s = motion
        count = len(angles)
        return record(
            angles,
            np.full(count, -0.5),
            impact_s + 0.5,
            impact_s,
            replace(plain, **traits),
            np.random.default_rng(1),
        )

    def test_a_perfect_one_reads_the_truth(self, motion: tuple[Array, Array]) -> None:
        seen = self.recorded(motion)
        for row in range(6):
            kept = np.isfinite(seen.t_s[row])
            clock = seen.t_s[row, kept] - seen.start_s[row]
            for channel in range(3):
                expected = np.interp(clock, CLOCK_S, motion[0][row, channel])
                np.testing.assert_allclose(seen.angles_deg[row, channel, kept], expected, atol=1e-3)
        assert np.abs(seen.impact_s - seen.start_s - motion[1]).max() < 0.005

    def test_forearm_rotation_is_under_read_or_missing(self, motion: tuple[Array, Array]) -> None:
        whole, less = self.recorded(motion), self.recorded(motion, under_read=0.8)
        np.testing.assert_allclose(
            less.angles_deg[:, PRONATION], 0.8 * whole.angles_deg[:, PRONATION], atol=1e-3
        )
        without = self.recorded(motion, pronation=False)
        assert np.isnan(without.angles_deg[:, PRONATION]).all()
        assert np.isfinite(without.angles_deg[:, :PRONATION]).any(axis=2).all()

    def test_fast_rates_are_clipped(self, motion: tuple[Array, Array]) -> None:
        seen = self.recorded(motion, gyro_limit_dps=300.0)
        rates = np.abs(np.diff(seen.angles_deg, axis=2)) / np.diff(seen.t_s, axis=1)[:, None]
        assert np.nanmax(rates) <= 300.5
        free = self.recorded(motion)
        assert (
            np.nanmax(np.abs(np.diff(free.angles_deg, axis=2)) / np.diff(free.t_s, axis=1)[:, None]) > 300.5
        )

    def test_times_rise_whatever_the_traits(self, motion: tuple[Array, Array]) -> None:
        seen = self.recorded(motion, jitter=0.1, ms_rounded=True, gap_chance=1.0, contact_mark=False)
        steps = np.diff(seen.t_s, axis=1)
        assert (steps[np.isfinite(steps)] > 0).all()
        assert np.nanmax(steps) < 0.05, "gaps are short enough to be filled"
        assert np.nanmax(steps) > 0.012, "and there"
        assert np.isnan(seen.impact_s).all()
        np.testing.assert_allclose(seen.t_s, seen.t_s.round(3), atol=1e-12)

    def test_noise_and_drift_are_as_large_as_stated(self, motion: tuple[Array, Array]) -> None:
        plain = self.recorded(motion)
        noisy = self.recorded(motion, noise_deg=2.0)
        assert np.nanstd(noisy.angles_deg - plain.angles_deg) == pytest.approx(2.0, rel=0.1)
        drifting = self.recorded(motion, drift_dps=np.array([1.0, 0.0, -2.0]))
        last = plain.angles_deg.shape[2] - 1 - np.isnan(plain.angles_deg[0, 0])[::-1].argmin()
        gained = (drifting.angles_deg - plain.angles_deg)[0, :, last]
        lasted_s = plain.t_s[0, last] - plain.t_s[0, 0]
        np.testing.assert_allclose(gained, [lasted_s, 0, -2 * lasted_s], atol=0.01)
