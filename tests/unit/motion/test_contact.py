"""The shock of contact: placed where it is one, left unmarked where something else may have made it."""

from __future__ import annotations

import numpy as np
import pytest

from faultml.motion.contact import ACCELERATION, ANGULAR_RATE, find_shock
from faultml.synthetic.contact import NO_CONTACT, ContactRecorder, draw_shocks

RATE_HZ, AT_S = 400.0, 1.3013
T_S = np.arange(0, 2.0, 1 / RATE_HZ)


def swing(t_s: np.ndarray = T_S) -> np.ndarray:
    """Three axes in m/s2: gravity, and the pull of an arm that is fastest about the contact."""
    bell = np.exp(-0.5 * ((t_s - AT_S) / 0.08) ** 2)
    return np.stack([9.81 + 0 * t_s, -110 * bell, 40 * np.gradient(bell, t_s) / 10])


def shock(at_s: float, size: float = 120.0, t_s: np.ndarray = T_S) -> np.ndarray:
    since = t_s - at_s
    wave = np.where(since >= 0, np.exp(-np.maximum(since, 0) / 0.008) * np.cos(2 * np.pi * 70 * since), 0)
    return size * np.array([[0.6], [0.5], [0.62]]) * wave


def seen(signal: np.ndarray, t_s: np.ndarray = T_S, fastest_s: float = AT_S - 0.03) -> str:
    return find_shock(t_s, signal, fastest_s, ACCELERATION).seen


def test_a_contact_is_placed_within_its_doubt() -> None:
    found = find_shock(T_S, swing() + shock(AT_S), AT_S - 0.03, ACCELERATION)
    assert found.marked and abs(found.at_s - AT_S) <= 1 / RATE_HZ and 0.001 < found.sd_s < 0.0025


def test_a_norm_serves_as_well_and_turning_the_sensor_changes_nothing() -> None:
    signal = swing() + shock(AT_S)
    turned = np.array([[0.0, 0.6, 0.8], [1.0, 0.0, 0.0], [0.0, 0.8, -0.6]]) @ signal
    places = [find_shock(T_S, each, AT_S, ACCELERATION).at_s for each in (signal, turned)]
    assert places[0] == pytest.approx(places[1])
    fast_s = np.arange(0, 2.0, 1 / 800)
    along = swing(fast_s) + shock(AT_S, -60, fast_s)[[2, 0, 1]] * [[0.2], [1.5], [0.3]]
    norm = np.linalg.norm(along, axis=0, keepdims=True)
    assert find_shock(fast_s, norm, AT_S, ACCELERATION).at_s == pytest.approx(AT_S, abs=1 / 800)


def test_a_swing_without_a_ball_shows_none() -> None:
    assert seen(swing()) == "none"


@pytest.mark.parametrize(
    "signal",
    [
        swing() + shock(AT_S - 0.015, 90) + shock(AT_S, 120),
        swing() + shock(AT_S, 90) + shock(AT_S + 0.03, 220),
        swing() + shock(AT_S) + shock(AT_S - 0.2, 60),
    ],
    ids=["ground before ball", "a stronger one after it", "a knock before"],
)
def test_two_events_are_left_unmarked(signal: np.ndarray) -> None:
    assert seen(signal) == "unclear"


def test_a_knock_elsewhere_is_no_contact() -> None:
    assert seen(swing() + shock(AT_S + 0.35)) == "none"


def test_what_rises_slowly_is_left_unmarked() -> None:
    since = np.maximum(T_S - AT_S, 0)
    brush = 90 * np.minimum(since / 0.02, 1) * np.exp(-since / 0.04) * np.sin(2 * np.pi * 60 * since)
    assert seen(swing() + brush) == "unclear"


def test_an_axis_at_its_limit_hides_a_contact_and_makes_none() -> None:
    limit = 8 * 9.81
    assert seen(np.clip(swing(), -limit, limit)) != "marked"
    assert seen(np.clip(swing() + shock(AT_S), -limit, limit)) == "unclear"
    loose = 16 * 9.81
    assert seen(np.clip(swing() + shock(AT_S), -loose, loose)) == "marked"


def test_lost_samples_before_the_onset_leave_it_unmarked() -> None:
    signal = swing() + shock(AT_S)
    signal[:, np.searchsorted(T_S, AT_S) - 1] = np.nan
    assert seen(signal) == "unclear"


@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 200.0])
def test_slow_recorders_place_no_contact_and_deny_none(rate_hz: float) -> None:
    t_s = np.arange(0, 2.0, 1 / rate_hz)
    assert seen(swing(t_s) + shock(AT_S, t_s=t_s), t_s) == "unclear"
    assert seen(swing(t_s), t_s) == "unclear"


def test_a_wrong_unit_places_nothing() -> None:
    assert seen((swing() + shock(AT_S)) * 9.80665) == "unit"
    assert find_shock(T_S, swing() * 573, AT_S, ANGULAR_RATE).seen == "unit"


def test_far_from_the_fastest_moment_is_none_and_outside_the_recording_unclear() -> None:
    signal = swing() + shock(AT_S)
    assert seen(signal, fastest_s=AT_S - 0.4) == "none"
    assert seen(signal, fastest_s=9.0) == "unclear"
    assert find_shock(T_S[:2], signal[:, :2], 0.0, ACCELERATION).seen == "unclear"


def test_drawn_contacts_are_placed_and_nothing_else_is() -> None:
    """A small draw; docs/contact.md has the large one, on forms that the thresholds were not tuned on."""
    random = np.random.default_rng(20)
    recorder = ContactRecorder(800.0, 400.0, 16 * 9.81, clips_first=True)
    hits = draw_shocks(40, "contact", "two", "cosh", recorder, random)
    found = [
        find_shock(t_s, felt, near, ACCELERATION)
        for t_s, felt, near in zip(hits.t_s, hits.acceleration_mps2, hits.anchor_s, strict=True)
    ]
    marked = np.array([each.at_s for each in found if each.marked])
    assert len(marked) >= 15 and np.abs(marked).max() <= 0.005
    for kind in NO_CONTACT:
        drawn = draw_shocks(15, kind, "two", "bell", recorder, random)
        for t_s, felt, near in zip(drawn.t_s, drawn.acceleration_mps2, drawn.anchor_s, strict=True):
            assert not find_shock(t_s, felt, near, ACCELERATION).marked
