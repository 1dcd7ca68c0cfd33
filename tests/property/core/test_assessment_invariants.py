"""What must not change a result does not: batch, order, clock, hand, ball; and units are never guessed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from faultml.channels import PRONATION
from faultml.classifier.assess import Assessment, Assessor
from faultml.classifier.tables import faults_frame, swings_frame
from faultml.motion.closure import closure_budget
from faultml.recordings.read import open_season
from faultml.recordings.swings import SwingBatch
from faultml.recordings.write import write_season
from faultml.synthetic.season import SyntheticSeason

Array = NDArray[np.float64]


def rows_of(batch: SwingBatch, rows: NDArray[np.int64]) -> SwingBatch:
    """Some swings as a batch of their own, padded to their longest."""
    counts = batch.n_samples[rows]
    return SwingBatch(
        batch.table.iloc[rows].reset_index(drop=True),
        batch.t_s[rows][:, : counts.max()],
        batch.angles_deg[rows][:, :, : counts.max()],
        counts,
    )


def assert_same(one: Assessment, other: Assessment, rows: NDArray[np.int64]) -> None:
    """`other` says of its swings what `one` says of these rows."""
    np.testing.assert_array_equal(other.reason, one.reason[rows])
    np.testing.assert_array_equal(other.status, one.status[rows])
    np.testing.assert_allclose(other.probability, one.probability[rows], rtol=0, atol=1e-9)
    np.testing.assert_allclose(other.landmarks_s, one.landmarks_s[rows], rtol=0, atol=1e-9)
    for name in ("mean", "sd"):
        values = getattr(one.posterior, name)[rows]
        np.testing.assert_allclose(getattr(other.posterior, name), values, rtol=1e-9, atol=1e-9)
    np.testing.assert_array_equal(other.late_save, one.late_save[rows])
    assert other.findings == [one.findings[row] for row in rows]


def test_there_is_something_to_compare(assessed: Assessment) -> None:
    assert assessed.assessed.sum() > 200 and (~assessed.assessed).any()
    assert np.nanmax(assessed.probability) > 0.9 and np.nanmin(assessed.probability) < 0.05


@pytest.mark.parametrize("row", [0, 13, 150, 299])
def test_a_swing_alone_is_judged_as_in_a_batch_of_300(
    row: int, assessor: Assessor, assessed: Assessment
) -> None:
    rows = np.array([row])
    assert_same(assessed, assessor.assess(rows_of(assessed.batch, rows)), rows)


@settings(max_examples=4)
@given(st.randoms(use_true_random=False), st.integers(2, 40))
def test_any_choice_in_any_order_is_judged_alike(
    assessor: Assessor, assessed: Assessment, random: object, count: int
) -> None:
    rows = np.array(random.sample(range(300), count))  # type: ignore[attr-defined]
    assert_same(assessed, assessor.assess(rows_of(assessed.batch, rows)), rows)


def test_padding_and_refused_neighbours_change_nothing(assessor: Assessor, assessed: Assessment) -> None:
    rows = np.arange(0, 60, 3)
    batch = rows_of(assessed.batch, rows)
    table = batch.table.copy()
    table.loc[::2, "reason"] = "too-short"
    gone = table["reason"].to_numpy() != ""
    wide = SwingBatch(
        table,
        np.pad(np.where(gone[:, None], np.nan, batch.t_s), [(0, 0), (0, 500)], constant_values=np.nan),
        np.pad(
            np.where(gone[:, None, None], np.nan, batch.angles_deg),
            [(0, 0), (0, 0), (0, 500)],
            constant_values=np.nan,
        ),
        np.where(gone, 0, batch.n_samples),
    )
    found = assessor.assess(wide)
    assert (found.reason[gone] == "too-short").all() and np.isnan(found.probability[gone]).all()
    assert set(found.status[gone].ravel()) == {"not_assessed"}
    np.testing.assert_allclose(found.probability[~gone], assessed.probability[rows[~gone]], rtol=0, atol=1e-9)


@pytest.mark.parametrize("shift_s", [100.0, -50.0, 0.125])
def test_a_moved_clock_moves_the_landmarks_and_nothing_else(
    shift_s: float, assessor: Assessor, assessed: Assessment
) -> None:
    rows = np.arange(5, 300, 29)
    batch = rows_of(assessed.batch, rows)
    table = batch.table.assign(impact_s=batch.table["impact_s"] + shift_s)
    found = assessor.assess(replace(batch, t_s=batch.t_s + shift_s, table=table))
    np.testing.assert_array_equal(found.reason, assessed.reason[rows])
    np.testing.assert_allclose(found.landmarks_s, assessed.landmarks_s[rows] + shift_s, atol=1e-6)
    np.testing.assert_allclose(found.probability, assessed.probability[rows], atol=1e-5)
    here, there = swings_frame(assessed).iloc[rows].reset_index(drop=True), swings_frame(found)
    for name in (*[name for name in here if name.startswith("closure_")], "tempo", "late_save_probability"):
        np.testing.assert_allclose(there[name], here[name], atol=1e-3, err_msg=name)


def test_the_hand_is_a_name_and_changes_no_number(assessor: Assessor, assessed: Assessment) -> None:
    """Angles come in anatomical signs: a left-handed golfer's numbers mean the same as a right-handed one's."""
    batch = rows_of(assessed.batch, np.arange(0, 300, 30))
    as_read = faults_frame(assessor, assessor.assess(batch))
    for hand in ("left", "right", ""):
        found = assessor.assess(replace(batch, table=batch.table.assign(hand=hand)))
        assert faults_frame(assessor, found).equals(as_read)


@pytest.mark.parametrize("column", ["club", "context", "session", "swing"])
def test_no_word_beside_the_angles_changes_a_number(
    column: str, assessor: Assessor, assessed: Assessment
) -> None:
    rows = np.arange(0, 300, 15)
    batch = rows_of(assessed.batch, rows)
    found = assessor.assess(replace(batch, table=batch.table.assign(**{column: "x"})))
    assert_same(assessed, found, rows)


def test_without_a_forearm_only_its_faults_are_lost(assessor: Assessor, assessed: Assessment) -> None:
    rows = np.flatnonzero(assessed.assessed & assessed.windows.has_pronation)[:40]
    batch = rows_of(assessed.batch, rows)
    angles = batch.angles_deg.copy()
    angles[:, PRONATION] = np.nan
    found = assessor.assess(replace(batch, angles_deg=angles))
    forearm = np.array([fault.needs_pronation for fault in assessor.catalogue.faults])
    kept = found.assessed
    assert kept.mean() > 0.8
    assert set(found.status[kept][:, forearm].ravel()) == {"not_assessed"}
    assert set(found.fault_reason[kept][:, forearm].ravel()) == {"pronation-missing"}
    assert np.isnan(found.probability[:, forearm]).all()
    assert np.isfinite(found.probability[kept][:, ~forearm]).mean() > 0.95


def test_a_recording_that_ends_at_impact_loses_only_what_comes_after(
    assessor: Assessor, assessed: Assessment
) -> None:
    rows = np.flatnonzero(assessed.assessed & assessed.windows.has_pronation & assessed.windows.marked)[:30]
    batch = rows_of(assessed.batch, rows)
    kept = batch.t_s <= (assessed.landmarks_s[rows, 2] + 0.02)[:, None]
    found = assessor.assess(
        replace(
            batch,
            t_s=np.where(kept, batch.t_s, np.nan),
            angles_deg=np.where(kept[:, None], batch.angles_deg, np.nan),
            n_samples=kept.sum(axis=1),
        )
    )
    passed = found.assessed
    column = assessor.catalogue.ids.index("hold_off")
    assert passed.sum() >= 5
    assert set(found.fault_reason[passed, column]) == {"ends-too-soon"}
    assert set(found.status[passed, column]) == {"not_assessed"}
    others = np.delete(found.fault_reason[passed], column, axis=1)
    assert "ends-too-soon" not in others and np.isnan(found.landmarks_s[passed, 3]).all()


def thinned(batch: SwingBatch, step: int) -> SwingBatch:
    return replace(
        batch,
        t_s=batch.t_s[:, ::step],
        angles_deg=batch.angles_deg[:, :, ::step],
        n_samples=-(-batch.n_samples // step),
    )


def test_half_the_rate_says_nearly_the_same(assessor: Assessor, assessed: Assessment) -> None:
    rows = np.flatnonzero(assessed.assessed & (assessed.windows.sample_rate_hz >= 190))[:80]
    found = assessor.assess(thinned(rows_of(assessed.batch, rows), 2))
    assert len(rows) >= 40 and found.assessed.mean() > 0.9
    moved = np.abs(found.probability - assessed.probability[rows])
    assert np.nanmedian(moved) < 0.03 and np.nanquantile(moved, 0.9) < 0.25
    moved_s = np.abs(found.landmarks_s - assessed.landmarks_s[rows])
    assert np.nanmedian(moved_s) < 0.01


def test_too_low_a_rate_is_reported_or_refused(generated: SyntheticSeason, tmp_path: Path) -> None:
    rate = (generated.batch.n_samples - 1) / (
        np.nanmax(generated.batch.t_s, axis=1) - np.nanmin(generated.batch.t_s, axis=1)
    )
    rows = np.flatnonzero((rate > 110) & (rate < 130))[:6]
    for step, reported in ((2, "coarse-rate"), (4, None)):
        write_season(thinned(rows_of(generated.batch, rows), step), tmp_path / f"{step}.parquet")
        (batch,) = open_season([tmp_path / f"{step}.parquet"]).batches()
        for reason, findings in zip(batch.table["reason"], batch.table["findings"], strict=True):
            assert (reason == "" and reported in findings) if reported else reason != ""


@pytest.mark.parametrize(
    ("wrong", "change"),
    [
        ("milliseconds", lambda batch: replace(batch, t_s=batch.t_s * 1000)),
        ("microseconds", lambda batch: replace(batch, t_s=batch.t_s * 1e6)),
        ("radians", lambda batch: replace(batch, angles_deg=np.deg2rad(batch.angles_deg))),
        ("both", lambda batch: replace(batch, t_s=batch.t_s * 1000, angles_deg=np.deg2rad(batch.angles_deg))),
    ],
)
def test_another_unit_is_refused_and_never_answered(
    wrong: str,
    change: Callable[[SwingBatch], SwingBatch],
    assessor: Assessor,
    generated: SyntheticSeason,
    tmp_path: Path,
) -> None:
    full = np.flatnonzero((generated.truth["kind"] == "full").to_numpy())[::10]
    batch = rows_of(generated.batch, full)
    write_season(change(batch), tmp_path / "season.parquet")
    season = open_season([tmp_path / "season.parquet"])
    for read in season.batches():
        found = assessor.assess(read)
        assert (found.reason != "").all(), wrong
        assert np.isnan(found.probability).all()
    assert len(season.take_problems()) >= len(full)


@settings(max_examples=20)
@given(st.integers(0, 299), st.floats(-12, 12), st.floats(-60, 60))
def test_where_the_other_angles_were_set_up_does_not_enter_the_closure(
    assessed: Assessment, row: int, ulnar_deg: float, pronation_deg: float
) -> None:
    """The budget rests on ulnar deviation and pronation relative to address, and on flexion as it is."""
    curves, address = assessed.curves.d_deg[[row]], assessed.curves.address_deg[[row]]
    moved = address + np.array([[0.0, ulnar_deg, pronation_deg]])
    here, there = closure_budget(curves, address), closure_budget(curves, moved)
    np.testing.assert_allclose(there.bend_deg, here.bend_deg, atol=1e-9)
    np.testing.assert_allclose(there.roll_deg, here.roll_deg, atol=1e-9)


def test_probability_rises_as_an_edge_is_drawn_nearer(assessor: Assessor, assessed: Assessment) -> None:
    classifier, signs = assessor.bundle.classifier, assessor.catalogue.signs
    softness = assessor.catalogue.softness_by_fault
    chances = [
        classifier.probability(assessed.posterior, assessed.edges - signs * step * softness)
        for step in (-3, -1, 0, 1, 3)
    ]
    assert (np.diff(chances, axis=0) >= 0).all()


def test_severity_calls_and_probabilities_agree(assessor: Assessor, assessed: Assessment) -> None:
    severity, low, high = assessor.severity(assessed)
    calls = assessor.calls(assessed).texts
    assert (low <= severity).all() and (severity <= high).all() and (low >= 0).all()
    known = assessed.status == "assessed"
    assert set(calls[known]) == {"yes", "borderline", "no"} and set(calls[~known]) == {""}
    assert np.isfinite(assessed.probability[known]).all() and np.isnan(assessed.probability[~known]).all()
    assert (severity[calls == "yes"] > 0).all(), "a fault that is called is past its edge"
    assert assessed.probability[calls == "yes"].min() > assessed.probability[calls == "no"].max()


def test_the_tables_say_what_was_assessed(assessor: Assessor, assessed: Assessment) -> None:
    swings, faults = swings_frame(assessed), faults_frame(assessor, assessed)
    assert len(swings) == 300 and len(faults) == 300 * 17
    assert (swings["assessed"] == (swings["reason"] == "")).all()
    out = ~swings["assessed"]
    assert (
        swings.loc[out, ["takeaway_s", "top_s", "impact_s", "tempo", "closure_total_deg"]].isna().all().all()
    )
    assert not swings.loc[out, "late_save"].any() and not swings.loc[out, "impact_marked"].any()
    known = faults["status"] == "assessed"
    numbers = ["probability", "measure", "measure_sd", "severity", "severity_lo", "severity_hi"]
    assert faults.loc[known, numbers].notna().all().all() and faults.loc[~known, numbers].isna().all().all()
    assert (faults["flagged"] == (faults["call"] == "yes")).all()
    past = known & (faults["severity"] > 0)
    assert (
        faults.loc[past, "onset_phase"].isin(list("bdf")).all()
        and (faults.loc[~past, "onset_phase"] == "").all()
    )
    assert faults.loc[past, "onset_at"].between(0, 1).all()
    parts = [f"closure_{p}_{w}_deg" for p in ("backswing", "downswing", "release") for w in ("bend", "roll")]
    whole = swings["closure_total_deg"].notna()
    np.testing.assert_allclose(swings.loc[whole, parts].sum(axis=1), swings.loc[whole, "closure_total_deg"])
