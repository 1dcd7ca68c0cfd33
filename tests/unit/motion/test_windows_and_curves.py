"""Windows around the fastest moment, and the curves relative to address read off them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from season_fakes import BACKSWING_S, DOWNSWING_S, FOLLOW_S, LANDMARKS, fake_angles, fake_times

from faultml.channels import CHANNELS, PRONATION
from faultml.faults.measure import IMPACT_INDEX, PHASE_GRID, TOP_INDEX
from faultml.motion.curves import Curves
from faultml.motion.landmark_model import Landmarks
from faultml.motion.window import AFTER_S, BEFORE_S, OFFSETS_S, Windows, make_windows
from faultml.recordings.swings import SwingBatch

Array = NDArray[np.float64]
ADDRESS_S = 0.5
TRUE_S = np.cumsum([ADDRESS_S, BACKSWING_S, DOWNSWING_S, FOLLOW_S])


def one_swing(
    rate_hz: float = 200.0,
    starts_s: float = 0.0,
    impact_s: float = np.nan,
    pronation: bool = True,
    until_s: float = np.inf,
) -> SwingBatch:
    """A smooth swing whose landmarks are known, on a clock that starts at `starts_s`."""
    t_s = fake_times(rate_hz, address_s=ADDRESS_S)
    t_s = t_s[t_s <= until_s]
    angles = fake_angles(t_s, ADDRESS_S)
    angles_deg = np.stack([angles[name].astype(float) for name in CHANNELS])
    if not pronation:
        angles_deg[PRONATION] = np.nan
    table = pd.DataFrame({"impact_s": [impact_s + starts_s]})
    return SwingBatch(table, t_s[None] + starts_s, angles_deg[None], np.array([len(t_s)]))


def at_truth(windows: Windows) -> Landmarks:
    """The swing's own landmarks, whatever its clock (it starts `ADDRESS_S` before the takeaway)."""
    offset_s = windows.start_s[:, None] + TRUE_S
    return Landmarks(offset_s, np.full((len(windows), 4), 0.01))


def test_a_window_is_centred_on_the_fastest_moment() -> None:
    windows = make_windows(one_swing())
    assert windows.angles_deg.shape == windows.rates_dps.shape == (1, 3, len(OFFSETS_S))
    assert TRUE_S[1] < windows.anchor_s[0] < TRUE_S[2] + 0.1, "coming down"
    assert (windows.start_s[0], windows.end_s[0]) == pytest.approx(
        (-windows.anchor_s[0], fake_times(200.0, address_s=ADDRESS_S)[-1] - windows.anchor_s[0])
    )
    assert windows.sample_rate_hz[0] == pytest.approx(200.0)
    assert OFFSETS_S[0] == -BEFORE_S and OFFSETS_S[-1] < AFTER_S


def test_a_window_shows_the_angles_of_the_recording() -> None:
    batch = one_swing()
    windows = make_windows(batch)
    asked = np.linspace(0.6, 1.5, 40)
    read = windows.angles_at((asked - windows.anchor_s[0])[None])[0]
    expected = np.stack([fake_angles(asked, ADDRESS_S)[name] for name in CHANNELS])
    np.testing.assert_allclose(read, expected, atol=1.0)
    rates = windows.rates_at((asked - windows.anchor_s[0])[None])[0]
    exact = np.gradient(expected, asked, axis=1)
    assert np.corrcoef(rates.ravel(), exact.ravel())[0, 1] > 0.99


def test_beyond_the_recording_the_angles_are_held() -> None:
    windows = make_windows(one_swing())
    before, after = windows.start_s[0] - 0.2, windows.end_s[0] + 0.2
    held = windows.angles_at(np.array([[before, after]]))[0]
    first = [LANDMARKS[name][0] for name in CHANNELS]
    last = [LANDMARKS[name][3] for name in CHANNELS]
    np.testing.assert_allclose(held.T, [first, last], atol=0.2)
    np.testing.assert_allclose(windows.rates_at(np.array([[before, after]])), 0, atol=1e-6)


@pytest.mark.parametrize(
    ("from_anchor_s", "marked"), [(0.05, True), (-0.3, True), (0.6, False), (-2.0, False)]
)
def test_a_mark_far_from_the_fastest_moment_is_left_aside(from_anchor_s: float, marked: bool) -> None:
    anchor_s = make_windows(one_swing()).anchor_s[0]
    windows = make_windows(one_swing(impact_s=anchor_s + from_anchor_s))
    assert windows.marked.tolist() == [marked]
    assert not marked or windows.mark_s[0] == pytest.approx(from_anchor_s)


def test_the_clock_of_the_recording_moves_nothing_but_the_anchor() -> None:
    here, later = (
        make_windows(one_swing(impact_s=1.6)),
        make_windows(one_swing(starts_s=1000.0, impact_s=1.6)),
    )
    assert later.anchor_s[0] == pytest.approx(here.anchor_s[0] + 1000, abs=1e-6)
    np.testing.assert_allclose(later.angles_deg, here.angles_deg, atol=1e-6)
    assert later.mark_s[0] == pytest.approx(here.mark_s[0], abs=1e-6)


def test_noise_is_seen_channel_by_channel() -> None:
    batch = one_swing()
    shaken = batch.angles_deg.copy()
    shaken[0, 1] += np.random.default_rng(0).normal(0, 1.0, shaken.shape[2])
    quiet, noisy = (
        make_windows(batch).noise_deg[0],
        make_windows(replace(batch, angles_deg=shaken)).noise_deg[0],
    )
    assert noisy[1] > quiet[1] + 1
    np.testing.assert_allclose(noisy[[0, 2]], quiet[[0, 2]])


def test_refused_swings_keep_their_place() -> None:
    batch = one_swing()
    both = SwingBatch(
        pd.concat([batch.table, batch.table], ignore_index=True),
        np.concatenate([np.full_like(batch.t_s, np.nan), batch.t_s]),
        np.concatenate([np.full_like(batch.angles_deg, np.nan), batch.angles_deg]),
        np.array([0, *batch.n_samples]),
    )
    windows, alone = make_windows(both), make_windows(batch)
    assert len(windows) == 2 and np.isfinite(windows.angles_deg).all()
    np.testing.assert_array_equal(windows.angles_deg[1], alone.angles_deg[0])
    assert windows.anchor_s[1] == alone.anchor_s[0]


def test_curves_are_relative_to_the_still_address() -> None:
    windows = make_windows(one_swing())
    curves = Curves.read(windows, at_truth(windows))
    np.testing.assert_allclose(curves.address_deg[0], [LANDMARKS[name][0] for name in CHANNELS], atol=0.1)
    for index, landmark in ((TOP_INDEX, 1), (IMPACT_INDEX, 2)):
        expected = [LANDMARKS[name][landmark] - LANDMARKS[name][0] for name in CHANNELS]
        np.testing.assert_allclose(curves.d_deg[0, :, index], expected, atol=1.0)
    np.testing.assert_allclose(curves.d_deg[0, :, 0], 0, atol=0.3)


def test_a_waggle_before_the_address_does_not_move_it() -> None:
    batch = one_swing()
    waggled = batch.angles_deg.copy()
    early = batch.t_s[0] < 0.18
    waggled[0, :, early] += 15 * np.sin(40 * batch.t_s[0, early])[:, None]
    windows = make_windows(replace(batch, angles_deg=waggled))
    curves = Curves.read(windows, at_truth(windows))
    np.testing.assert_allclose(curves.address_deg[0], [LANDMARKS[name][0] for name in CHANNELS], atol=0.5)


def test_a_knock_at_address_does_not_move_it() -> None:
    """The median: a few readings off, however far, are outvoted."""
    batch = one_swing()
    knocked = batch.angles_deg.copy()
    knocked[0, :, (batch.t_s[0] > 0.30) & (batch.t_s[0] < 0.38)] += 40
    windows = make_windows(replace(batch, angles_deg=knocked))
    curves = Curves.read(windows, at_truth(windows))
    np.testing.assert_allclose(curves.address_deg[0], [LANDMARKS[name][0] for name in CHANNELS], atol=0.5)


def test_what_was_not_recorded_is_not_drawn() -> None:
    cut = make_windows(one_swing(until_s=TRUE_S[2] + 0.1 * DOWNSWING_S))
    curves = Curves.read(cut, at_truth(cut))
    drawn = np.isfinite(curves.d_deg[0])
    assert drawn[:, : IMPACT_INDEX + 5].all() and not drawn[:, PHASE_GRID > 2.15].any()
    no_forearm = make_windows(one_swing(pronation=False))
    assert no_forearm.has_pronation.tolist() == [False]
    curves = Curves.read(no_forearm, at_truth(no_forearm))
    assert np.isnan(curves.d_deg[0, PRONATION]).all() and np.isfinite(curves.d_deg[0, :PRONATION]).all()


def test_shifting_a_landmark_reads_the_curve_elsewhere_about_the_same_address() -> None:
    windows = make_windows(one_swing())
    curves = Curves.read(windows, at_truth(windows))
    late = curves.shifted(windows, "impact", np.array([0.02]))
    np.testing.assert_array_equal(late.address_deg, curves.address_deg)
    assert late.offset_s[0, 2] == pytest.approx(curves.offset_s[0, 2] + 0.02)
    np.testing.assert_allclose(late.d_deg[0, :, :TOP_INDEX], curves.d_deg[0, :, :TOP_INDEX])
    at = windows.angles_at(late.offset_s[:, [2]])[0, :, 0] - curves.address_deg[0]
    np.testing.assert_allclose(late.d_deg[0, :, IMPACT_INDEX], at)
    halfway = (TOP_INDEX + IMPACT_INDEX) // 2
    assert np.abs(late.d_deg[0, :, halfway] - curves.d_deg[0, :, halfway]).max() > 1
