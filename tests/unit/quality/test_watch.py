"""The watch: like training it is silent, unlike it says what; chance is reckoned with golfers, and sums are whole."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import ks_2samp

from faultml.classifier.bundle import MANIFEST_FILE, MODEL_FILE, default_bundle_path, load_bundle
from faultml.errors import BundleError
from faultml.pipelines.training.reference import likeness, reference_of
from faultml.quality.reference import BINS, REFERENCE_FILE, Reference, load_reference, save_reference
from faultml.quality.watch import (
    Tally,
    compare_to,
    effective_swings,
    tally,
    watch_sentences,
    words_of,
)

NAMES = (
    "setting:marked",
    "setting:has_pronation",
    "setting:rate",
    "timing:tempo",
    "setting:noise:flexion_deg",
)


def swings(
    golfers: int, each: int, seed: int, *, tempo: float = 1.1, noise: float = 0.0
) -> tuple[NDArray, NDArray]:
    """Feature values of some golfers' swings, marked, with a forearm, at 100 Hz; and whose they are."""
    random = np.random.default_rng(seed)
    golfer = np.repeat(np.arange(golfers), each)
    own = random.normal(0, 0.2, (golfers, 2))[golfer] + random.normal(0, 0.15, (golfers * each, 2))
    ones = np.ones(len(golfer))
    values = np.column_stack([ones, ones, np.log(100) * ones, tempo + own[:, 0], noise + own[:, 1]])
    return values, np.array([f"p{k}" for k in golfer], dtype=object)


@pytest.fixture(scope="module")
def reference() -> Reference:
    return reference_of("0" * 64, NAMES, *swings(400, 6, 1))


def compared(reference: Reference, values: NDArray, players: NDArray) -> list[dict]:
    return compare_to(reference, tally(reference, NAMES, values, players))


class TestReference:
    def test_shares_are_those_of_the_quantiles(self, reference: Reference) -> None:
        reading = reference.kinds["forearm_marked"].readings["timing:tempo"]
        assert len(reading.shares) == BINS
        assert reading.shares == pytest.approx([0.005, 0.095, *[0.1] * 8, 0.095, 0.005], abs=0.003)
        assert set(reference.kinds) == {"forearm_marked"}

    def test_a_golfers_swings_are_alike_as_far_as_they_are(self) -> None:
        golfer = np.repeat(np.arange(300), 5)
        random = np.random.default_rng(2)
        assert likeness(random.integers(0, BINS, len(golfer)), golfer) < 0.03
        assert likeness(random.integers(0, BINS, 300)[golfer], golfer) == pytest.approx(1)

    def test_it_comes_back_as_it_was_and_belongs_to_one_model(
        self, reference: Reference, tmp_path: Path
    ) -> None:
        assert load_reference(tmp_path, "0" * 64) is None
        save_reference(tmp_path, reference)
        assert load_reference(tmp_path, "0" * 64) == reference
        with pytest.raises(BundleError, match="bad-reference"):
            load_reference(tmp_path, "1" * 64)
        (tmp_path / REFERENCE_FILE).write_text('{"schema": 1, "code": "x"}')
        with pytest.raises(BundleError, match="bad-reference"):
            load_reference(tmp_path, "0" * 64)

    def test_a_bundle_with_anothers_reference_still_assesses(
        self, reference: Reference, tmp_path: Path
    ) -> None:
        for name in (MODEL_FILE, MANIFEST_FILE):
            shutil.copy(default_bundle_path() / name, tmp_path)
        save_reference(tmp_path, reference)
        with pytest.warns(UserWarning, match="bad-reference"):
            assert load_bundle(tmp_path).reference is None


class TestWatch:
    def test_seasons_like_training_are_seldom_called_unlike(self, reference: Reference) -> None:
        alarms = sum(
            bool(watch_sentences(compared(reference, *swings(12, 10, seed)))) for seed in range(100, 200)
        )
        assert alarms <= 4  # 1 in 100 at most by design, and then only past 5 % outside

    def test_another_tempo_is_named_and_noise_is_not(self, reference: Reference) -> None:
        watched = compared(reference, *swings(12, 10, 3, tempo=2.2))
        (line,) = watch_sentences(watched)
        assert "100 Hz" in line and "unlike what the model knows: tempo." in line and "12 players" in line
        (row,) = [each for each in watched[0]["features"] if each["unlike"]]
        assert row["outside"] > 0.9 and row["psi"] > row["psi_by_chance"]

    def test_a_narrower_season_is_shifted_at_most_and_never_unlike(self, reference: Reference) -> None:
        values, players = swings(60, 10, 4)
        values[:, 3] = 1.1 + 0.1 * (values[:, 3] - 1.1)
        (recorder,) = compared(reference, values, players)
        (tempo,) = recorder["features"]
        assert tempo["shifted"] and not tempo["unlike"] and watch_sentences([recorder]) == []

    def test_one_golfers_hundred_swings_prove_less_than_many_golfers(self, reference: Reference) -> None:
        outlier, many = swings(1, 100, 5, tempo=1.75), swings(100, 1, 5, tempo=1.75)
        (one,), (all_of_them,) = (compared(reference, *each) for each in (outlier, many))
        assert [row["unlike"] for row in all_of_them["features"] if row["words"] == "tempo"] == [True]
        assert not any(row["unlike"] for row in one["features"])

    def test_the_gap_is_that_of_kolmogorov_and_smirnov_within_a_bin(self, reference: Reference) -> None:
        training, _ = swings(400, 6, 1)
        values, players = swings(50, 10, 6, tempo=1.5)
        (recorder,) = compared(reference, values, players)
        row = next(each for each in recorder["features"] if each["words"] == "tempo")
        exact = ks_2samp(training[:, 3], values[:, 3]).statistic
        assert exact - 0.1 <= row["ks"] <= exact + 0.002

    def test_parts_add_up_to_the_whole_in_any_order(self, reference: Reference) -> None:
        values, players = swings(10, 12, 7, tempo=1.6)
        whole = compared(reference, values, players)
        order = np.random.default_rng(8).permutation(len(values))
        sums = Tally()
        for part in np.array_split(order, 7):
            sums.add(tally(reference, NAMES, values[part], players[part]))
        assert compare_to(reference, sums) == whole

    def test_a_kind_that_training_lacked_is_reported(self, reference: Reference) -> None:
        values, players = swings(4, 10, 9)
        values[:, 0] = 0
        (line,) = watch_sentences(compared(reference, values, players))
        assert "without contact marks" in line and "has not learned from" in line

    def test_without_a_reference_nothing_is_said(self) -> None:
        values, players = swings(4, 10, 9)
        assert compare_to(None, tally(None, NAMES, values, players)) == []

    def test_recorders_are_bounded_whatever_the_rates(self, reference: Reference) -> None:
        values, players = swings(500, 10, 10)
        values[:, 2] = np.log(np.random.default_rng(1).uniform(40, 1000, len(values)))
        assert len(tally(reference, NAMES, values, players).counts) < 45

    def test_independent_swings_are_between_golfers_and_swings(self) -> None:
        size = np.full(10, 20.0)
        assert effective_swings(size, 1.0) == pytest.approx(10)
        assert effective_swings(size, 0.0) == pytest.approx(200)


def test_every_watched_feature_has_words() -> None:
    bundle = load_bundle()
    watched = [
        name for name in bundle.manifest.features if name.startswith(("measure:", "timing:", "setting:"))
    ]
    lacking = [name for name in watched if words_of(name) == name]
    assert lacking == ["setting:has_pronation", "setting:marked"]
