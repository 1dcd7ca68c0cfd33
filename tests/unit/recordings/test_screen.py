"""The screen lets a swing through only where every check would have, whatever is done to it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from faultml.recordings import checks
from faultml.recordings.checks import Checked, check_swings
from faultml.recordings.findings import limits
from faultml.recordings.raw import RawSwings, raw_table
from faultml.recordings.screen import flat_samples, screen
from faultml.synthetic.season import SyntheticSeason

Array = NDArray[np.float64]
Change = Callable[[Array, Array, np.random.Generator], tuple[Array, Array]]


def _put(channel: int, value: float) -> Change:
    def change(t_s: Array, angles: Array, random: np.random.Generator) -> tuple[Array, Array]:
        angles[channel, random.integers(3, len(t_s) - 3)] = value
        return t_s, angles

    return change


def _moved(channel: int, by_deg: float, times: float = 1.0) -> Change:
    def change(t_s: Array, angles: Array, random: np.random.Generator) -> tuple[Array, Array]:
        angles[channel] = angles[channel] * times + by_deg
        return t_s, angles

    return change


def _noisy(channel: int, sd_deg: float) -> Change:
    def change(t_s: Array, angles: Array, random: np.random.Generator) -> tuple[Array, Array]:
        angles[channel] += random.normal(0, sd_deg, len(t_s))
        return t_s, angles

    return change


def _stopped(t_s: Array, angles: Array, random: np.random.Generator) -> tuple[Array, Array]:
    at = random.integers(len(t_s) // 3, len(t_s) - 2)
    angles[0, at:] = angles[0, at]
    return t_s, angles


def _without(count: int) -> Change:
    def change(t_s: Array, angles: Array, random: np.random.Generator) -> tuple[Array, Array]:
        at = random.integers(2, len(t_s) - count - 2)
        return np.delete(t_s, slice(at, at + count)), np.delete(angles, slice(at, at + count), axis=1)

    return change


def _clock(times: float) -> Change:
    return lambda t_s, angles, random: (t_s * times, angles)


def _same_stamp(t_s: Array, angles: Array, random: np.random.Generator) -> tuple[Array, Array]:
    at = random.integers(2, len(t_s) - 2)
    t_s[at] = t_s[at - 1]
    return t_s, angles


def _lost_time(t_s: Array, angles: Array, random: np.random.Generator) -> tuple[Array, Array]:
    t_s[random.integers(1, len(t_s) - 1)] = np.nan
    return t_s, angles


CHANGES: dict[str, Change] = {
    "nothing": lambda t_s, angles, random: (t_s, angles),
    "lost": _put(0, np.nan),
    "infinite": _put(1, np.inf),
    "lost roll": _put(2, np.nan),
    "spike": _put(0, 300.0),
    "small spike": _put(1, 40.0),
    "roll spike": _put(2, -90.0),
    "beyond": _moved(0, 70.0),
    "far beyond": _moved(1, 130.0),
    "roll beyond": _moved(2, 100.0),
    "radians": _moved(0, 0.0, np.pi / 180),
    "flat": _moved(1, 3.0, 0.0),
    "nearly flat": _moved(1, 3.0, 0.08),
    "no roll": _moved(2, np.nan),
    "still roll": _moved(2, 0.0, 0.01),
    "fast": _moved(0, 0.0, 3.0),
    "noisy": _noisy(0, 1.3),
    "somewhat noisy": _noisy(1, 0.9),
    "stopped": _stopped,
    "a gap": _without(5),
    "a long gap": _without(40),
    "short": lambda t_s, angles, random: (t_s[:19], angles[:, :19]),
    "half": lambda t_s, angles, random: (t_s[: len(t_s) // 2], angles[:, : len(t_s) // 2]),
    "milliseconds": _clock(1000.0),
    "slow": _clock(2.4),
    "slower": _clock(6.0),
    "quick": _clock(0.2),
    "same stamp": _same_stamp,
    "lost time": _lost_time,
}


def raw_of(generated: SyntheticSeason, change: Change, count: int = 60) -> RawSwings:
    batch, random = generated.batch, np.random.default_rng(7)
    parts = []
    for row in range(count):
        n = int(batch.n_samples[row])
        parts.append(change(batch.t_s[row, :n].copy(), batch.angles_deg[row, :, :n].copy(), random))
    lengths = np.array([len(t_s) for t_s, _ in parts])
    names = [f"{row}" for row in range(count)]
    table = raw_table(count, player=names, session=names, swing=names)
    angles = np.concatenate([angles for _, angles in parts], axis=1)
    return RawSwings(table, lengths, np.concatenate([t_s for t_s, _ in parts]), tuple(angles))


def equal(one: Checked, other: Checked) -> None:
    assert one.problems == other.problems
    pd.testing.assert_frame_equal(one.batch.table, other.batch.table)
    for name in ("t_s", "angles_deg", "n_samples"):
        np.testing.assert_array_equal(getattr(one.batch, name), getattr(other.batch, name))


@pytest.mark.parametrize("change", CHANGES)
def test_the_screen_changes_nothing(
    generated: SyntheticSeason, monkeypatch: pytest.MonkeyPatch, change: str
) -> None:
    raw = raw_of(generated, CHANGES[change])
    screened = check_swings(raw)
    monkeypatch.setattr(checks, "screen", lambda flat, _: np.zeros(len(flat.lengths), dtype=bool))
    equal(screened, check_swings(raw))


def test_most_sound_swings_pass_and_spoilt_ones_do_not(generated: SyntheticSeason) -> None:
    def share(change: str) -> float:
        raw = raw_of(generated, CHANGES[change])
        return float(screen(flat_samples(raw.lengths, raw.t_s, raw.angles_deg), limits()).mean())

    sound = share("nothing")
    assert sound > 0.4, "most need no second look"
    for change in (
        "lost",
        "infinite",
        "spike",
        "far beyond",
        "flat",
        "stopped",
        "a long gap",
        "short",
        "same stamp",
    ):
        assert share(change) == 0, change
    assert share("no roll") >= sound
