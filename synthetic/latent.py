"""The true motion of full swings: joint curves from style, faults and chance, with landmarks and measures known.

Three families of curves are mixed, so that nothing can lean on one interpolation: sums of smooth steps and release
profiles, natural cubic splines and smoothed monotone cubics through the former's values at random knots.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from faultml.faults.catalogue import Catalogue
from faultml.faults.measure import evaluate_all, evaluate_guards, late_save
from faultml.synthetic.bends import add_faults
from faultml.synthetic.clock import CLOCK_S, clock_index, moving, sample_phases
from faultml.synthetic.golfers import TEMPO_SD_WITHIN
from faultml.synthetic.motion import Motion, SwingPlan
from faultml.synthetic.redraw import redraw
from faultml.synthetic.shapes import wobble
from faultml.synthetic.strokes import Chance, base_curves

Array = NDArray[np.float64]


def draw_motion(catalogue: Catalogue, plan: SwingPlan, random: np.random.Generator) -> Motion:
    """The true motion of every planned swing."""
    landmarks_s = _draw_landmarks(plan, random)
    chance = Chance(plan, random)
    d_deg = base_curves(catalogue, plan, landmarks_s, chance)
    d_deg = redraw(d_deg, landmarks_s, random)
    d_deg += wobble(CLOCK_S, chance.spread(0.8, (3,)), random, 0.6, 3.0) * moving(landmarks_s)[:, None]
    d_deg = add_faults(catalogue, plan, d_deg, landmarks_s, random)
    d_deg = _keep_in_range(d_deg, plan)
    d_deg -= d_deg[:, :, [clock_index(0.0)]]
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


def _draw_landmarks(plan: SwingPlan, random: np.random.Generator) -> Array:
    count = len(plan.table)
    tempo = np.clip(plan.table["tempo"] + random.normal(0, TEMPO_SD_WITHIN, count), 1.5, 6.0).to_numpy(float)
    downswing_s = plan.table["downswing_s"].to_numpy(float) * np.exp(random.normal(0, 0.03, count))
    top = np.clip(tempo * np.minimum(downswing_s, 0.36), 0.4, 2.0)
    impact = top + downswing_s
    finish = impact + np.clip(random.normal(0.7, 0.25, count), 0.3, 1.5)
    return np.column_stack([np.zeros(count), top, impact, finish])


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
