"""The curves of sound swings, joint by joint: set, top, release and what follows, with a golfer's own way to move."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from faultml.channels import FLEXION, PRONATION, ULNAR
from faultml.faults.catalogue import Catalogue
from faultml.synthetic.clock import CLOCK_S, at_time
from faultml.synthetic.motion import SwingPlan
from faultml.synthetic.shapes import bump, power_release, release_profile, smooth_step

Array = NDArray[np.float64]


class Chance:
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


def base_curves(catalogue: Catalogue, plan: SwingPlan, landmarks_s: Array, chance: Chance) -> Array:
    """Curves of planned swings before any bend, degrees relative to address on `CLOCK_S`, ``(n_swings, 3, n_samples)``.

    Faults of timing (the release's moment, a release that comes late or early) are in them already.
    """
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
    # Some set all of it half-way back and hold it past the top: one of the open motion captures moves like that.
    ulnar = backswing(set_deg, hinged_at, chance.uniform(0.25, 0.98))
    cock_deg = np.where(casting, 0, np.minimum(chance.normal(1.5, 4.0, 0.8), 0))
    ulnar += cock_deg[:, None] * smooth_step(t, top - 0.05, top + chance.uniform(0.15, 0.5) * down)
    unhinged_deg = chance.normal(2.0 + style[:, ULNAR, 2], 1.0, 1.6)
    unhinged_deg, late_s = _mistimed(
        catalogue, plan, ("held_hinge", "raised_wrist_impact"), unhinged_deg, 800.0, chance
    )
    release, share_at_impact = _release(catalogue, plan, landmarks_s, late_s, chance)
    at_impact = at_time(ulnar, impact)
    ulnar += ((unhinged_deg - at_impact) / share_at_impact)[:, None] * release
    rehinge_deg = chance.normal(-26.0, 8.0, 2.0)
    rehinge_at = impact + chance.uniform(0.10, 0.30)
    ulnar += rehinge_deg[:, None] * smooth_step(
        t, impact + chance.normal(0.015, 0.02, 0.004), rehinge_at + 0.15
    )

    # Flexion: to the top's value, then to impact's, partly in step with the release (the dart-thrower's line).
    early_deg = chance.normal(0.0, 1.0, 1.2) + style[:, FLEXION, 0]
    top_deg = chance.normal(4.0 + style[:, FLEXION, 1], 1.0, 2.0)
    flexion = backswing(top_deg, top + chance.normal(-0.01, 0.03, 0.008), chance.uniform(0.15, 0.9))
    flexion += early_deg[:, None] * bump(t, takeaway, 0.4 * top, 0.5 * top, top)
    impact_deg = chance.normal(11.0 + style[:, FLEXION, 2], 1.0, 2.2)
    coupling = np.clip(chance.normal(0.35, 0.35, 0.06), -0.5, 1.2)
    coupled_deg = coupling * (unhinged_deg - set_deg) * 0.5
    slow_deg = impact_deg - top_deg - coupled_deg
    slow_from = top + chance.uniform(-0.1, 0.3) * down
    slow_to = slow_from + np.maximum(chance.uniform(0.45, 1.0) * down, 0.08)
    slow = smooth_step(t, slow_from, slow_to, np.exp(chance.normal(0, 0.2, 0.05)))
    flexion += slow_deg[:, None] * slow / np.maximum(at_time(slow, impact), 0.5)[:, None]
    flexion += (coupled_deg / share_at_impact)[:, None] * np.minimum(release, 1.4)
    extend_deg = chance.normal(-32.0, 10.0, 2.5)
    extend_from = impact + chance.normal(0.0, 0.022, 0.004)
    flexion += extend_deg[:, None] * smooth_step(t, extend_from, extend_from + chance.uniform(0.15, 0.4))

    # Forearm: rolls open, then closed through the ball.
    early_roll_deg = chance.normal(0.0, 1.0, 1.5) + style[:, PRONATION, 0]
    open_deg = chance.normal(44.0 + style[:, PRONATION, 1], 2.0, 2.5)
    pronation = backswing(
        open_deg, top + np.clip(chance.normal(-0.01, 0.03, 0.008), -0.1, 0.08), chance.uniform(0.3, 0.97)
    )
    pronation += early_roll_deg[:, None] * bump(t, takeaway, 0.45 * top, 0.6 * top, top)
    rolled_deg = chance.normal(-2.0 + style[:, PRONATION, 2], 2.0, 2.5)
    rolled_deg, early_s = _mistimed(catalogue, plan, ("roll_over",), rolled_deg, -900.0, chance)
    fastest = impact + np.clip(chance.normal(-0.006, 0.030, 0.004), -0.07, 0.06) - early_s
    roll = release_profile(t, fastest, chance.uniform(0.22, 0.42) * down, chance.uniform(0.035, 0.085))
    roll -= at_time(roll, top)[:, None] * (1 - smooth_step(t, top - 0.2, top))
    rolled_share = np.clip(at_time(roll, impact), 0.2, 0.9)
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
    chance: Chance,
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
    catalogue: Catalogue, plan: SwingPlan, landmarks_s: Array, late_s: Array, chance: Chance
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
    release -= at_time(release, top - 0.15)[:, None] * (1 - smooth_step(CLOCK_S[None], top - 0.4, top - 0.1))
    return release, np.maximum(at_time(release, impact), 0.2)
