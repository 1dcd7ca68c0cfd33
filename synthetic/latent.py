"""The true motion of full swings: joint curves from style, faults and chance, with landmarks and measures known.

Curves run on one common clock at 500 Hz with the takeaway at 0 s. Three families of curves are mixed, so that nothing
can lean on one interpolation: sums of smooth steps and release profiles, natural cubic splines and smoothed monotone
cubics through the former's values at random knots.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from faultml.channels import FLEXION, PRONATION, ULNAR
from faultml.faults.catalogue import Catalogue
from faultml.faults.measure import coordinate, evaluate_all, evaluate_guards, late_save, phase_times
from faultml.synthetic.golfers import TEMPO_SD_WITHIN
from faultml.synthetic.patterns import Pattern, load_patterns
from faultml.synthetic.shapes import (
    bump,
    gaussian_smooth,
    power_release,
    release_profile,
    smooth_step,
    through_knots,
    wobble,
)

Array = NDArray[np.float64]

RATE_HZ: Final = 500.0
LEAD_S: Final = 3.0
TAIL_S: Final = 5.0
CLOCK_S: Final[Array] = np.arange(-LEAD_S, TAIL_S, 1 / RATE_HZ)
"""The common clock of the latent curves, takeaway at 0."""


@dataclass(frozen=True)
class Motion:
    """True motion of a batch of full swings.

    Attributes
    ----------
    d_deg
        ``(n_swings, 3, n_samples)`` degrees relative to address on `CLOCK_S`.
    address_deg
        ``(n_swings, 3)`` absolute angles at address.
    landmarks_s
        ``(n_swings, 4)`` takeaway, top, impact, finish on `CLOCK_S`.
    phase_deg
        ``(n_swings, 3, n_phases)`` the same curves on the phase grid.
    measures, guards
        ``(n_swings, n_faults)`` and ``(n_swings, n_guards)`` by the catalogue's definitions.
    saved_late
        ``(n_swings,)`` whether a strong bow was given back before impact.
    """

    d_deg: Array
    address_deg: Array
    landmarks_s: Array
    phase_deg: Array
    measures: Array
    guards: Array
    saved_late: NDArray[np.bool_]

    @property
    def angles_deg(self) -> Array:
        """Absolute angles, ``(n_swings, 3, n_samples)``."""
        return self.d_deg + self.address_deg[:, :, None]


@dataclass(frozen=True)
class SwingPlan:
    """What a batch of swings shall be, one row a swing.

    Attributes
    ----------
    table
        ``tempo, downswing_s, repeatability, skill, address_*_deg`` of the golfer behind each swing.
    style_deg, range_deg
        ``(n_swings, 3, 3)`` and ``(n_swings, 3, 2)`` as in `Golfers`.
    size
        ``(n_swings, n_faults)`` how far past the edge each fault is meant to go; NaN where not meant.
    golfer_random
        ``(n_swings, 64)`` standard normal numbers shared by a golfer's swings: the golfer's own way to move.
    """

    table: pd.DataFrame
    style_deg: Array
    range_deg: Array
    size: Array
    golfer_random: Array


def sample_phases(d_deg: Array, landmarks_s: Array) -> Array:
    """Curves on `CLOCK_S` read at the phase grid by linear interpolation, ``(n_swings, 3, n_phases)``."""
    position = (phase_times(landmarks_s) - CLOCK_S[0]) * RATE_HZ
    low = np.clip(position.astype(int), 0, len(CLOCK_S) - 2)
    weight = (position - low)[:, None, :]
    index = low[:, None, :]
    return (
        np.take_along_axis(d_deg, index, 2) * (1 - weight) + np.take_along_axis(d_deg, index + 1, 2) * weight
    )


def draw_motion(catalogue: Catalogue, plan: SwingPlan, random: np.random.Generator) -> Motion:
    """The true motion of every planned swing."""
    landmarks_s = _draw_landmarks(plan, random)
    chance = _Chance(plan, random)
    d_deg = _base_curves(catalogue, plan, landmarks_s, chance)
    d_deg = _redraw(d_deg, landmarks_s, random)
    d_deg += wobble(CLOCK_S, chance.spread(0.8, (3,)), random, 0.6, 3.0) * _moving(landmarks_s)[:, None]
    d_deg = _add_faults(catalogue, plan, d_deg, landmarks_s, random)
    d_deg = _keep_in_range(d_deg, plan)
    d_deg -= d_deg[:, :, [_clock_index(0.0)]]
    phase_deg = sample_phases(d_deg, landmarks_s)
    address_deg = plan.table[["address_flexion_deg", "address_ulnar_deg", "address_pronation_deg"]].to_numpy(
        float
    )
    address_deg = address_deg + random.normal(0, 1.0, address_deg.shape) * plan.table[
        ["repeatability"]
    ].to_numpy(float)
    return Motion(
        d_deg=d_deg,
        address_deg=address_deg,
        landmarks_s=landmarks_s,
        phase_deg=phase_deg,
        measures=evaluate_all(catalogue, phase_deg),
        guards=evaluate_guards(catalogue, phase_deg),
        saved_late=late_save(catalogue, phase_deg)[0],
    )


class _Chance:
    """Random numbers with a part that a golfer's swings share and a part that is each swing's own."""

    def __init__(self, plan: SwingPlan, random: np.random.Generator) -> None:
        self._random = random
        self._shared = iter(plan.golfer_random.T)
        self._repeatability = plan.table["repeatability"].to_numpy(float)
        self.n_swings = len(plan.table)

    def normal(self, mean: float | Array, between: float, within: float) -> Array:
        """``(n_swings,)``: a golfer's own mean, and each swing about it."""
        own = self._random.normal(0, within, self.n_swings) * self._repeatability
        return mean + between * next(self._shared) + own

    def uniform(self, low: float, high: float) -> Array:
        """``(n_swings,)`` between `low` and `high`, mostly a matter of the golfer."""
        position = self.normal(0.0, 1.0, 0.25)
        return low + (high - low) / (1 + np.exp(-1.7 * position))

    def spread(self, sd: float, shape: tuple[int, ...]) -> Array:
        """``(n_swings, *shape)`` amplitudes, the larger the less repeatable the golfer."""
        repeatability = self._repeatability.reshape(-1, *([1] * len(shape)))
        return sd * repeatability * np.abs(self._random.normal(0, 1, (self.n_swings, *shape)))


def _clock_index(time_s: float) -> int:
    return round((time_s - CLOCK_S[0]) * RATE_HZ)


def _draw_landmarks(plan: SwingPlan, random: np.random.Generator) -> Array:
    count = len(plan.table)
    tempo = np.clip(plan.table["tempo"] + random.normal(0, TEMPO_SD_WITHIN, count), 1.5, 6.0).to_numpy(float)
    downswing_s = plan.table["downswing_s"].to_numpy(float) * np.exp(random.normal(0, 0.03, count))
    top = np.clip(tempo * np.minimum(downswing_s, 0.36), 0.4, 2.0)
    impact = top + downswing_s
    finish = impact + np.clip(random.normal(0.7, 0.25, count), 0.3, 1.5)
    return np.column_stack([np.zeros(count), top, impact, finish])


def _moving(landmarks_s: Array) -> Array:
    """1 while the swing lasts, smoothly 0 at address and after the finish, ``(n_swings, n_samples)``."""
    takeaway, top, _, finish = landmarks_s.T
    return smooth_step(CLOCK_S[None], takeaway, takeaway + 0.3 * top) - smooth_step(
        CLOCK_S[None], finish - 0.2, finish + 0.1
    )


def _base_curves(catalogue: Catalogue, plan: SwingPlan, landmarks_s: Array, chance: _Chance) -> Array:
    takeaway, top, impact, finish = landmarks_s.T
    down = impact - top
    style = plan.style_deg
    t = CLOCK_S[None]

    def backswing(amount: Array, end_s: Array, early: Array) -> Array:
        """From 0 to `amount` by `end_s` in two overlapping steps, a share `early` of it in the first."""
        start = takeaway + np.clip(chance.normal(0.01, 0.05, 0.015), 0, 0.2) * top
        middle_from = chance.uniform(0.05, 0.4) * top
        middle_to = np.minimum(chance.uniform(0.55, 0.95) * top, end_s - 0.03)
        skew = np.exp(chance.normal(0, 0.4, 0.08))
        first = smooth_step(t, start, np.maximum(middle_to, start + 0.15), skew)
        second = smooth_step(t, np.minimum(middle_from, end_s - 0.12), end_s, 1 / skew)
        return amount[:, None] * (early[:, None] * first + (1 - early[:, None]) * second)

    # Ulnar: set, down-cock, release, and re-hinging after the ball.
    set_deg = chance.normal(-31.0 + style[:, ULNAR, 1], 1.0, 1.8)
    casting = np.isfinite(plan.size[:, catalogue.ids.index("early_ulnar_release")])
    hinged_at = top + np.where(casting, -0.02, np.clip(chance.normal(-0.005, 0.035, 0.008), -0.11, 0.07))
    ulnar = backswing(set_deg, hinged_at, chance.uniform(0.25, 0.75))
    cock_deg = np.where(casting, 0, np.minimum(chance.normal(1.5, 4.0, 0.8), 0))
    ulnar += cock_deg[:, None] * smooth_step(t, top - 0.05, top + chance.uniform(0.15, 0.5) * down)
    unhinged_deg = chance.normal(2.0 + style[:, ULNAR, 2], 1.0, 1.6)
    unhinged_deg, late_s = _mistimed(
        catalogue, plan, ("held_hinge", "raised_wrist_impact"), unhinged_deg, 800.0, chance
    )
    release, share_at_impact = _release(catalogue, plan, landmarks_s, late_s, chance)
    at_impact = _at(ulnar, impact)
    ulnar += ((unhinged_deg - at_impact) / share_at_impact)[:, None] * release
    rehinge_deg = chance.normal(-26.0, 8.0, 2.0)
    rehinge_at = impact + chance.uniform(0.10, 0.30)
    ulnar += rehinge_deg[:, None] * smooth_step(
        t, impact + chance.normal(0.015, 0.02, 0.004), rehinge_at + 0.15
    )

    # Flexion: to the top's value, then to impact's, partly in step with the release (the dart-thrower's line).
    early_deg = chance.normal(0.0, 1.0, 1.2) + style[:, FLEXION, 0]
    top_deg = chance.normal(4.0 + style[:, FLEXION, 1], 1.0, 2.0)
    flexion = backswing(top_deg, top + chance.normal(-0.01, 0.03, 0.008), chance.uniform(0.2, 0.8))
    flexion += early_deg[:, None] * bump(t, takeaway, 0.4 * top, 0.5 * top, top)
    impact_deg = chance.normal(11.0 + style[:, FLEXION, 2], 1.0, 2.2)
    coupling = np.clip(chance.normal(0.35, 0.35, 0.06), -0.5, 1.2)
    coupled_deg = coupling * (unhinged_deg - set_deg) * 0.5
    slow_deg = impact_deg - top_deg - coupled_deg
    slow_from = top + chance.uniform(-0.1, 0.3) * down
    slow_to = slow_from + np.maximum(chance.uniform(0.45, 1.0) * down, 0.08)
    slow = smooth_step(t, slow_from, slow_to, np.exp(chance.normal(0, 0.2, 0.05)))
    flexion += slow_deg[:, None] * slow / np.maximum(_at(slow, impact), 0.5)[:, None]
    flexion += (coupled_deg / share_at_impact)[:, None] * np.minimum(release, 1.4)
    extend_deg = chance.normal(-32.0, 10.0, 2.5)
    extend_from = impact + chance.normal(0.0, 0.022, 0.004)
    flexion += extend_deg[:, None] * smooth_step(t, extend_from, extend_from + chance.uniform(0.15, 0.4))

    # Forearm: rolls open, then closed through the ball.
    early_roll_deg = chance.normal(0.0, 1.0, 1.5) + style[:, PRONATION, 0]
    open_deg = chance.normal(44.0 + style[:, PRONATION, 1], 2.0, 2.5)
    pronation = backswing(
        open_deg, top + np.clip(chance.normal(-0.01, 0.03, 0.008), -0.1, 0.08), chance.uniform(0.3, 0.8)
    )
    pronation += early_roll_deg[:, None] * bump(t, takeaway, 0.45 * top, 0.6 * top, top)
    rolled_deg = chance.normal(-2.0 + style[:, PRONATION, 2], 2.0, 2.5)
    rolled_deg, early_s = _mistimed(catalogue, plan, ("roll_over",), rolled_deg, -900.0, chance)
    fastest = impact + np.clip(chance.normal(-0.006, 0.030, 0.004), -0.07, 0.06) - early_s
    roll = release_profile(t, fastest, chance.uniform(0.22, 0.42) * down, chance.uniform(0.035, 0.085))
    roll -= _at(roll, top)[:, None] * (1 - smooth_step(t, top - 0.2, top))
    rolled_share = np.clip(_at(roll, impact), 0.2, 0.9)
    pronation += ((rolled_deg - open_deg) / rolled_share)[:, None] * roll
    unroll_deg = chance.normal(10.0, 12.0, 3.0)
    pronation += unroll_deg[:, None] * smooth_step(t, impact + 0.25, finish)

    curves = np.stack([flexion, ulnar, pronation], axis=1)
    return curves


def _mistimed(
    catalogue: Catalogue,
    plan: SwingPlan,
    faults: tuple[str, ...],
    at_impact_deg: Array,
    rate_dps: float,
    chance: _Chance,
) -> tuple[Array, Array]:
    """For half of the golfers with one of these faults of impact, the fault is one of timing.

    The whole release comes late or early, instead of the curve being bent about impact. Returns the angle at impact
    and by how many seconds the release comes late (the angle's shortfall over a rate of `rate_dps`).
    """
    by_timing = chance.normal(0, 1, 0) > 0
    late_s = np.zeros(chance.n_swings)
    for name in faults:
        column = catalogue.ids.index(name)
        fault = catalogue.faults[column]
        rows = by_timing & np.isfinite(plan.size[:, column])
        wanted = fault.edge + fault.sign * plan.size[:, column]
        late_s = np.where(rows, np.clip((at_impact_deg - wanted) / rate_dps, -0.03, 0.04), late_s)
        at_impact_deg = np.where(rows, wanted, at_impact_deg)
    return at_impact_deg, late_s


def _release(
    catalogue: Catalogue, plan: SwingPlan, landmarks_s: Array, late_s: Array, chance: _Chance
) -> tuple[Array, Array]:
    """The unhinging done by each moment, and its value at impact; the moment of release is the golfer's own."""
    _, top, impact, _ = landmarks_s.T
    down = impact - top
    fault = catalogue.ids.index("early_ulnar_release")
    skill = plan.table["skill"].to_numpy(float)
    quarter_at = np.clip(chance.normal(0.65 + 0.23 * skill, 0.035, 0.012), 0.53, 0.94)
    meant = plan.size[:, fault]
    edge = catalogue.faults[fault].edge
    quarter_at = np.where(down > 0.38, np.maximum(quarter_at, 1 - 0.09 / down), quarter_at)
    quarter_at = np.where(np.isfinite(meant), np.clip(edge - meant, 0.12, 0.95), quarter_at)

    fastest = impact + np.clip(chance.normal(-0.012, 0.016, 0.003), -0.050, 0.022) + late_s
    # A quarter of a half-bell is spent 1.15 SD before its fastest moment.
    rise = np.clip((fastest - top - quarter_at * down) / 1.15, 0.012, 0.5)
    bell = release_profile(CLOCK_S[None], fastest, rise, np.minimum(rise, 0.05) * chance.uniform(0.4, 1.1))

    power = np.clip(chance.uniform(1.3, 4.0), 1.2, 1 + 3 * np.clip(quarter_at, 0.1, 1))
    spent = 0.25 ** (1 / power)
    start = np.maximum((quarter_at - spent) / (1 - spent), -0.35)
    growing = power_release(CLOCK_S[None], top + start * down, impact + 0.4 * (fastest - impact), power)

    by_power = (chance.normal(0, 1, 0) > 0.3)[:, None]
    release = np.where(by_power, growing, bell)
    release -= _at(release, top - 0.15)[:, None] * (1 - smooth_step(CLOCK_S[None], top - 0.4, top - 0.1))
    return release, np.maximum(_at(release, impact), 0.2)


def _at(curve: Array, time_s: Array) -> Array:
    """Value of ``(n_swings, n_samples)`` curves on the clock at one time each, ``(n_swings,)``."""
    position = np.clip((time_s - CLOCK_S[0]) * RATE_HZ, 0, len(CLOCK_S) - 2)
    low = position.astype(int)
    rows = np.arange(len(curve))
    return curve[rows, low] + (position - low) * (curve[rows, low + 1] - curve[rows, low])


_KNOT_PHASES: Final[Array] = np.array(
    [0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.2, 1.4, 1.55, 1.7, 1.8, 1.9, 2.0, 2.08, 2.18, 2.3, 2.5, 2.8, 3.4]
)


def _redraw(d_deg: Array, landmarks_s: Array, random: np.random.Generator) -> Array:
    """A third each: as it is, a spline and a smoothed monotone cubic through knots; all slightly warped in time."""
    count = len(d_deg)
    family = random.integers(0, 3, count)
    phases = _KNOT_PHASES + random.normal(0, 0.015, (count, len(_KNOT_PHASES)))
    phases[:, [0, 5, 12]] = _KNOT_PHASES[[0, 5, 12]]
    knots_s = _knot_times(landmarks_s, phases)
    redrawn = through_knots(CLOCK_S, d_deg, knots_s, family == 1)
    d_deg = np.where((family == 0)[:, None, None], d_deg, redrawn)
    width_s = np.where(family == 2, random.uniform(0.007, 0.016, count), random.uniform(0.003, 0.007, count))
    d_deg = gaussian_smooth(d_deg, width_s * RATE_HZ)
    return _warp(d_deg, landmarks_s, random)


def _knot_times(landmarks_s: Array, phases: Array) -> Array:
    takeaway, top, impact = (landmarks_s[:, [k]] for k in range(3))
    down = impact - top
    return np.where(
        phases < 1,
        takeaway + phases * (top - takeaway),
        np.where(phases < 2, top + (phases - 1) * down, impact + (phases - 2) * down),
    )


def _warp(d_deg: Array, landmarks_s: Array, random: np.random.Generator) -> Array:
    """Shift each channel's time smoothly by some milliseconds, so that the fastest moments do not stand in line."""
    amplitude_s = np.abs(random.normal(0, 0.006, d_deg.shape[:2]))
    shift = wobble(CLOCK_S, amplitude_s, random, 0.8, 3.0) * _moving(landmarks_s)[:, None]
    position = np.clip((CLOCK_S - CLOCK_S[0] + shift) * RATE_HZ, 0, len(CLOCK_S) - 2)
    low = position.astype(int)
    value = np.take_along_axis(d_deg, low, 2)
    return value + (position - low) * (np.take_along_axis(d_deg, low + 1, 2) - value)


def _add_faults(
    catalogue: Catalogue, plan: SwingPlan, d_deg: Array, landmarks_s: Array, random: np.random.Generator
) -> Array:
    """Bend the curves until every meant fault measures what it is meant to."""
    patterns = load_patterns()
    for _ in range(2):
        for column, fault in enumerate(catalogue.faults):
            rows = np.flatnonzero(np.isfinite(plan.size[:, column]))
            pattern = patterns[fault.id]
            if pattern.kind == "release" or not len(rows):
                continue
            shape = _pattern_shape(pattern, landmarks_s[rows], random)
            measured = evaluate_all(catalogue, sample_phases(d_deg[rows], landmarks_s[rows]))[:, column]
            height = fault.edge + fault.sign * plan.size[rows, column] - measured
            # Each reading's own sign: a drop and a late reading grow against the channel.
            height *= _channel_sign(catalogue, column)
            channel = fault.measure.channel_index
            d_deg[rows, channel] += np.nan_to_num(height)[:, None] * shape
    return d_deg


def _channel_sign(catalogue: Catalogue, column: int) -> int:
    measure = catalogue.faults[column].measure
    if measure.stat == "drop":
        return -1
    if measure.stat != "change":
        return 1
    first, last = measure.span
    return 1 if coordinate(first) < coordinate(last) else -1


def _pattern_shape(pattern: Pattern, landmarks_s: Array, random: np.random.Generator) -> Array:
    corners = np.array(pattern.corners) + random.normal(0, 0.03, (len(landmarks_s), 4))
    corners[:, 0] = np.maximum(corners[:, 0], 0.0)
    corners = np.maximum.accumulate(corners + np.array([0, 1e-3, 2e-3, 3e-3]), axis=1)
    times = _knot_times(landmarks_s, corners)
    return bump(CLOCK_S[None], times[:, 0], times[:, 1], times[:, 2], times[:, 3])


def _keep_in_range(d_deg: Array, plan: SwingPlan) -> Array:
    """Bend angles near the end of a joint's range smoothly back, so that none goes more than a few degrees past it."""
    address = plan.table[["address_flexion_deg", "address_ulnar_deg", "address_pronation_deg"]].to_numpy(
        float
    )
    absolute = d_deg + address[:, :, None]
    low, high = plan.range_deg[:, :, [0]], plan.range_deg[:, :, [1]]
    soft = 6.0
    above = np.maximum(absolute - (high - soft), 0)
    below = np.maximum((low + soft) - absolute, 0)
    absolute = absolute - above + 1.5 * soft * np.tanh(above / (1.5 * soft))
    absolute = absolute + below - 1.5 * soft * np.tanh(below / (1.5 * soft))
    return absolute - address[:, :, None]
