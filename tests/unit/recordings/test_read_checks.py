"""What the checks of recordings refuse, tell and let pass, each held from both sides of its limit."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from season_fakes import fake_season, fake_swing

from faultml.channels import FLEXION, PRONATION, ULNAR
from faultml.recordings.findings import findings, limits
from faultml.recordings.problems import Problem
from faultml.recordings.read import read_frame
from faultml.recordings.swings import SwingBatch

Change = Callable[[dict], None]


def check(row: dict) -> tuple[str, set[str], list[Problem], SwingBatch]:
    """Reason, findings and problems of one swing between two sound ones."""
    season = fake_season(2)
    ids = {"player": "p1", "session": "2026-05-01", "swing": "odd"}
    frame = pd.DataFrame([season.iloc[0].to_dict(), {**ids, **row}, season.iloc[1].to_dict()])
    batch, problems = read_frame(frame)
    assert batch.table["reason"][0] == "" and batch.table["reason"][2] == "", "the neighbours are untouched"
    assert (batch.n_samples[[0, 2]] > 0).all()
    reason = batch.table["reason"][1]
    assert (batch.n_samples[1] == 0) == (reason != "")
    assert (reason == "") or np.isnan(batch.angles_deg[1]).all()
    return reason, set(batch.table["findings"][1]), [row for row in problems if row.swing == "odd"], batch


def swing(**changes: object) -> dict:
    return {**fake_swing(), **changes}


def flexion_with(at: slice | int, value: float) -> dict:
    row = fake_swing()
    row["flexion_deg"] = row["flexion_deg"].copy()
    row["flexion_deg"][at] = value
    return row


def time_with(change: Callable[[np.ndarray], np.ndarray], rate_hz: float = 200.0) -> dict:
    row = fake_swing(rate_hz)
    row["t_s"] = change(row["t_s"].copy())
    return row


def put(values: np.ndarray, at: int, value: float) -> np.ndarray:
    values[at] = value
    return values


REFUSED = {
    "infinite": (flexion_with(40, np.inf), "not-finite"),
    "infinite time": (time_with(lambda t: put(t, 40, np.inf)), "not-finite"),
    "no flexion at all": (swing(flexion_deg=np.full(402, np.nan)), "channel-missing"),
    "null flexion": (swing(flexion_deg=None), "channel-missing"),
    "empty lists": (swing(t_s=[], flexion_deg=[], ulnar_deg=[], pronation_deg=[]), "time-missing"),
    "no times": (swing(t_s=None), "time-missing"),
    "lengths differ": (swing(flexion_deg=fake_swing()["flexion_deg"][:-1]), "length-mismatch"),
    "long gap": (flexion_with(slice(100, 111), np.nan), "gap"),
    "dropped samples": (
        {name: np.delete(flat, slice(100, 112)) for name, flat in fake_swing().items()},
        "gap",
    ),
    "many short gaps": (flexion_with(slice(1, -1, 2), np.nan), "gap"),
    "stands": (time_with(lambda t: put(t, 40, t[39])), "time-stands"),
    "stands at 500 Hz": (time_with(lambda t: put(t, 40, t[39]), 500.0), "time-stands"),
    "runs back": (time_with(lambda t: put(t, 40, t[30])), "time-runs-back"),
    "reversed": (time_with(lambda t: t[::-1]), "repeated-id"),
    "starts over": (time_with(lambda t: np.concatenate([t[:200], t[:202]])), "repeated-id"),
    "milliseconds": (time_with(lambda t: t * 1000), "unit-suspected"),
    "milliseconds at 500 Hz": (time_with(lambda t: t * 1000, 500.0), "unit-suspected"),
    "microseconds": (time_with(lambda t: t * 1e6), "unit-suspected"),
    "sample numbers": (time_with(lambda t: np.arange(len(t))), "unit-suspected"),
    "days": (time_with(lambda t: t / 86_400), "unit-suspected"),
    "too short": ({name: flat[:90] for name, flat in fake_swing().items()}, "too-short"),
    "few samples": ({name: flat[::30] for name, flat in fake_swing().items()}, "too-short"),
    "slow": ({name: flat[::6] for name, flat in fake_swing().items()}, "low-rate"),
    "too long": (fake_swing(address_s=60.0), "too-long"),
    "dead flexion": (swing(flexion_deg=np.full(402, -18.0)), "dead-channel"),
    "noise only": (swing(ulnar_deg=np.random.default_rng(1).normal(5, 1, 402)), "dead-channel"),
    "broken off at the top": (
        swing(
            ulnar_deg=np.where(
                np.arange(402) < 160, fake_swing()["ulnar_deg"], fake_swing()["ulnar_deg"][160]
            )
        ),
        "frozen-channel",
    ),
    "beyond a wrist": (swing(flexion_deg=fake_swing()["flexion_deg"] * 4), "outside-human-range"),
    "not zeroed": (swing(ulnar_deg=fake_swing()["ulnar_deg"] + 95), "outside-human-range"),
}


def test_a_channel_that_only_drifts_is_refused_without_a_problem() -> None:
    row = swing(ulnar_deg=np.random.default_rng(1).normal(np.linspace(5, 7, 402), 0.5))
    reason, _, problems, _ = check(row)
    assert reason == "quiet-channel" and not problems


def test_a_channel_that_rests_at_the_finish_is_not_frozen() -> None:
    flat = fake_swing()["flexion_deg"]
    assert check(swing(flexion_deg=np.where(np.arange(402) < 380, flat, flat[380])))[0] == ""


@pytest.mark.parametrize("case", REFUSED)
def test_refused_with_its_reason_and_a_problem_row(case: str) -> None:
    row, code = REFUSED[case]
    reason, _, problems, _ = check(row)
    assert reason == code
    (problem, *_) = [problem for problem in problems if problem.code == code]
    assert problem.row == 2 and problem.player == "p1"
    assert problem.expected and problem.found


@pytest.mark.parametrize(
    "names", [["flexion_deg"], ["ulnar_deg"], ["flexion_deg", "ulnar_deg", "pronation_deg"]]
)
def test_radians_are_suspected_never_scaled(names: list[str]) -> None:
    row = fake_swing()
    for channel in names:
        row[channel] = np.deg2rad(row[channel])
    assert check(row)[0] == "unit-suspected"
    assert check({**row, "pronation_deg": None})[0] == "unit-suspected"


def test_what_hardly_moves_is_no_swing_but_sound() -> None:
    """A putt: whether it is a swing is not for the checks to say, and it is no fault of the sensor."""
    rng = np.random.default_rng(2)
    wrist = {name: rng.normal(at, 0.8, 402) for name, at in (("flexion_deg", -20), ("ulnar_deg", 9))}
    putt = {**fake_swing(), **wrist, "pronation_deg": 5 + 4 * np.sin(np.arange(402) / 60)}
    reason, _, problems, _ = check(putt)
    assert (reason, problems) == ("", [])


PASSES = {
    "50 Hz": fake_swing(50.0),
    "60 Hz with noise": fake_swing(60.0, noise_deg=2.0),
    "500 Hz with noise": fake_swing(500.0, noise_deg=2.0),
    "1000 Hz": fake_swing(1000.0, noise_deg=0.5),
    "address of 50 ms": fake_swing(address_s=0.05),
    "long still address": fake_swing(address_s=6.0),
    "late clock": time_with(lambda t: t + 1.7e9),
    "negative clock": time_with(lambda t: t - 100),
    "jitter of a tenth": time_with(lambda t: t + np.random.default_rng(0).normal(0, 0.0005, len(t))),
    "ms-rounded at 240 Hz": time_with(lambda t: np.round(t, 3), 240.0),
    "ms-rounded at 480 Hz": time_with(lambda t: np.round(t, 3), 480.0),
    "tenths of a degree": {**fake_swing(), "flexion_deg": np.round(fake_swing()["flexion_deg"], 1)},
    "whole degrees": {**fake_swing(), "ulnar_deg": np.round(fake_swing()["ulnar_deg"])},
    "small flexion": swing(flexion_deg=fake_swing()["flexion_deg"] * 0.25),
    "relative to address": swing(
        flexion_deg=fake_swing()["flexion_deg"] + 18, ulnar_deg=fake_swing()["ulnar_deg"] - 8
    ),
}


@pytest.mark.parametrize("case", PASSES)
def test_sound_swings_pass_without_a_word(case: str) -> None:
    reason, codes, problems, batch = check(PASSES[case])
    assert (reason, problems) == ("", [])
    assert codes <= {"coarse-rate", "noisy"}
    n_samples = len(PASSES[case]["t_s"])
    np.testing.assert_array_equal(batch.t_s[1, :n_samples], PASSES[case]["t_s"])
    np.testing.assert_array_equal(batch.angles_deg[1, FLEXION, :n_samples], PASSES[case]["flexion_deg"])


def test_an_almost_still_channel_of_a_swing_is_not_dead() -> None:
    row = fake_swing(50.0, noise_deg=0.5)
    row["flexion_deg"] = row["flexion_deg"] * 0.2
    assert check(row)[0] == ""


def test_coarse_sampling_is_reported() -> None:
    assert "coarse-rate" in check(fake_swing(60.0))[1]
    assert "coarse-rate" not in check(fake_swing(90.0))[1]


def test_equal_stamps_of_a_rounded_fast_clock_are_merged() -> None:
    row = fake_swing(1000.0)
    jitter = np.random.default_rng(3).normal(0, 0.00015, len(row["t_s"]))
    row["t_s"] = np.sort(np.round(row["t_s"] + 0.0004 + jitter, 3))
    stands = int((np.diff(row["t_s"]) == 0).sum())
    reason, codes, problems, batch = check(row)
    assert stands > 0 and (reason, problems) == ("", [])
    assert "times-rounded" in codes
    assert batch.n_samples[1] == len(row["t_s"]) - stands
    kept = slice(batch.n_samples[1])
    assert (np.diff(batch.t_s[1, kept]) > 0).all()
    first = np.concatenate([[True], np.diff(row["t_s"]) > 0])
    np.testing.assert_array_equal(batch.angles_deg[1, FLEXION, kept], row["flexion_deg"][first])


@pytest.mark.parametrize("n_lost", [1, 4, 10])
def test_gaps_up_to_50_ms_are_filled_smoothly(n_lost: int) -> None:
    whole = fake_swing()
    at = 240  # in the downswing, where the wrist is fastest
    row = flexion_with(slice(at, at + n_lost), np.nan)
    reason, codes, problems, batch = check(row)
    assert reason == "" and {"gap-filled", "missing-value"} <= codes
    assert [problem.code for problem in problems] == ["missing-value"]
    filled = batch.angles_deg[1, FLEXION, :402]
    np.testing.assert_array_equal(
        np.delete(filled, slice(at, at + n_lost)), np.delete(whole["flexion_deg"], slice(at, at + n_lost))
    )
    assert np.abs(filled - whole["flexion_deg"]).max() < (0.05 if n_lost < 10 else 1.0)


def test_filling_does_not_amplify_noise() -> None:
    errors = []
    for seed in range(40):
        row = fake_swing(500.0, noise_deg=1.0, seed=seed)
        truth = fake_swing(500.0)["flexion_deg"]
        row["flexion_deg"] = row["flexion_deg"].copy()
        row["flexion_deg"][100:125] = np.nan
        errors.append(check(row)[3].angles_deg[1, FLEXION, 100:125] - truth[100:125])
    assert np.sqrt(np.mean(np.square(errors))) < 1.2


def test_a_lost_time_is_a_lost_sample() -> None:
    reason, codes, problems, batch = check(time_with(lambda t: put(t, 40, np.nan)))
    assert reason == "" and batch.n_samples[1] == 401
    assert "gap-filled" in codes and [problem.code for problem in problems] == ["missing-value"]


def test_dropped_samples_are_reported() -> None:
    row = {name: np.delete(flat, slice(100, 108)) for name, flat in fake_swing().items()}
    reason, codes, problems, batch = check(row)
    assert (reason, problems) == ("", []) and "gap-filled" in codes and batch.n_samples[1] == 394


def test_ends_without_angles_are_trimmed() -> None:
    row = flexion_with(slice(0, 30), np.nan)
    reason, codes, _, batch = check(row)
    assert reason == "" and "ends-trimmed" in codes and "gap-filled" not in codes
    assert batch.n_samples[1] == 372 and batch.t_s[1, 0] == pytest.approx(0.15)


def test_uneven_times_are_reported() -> None:
    rng = np.random.default_rng(5)
    row = time_with(lambda t: np.cumsum(rng.choice([0.002, 0.009], len(t))))
    row |= {
        name: np.interp(row["t_s"], fake_swing()["t_s"], fake_swing()[name])
        for name in ("flexion_deg", "ulnar_deg")
    }
    reason, codes, _, _ = check(row)
    assert reason == "" and "uneven-times" in codes


def test_an_inflated_but_sound_deviation_is_assessed_with_a_finding() -> None:
    """A real optical capture with a single knuckle marker reads down to -71 degrees and must be kept."""
    reason, codes, problems, _ = check(swing(ulnar_deg=fake_swing()["ulnar_deg"] * 2.6))
    assert (reason, problems) == ("", []) and "beyond-common-range" in codes


def test_clipping_is_seen_and_a_fast_smooth_release_is_not() -> None:
    rate = np.zeros(500)
    rate[280:310] = 2400 * np.sin(np.linspace(0, np.pi, 30))
    clipped = -40 + np.cumsum(np.clip(rate, -2000, 2000)) / 500
    row = {
        "t_s": np.arange(500) / 500,
        "flexion_deg": fake_swing(500.0)["flexion_deg"][:500],
        "ulnar_deg": clipped,
    }
    reason, codes, _, _ = check(row)
    assert reason == "" and "clipping" in codes
    smooth = -40 + np.cumsum(rate * 0.8) / 500
    assert "clipping" not in check({**row, "ulnar_deg": smooth})[1]


def test_a_jump_is_reported() -> None:
    """A step that stays: what comes back within three samples is a spike."""
    row = fake_swing()
    row["flexion_deg"] = row["flexion_deg"] + np.where(np.arange(402) < 300, 0, 30).astype(np.float32)
    assert check(row)[1] == {"jump"}


class TestPronation:
    def test_missing_is_reported(self) -> None:
        reason, codes, problems, batch = check(swing(pronation_deg=None))
        assert (reason, codes, problems) == ("", {"pronation-missing"}, [])
        assert np.isnan(batch.angles_deg[1, PRONATION]).all()
        assert np.isfinite(batch.angles_deg[1, ULNAR, :402]).all()

    @pytest.mark.parametrize(
        "flat",
        [
            np.full(402, 12.0),
            np.where(np.arange(402) < 80, np.nan, fake_swing()["pronation_deg"]),
            fake_swing()["pronation_deg"] * 5,
        ],
        ids=["dead", "partly lost", "beyond a forearm"],
    )
    def test_unusable_is_left_out(self, flat: np.ndarray) -> None:
        reason, codes, _, batch = check(swing(pronation_deg=flat))
        assert reason == "" and "pronation-unusable" in codes and "pronation-missing" not in codes
        assert np.isnan(batch.angles_deg[1, PRONATION]).all()

    def test_short_gap_is_filled(self) -> None:
        flat = fake_swing()["pronation_deg"].copy()
        flat[100:104] = np.nan
        reason, codes, _, batch = check(swing(pronation_deg=flat))
        assert reason == "" and "gap-filled" in codes
        np.testing.assert_allclose(
            batch.angles_deg[1, PRONATION, :402], fake_swing()["pronation_deg"], atol=0.1
        )


class TestWords:
    def test_known_words_pass_whatever_their_case(self) -> None:
        row = swing(hand="Left", club="7 iron", context="Retest", shot=["Push", "hook"], impact_s=1.36)
        reason, codes, problems, batch = check(row)
        assert (reason, codes, problems) == ("", set(), [])
        settled = batch.table.loc[1, ["hand", "club", "context", "shot", "impact_s"]].tolist()
        assert settled == ["left", "7 iron", "retest", ("push", "hook"), 1.36]

    def test_defaults(self) -> None:
        batch = check(swing())[3]
        assert batch.table.loc[1, ["hand", "club", "context", "shot"]].tolist() == ["", "", "play", ()]
        assert np.isnan(batch.table["impact_s"][1])

    @pytest.mark.parametrize(
        ("given", "code", "column", "settled"),
        [
            ({"hand": "both"}, "unknown-hand", "hand", ""),
            ({"context": "range"}, "unknown-context", "context", "play"),
            ({"shot": ["hook", "banana"]}, "unknown-shot", "shot", ("hook",)),
        ],
    )
    def test_unknown_words_are_reported_and_the_swing_assessed(
        self, given: dict, code: str, column: str, settled: object
    ) -> None:
        reason, codes, problems, batch = check(swing(**given))
        assert reason == "" and code in codes and [problem.code for problem in problems] == [code]
        assert batch.table[column][1] == settled

    @pytest.mark.parametrize("impact_s", [-0.1, 2.5, np.inf])
    def test_a_mark_outside_is_left_aside(self, impact_s: float) -> None:
        reason, codes, problems, batch = check(swing(impact_s=impact_s))
        assert reason == "" and "impact-outside" in codes and len(problems) == 1
        assert np.isnan(batch.table["impact_s"][1])


def test_missing_and_repeated_ids() -> None:
    season = fake_season(5)
    season.loc[1, "swing"] = ""
    season.loc[2, "player"] = None
    season.loc[4, "swing"] = "001"
    batch, problems = read_frame(season)
    assert batch.table["reason"].tolist() == ["repeated-id", "missing-id", "missing-id", "", "repeated-id"]
    assert len(problems) == 4
    assert batch.table["player"].tolist() == ["p1", "p1", "", "p1", "p1"]


def test_every_code_is_described_and_no_description_is_idle() -> None:
    import re
    from pathlib import Path

    import faultml

    rooms = [
        Path(faultml.__file__).parent / room
        for room in ("recordings", "quality", "classifier", "importing", "season")
    ]
    source = "".join(
        path.read_text() for room in rooms for path in room.glob("*.py") if path.name != "findings.py"
    )
    for code, finding in findings().items():
        assert f'"{code}"' in source, f"{code} is never given"
        assert finding.words and finding.docs
        assert re.fullmatch(r"[a-z]+(-[a-z0-9]+)*", code)
        # A quiet channel is mostly a short shot: an answer, not a problem of the input.
        assert finding.severity != "refuse" or finding.problem or code in {"quiet-channel", "no-full-swing"}
    assert limits().longest_gap_s == 0.05
