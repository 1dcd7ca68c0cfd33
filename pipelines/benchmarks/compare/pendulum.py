"""A release that the generator does not know: a two-link downswing by forward dynamics.

The arms are one link about the shoulder, the club another about the wrists (double pendulum: Jorgensen 1970, Am J Phys
38:644-651, and The Physics of Golf, 1994; delayed wrist torque: Sprigings & Neal 2000, J Appl Biomech; the equations
and all sizes are from memory). A torque turns the arms; the wrists are held at a stop until the club pulls away from
it or the golfer lets go; a wrist torque may help, late. What comes out is the course of the wrist's unhinging from top
to impact, which stands in for the generator's. Training never sees it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray

from faultml.channels import ULNAR
from faultml.faults.catalogue import Catalogue
from faultml.faults.measure import evaluate_all, evaluate_guards, late_save
from faultml.synthetic.clock import CLOCK_S, at_time, sample_phases
from faultml.synthetic.golfers import Golfers
from faultml.synthetic.motion import Motion
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import GolferSeason, draw_golfer_season
from faultml.synthetic.shapes import gaussian_smooth, smooth_step

Array = NDArray[np.float64]

ARM_LENGTH_M: Final = 0.65
ARM_CENTRE_KGM: Final = 2.0
"""Mass of the arms times the distance of its centre from the shoulder."""
CLUB_MASS_KG: Final = 0.40
CLUB_CENTRE_M: Final = 0.75
CLUB_INERTIA_KGM2: Final = 0.28
"""Of the club about the wrists."""
PLANE_GRAVITY_MPS2: Final = 9.81 * 0.82
"""Gravity along a swing plane of 55 degrees."""
FASTEST_RADPS: Final = 40.0
"""A wrist that turns as fast as this can push no more."""

STEP_S: Final = 0.002
LONGEST_S: Final = 0.9
_COUPLING: Final = CLUB_MASS_KG * CLUB_CENTRE_M * ARM_LENGTH_M
_FAR_ENOUGH_RAD: Final = 1.0
"""Past straight down: there the simulation may end."""
_MIN_UNHINGED_RAD: Final = 0.6
_SMOOTH_SAMPLES: Final = 2.5
_AFTER_S: Final = 0.07
"""How long after impact the generator's own motion takes over again."""


@dataclass(frozen=True)
class Pushes:
    """What drives each swing, ``(n_swings,)`` each.

    Attributes
    ----------
    arm_inertia_kgm2, arm_torque_nm, rise_s
        Of the arms with what turns with them, the torque that turns them, and how long it takes to build up.
    arm_from_rad, hinged_rad
        Where the arms start, before straight down, and how far the wrists are hinged at the top.
    hold_nm, lets_go_s
        How hard the wrists are held, until when at most. A negative hold pushes from the start: casting.
    wrist_torque_nm, wrist_from_s
        What the wrists push once released, and from when on.
    """

    arm_inertia_kgm2: Array
    arm_torque_nm: Array
    rise_s: Array
    arm_from_rad: Array
    hinged_rad: Array
    hold_nm: Array
    lets_go_s: Array
    wrist_torque_nm: Array
    wrist_from_s: Array

    @classmethod
    def draw(cls, count: int, random: np.random.Generator) -> Self:
        """Pushes of one golfer's swings: the golfer's own, a little different each time."""

        def some(low: float, high: float) -> Array:
            return random.uniform(low, high) + (high - low) * random.normal(0, 0.04, count)

        return cls(
            arm_inertia_kgm2=some(0.7, 1.1),
            arm_torque_nm=some(80, 140),
            rise_s=some(0.02, 0.08).clip(0.01),
            arm_from_rad=np.deg2rad(some(130, 175)),
            hinged_rad=np.deg2rad(some(80, 115)),
            hold_nm=some(-32, 16),
            lets_go_s=some(0.05, 0.20),
            wrist_torque_nm=some(0, 25).clip(0),
            wrist_from_s=some(0.0, 0.25),
        )


@dataclass(frozen=True)
class Downswing:
    """Simulated downswings.

    Attributes
    ----------
    arm_rad, club_rad
        ``(n_steps, n_swings)`` angles before straight down (negative) and past it, every `STEP_S`.
    impact_s
        ``(n_swings,)`` when the club comes to straight down; NaN where it does not in `LONGEST_S`.
    """

    arm_rad: Array
    club_rad: Array
    impact_s: Array

    @property
    def hinged_rad(self) -> Array:
        """How far the wrists are hinged, ``(n_steps, n_swings)``."""
        return self.arm_rad - self.club_rad

    @property
    def unhinged_rad(self) -> Array:
        """How far the wrists unhinge from top to impact, ``(n_swings,)``; NaN without an impact."""
        end = _read(self.hinged_rad.T, self.impact_s[:, None] / STEP_S)[:, 0]
        return np.where(np.isfinite(self.impact_s), self.hinged_rad[0] - end, np.nan)

    def unhinged_at(self, fraction: Array) -> Array:
        """Share of the unhinging done at fractions of the downswing, ``(n_swings, n_fractions)``; 1 at impact."""
        hinged = self.hinged_rad.T
        at = fraction * self.impact_s[:, None] / STEP_S
        start, end = hinged[:, :1], _read(hinged, self.impact_s[:, None] / STEP_S)
        return (start - _read(hinged, at)) / (start - end)


def swing_down(pushes: Pushes) -> Downswing:
    """Integrate every downswing (fourth-order Runge-Kutta) from rest at the top."""
    arm, club = -pushes.arm_from_rad, -pushes.arm_from_rad - pushes.hinged_rad
    state = np.stack([arm, club, np.zeros_like(arm), np.zeros_like(arm)])
    held = np.ones(len(arm), dtype=bool)
    states = [state]
    for step in range(round(LONGEST_S / STEP_S)):
        t_s = step * STEP_S
        needed = _stop_torque(state, pushes, t_s)
        # Who lets go holds no more, but the stop still does; who casts pushes the club off it.
        hold = np.where(t_s < pushes.lets_go_s, pushes.hold_nm, np.minimum(pushes.hold_nm, 0))
        held &= needed >= -hold
        k1 = _rates(state, pushes, t_s, held)
        k2 = _rates(state + STEP_S / 2 * k1, pushes, t_s + STEP_S / 2, held)
        k3 = _rates(state + STEP_S / 2 * k2, pushes, t_s + STEP_S / 2, held)
        k4 = _rates(state + STEP_S * k3, pushes, t_s + STEP_S, held)
        state = state + STEP_S / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
        states.append(state)
        if (state[1] > _FAR_ENOUGH_RAD).all():
            break
    angles = np.stack(states)
    there = angles[:, 1] >= 0
    impact_s = np.where(there.any(axis=0), there.argmax(axis=0) * STEP_S, np.nan)
    return Downswing(angles[:, 0], angles[:, 1], impact_s)


def _drive(arm: Array, club: Array, pushes: Pushes, t_s: float) -> tuple[Array, Array]:
    """Torques about shoulder and wrist from muscles at the shoulder and from gravity."""
    built = 1 - np.exp(-t_s / pushes.rise_s)
    weight = PLANE_GRAVITY_MPS2 * (ARM_CENTRE_KGM + CLUB_MASS_KG * ARM_LENGTH_M)
    on_arm = pushes.arm_torque_nm * built - weight * np.sin(arm)
    return on_arm, -PLANE_GRAVITY_MPS2 * CLUB_MASS_KG * CLUB_CENTRE_M * np.sin(club)


def _stop_torque(state: Array, pushes: Pushes, t_s: float) -> Array:
    """What the stop must push to keep the club in step with the arms; negative once the club pulls away."""
    arm, club, arm_rate, _ = state
    on_arm, on_club = _drive(arm, club, pushes, t_s)
    apart = club - arm
    inertia = pushes.arm_inertia_kgm2 + CLUB_MASS_KG * ARM_LENGTH_M**2
    together = inertia + CLUB_INERTIA_KGM2 + 2 * _COUPLING * np.cos(apart)
    turning = (on_arm + on_club) / together
    return (
        (CLUB_INERTIA_KGM2 + _COUPLING * np.cos(apart)) * turning
        + _COUPLING * np.sin(apart) * arm_rate**2
        - on_club
    )


def _rates(state: Array, pushes: Pushes, t_s: float, held: NDArray[np.bool_]) -> Array:
    """Time derivative of angles and rates, ``(4, n_swings)``."""
    arm, club, arm_rate, club_rate = state
    on_arm, on_club = _drive(arm, club, pushes, t_s)
    apart = club - arm
    inertia = pushes.arm_inertia_kgm2 + CLUB_MASS_KG * ARM_LENGTH_M**2
    coupling = _COUPLING * np.cos(apart)
    tired = np.clip(1 - (club_rate - arm_rate) / FASTEST_RADPS, 0, 1)
    late = np.where(t_s >= pushes.wrist_from_s, pushes.wrist_torque_nm, 0.0)
    wrist = np.maximum(late, -pushes.hold_nm) * tired
    first = on_arm - wrist + _COUPLING * np.sin(apart) * club_rate**2
    second = on_club + wrist - _COUPLING * np.sin(apart) * arm_rate**2
    determinant = inertia * CLUB_INERTIA_KGM2 - coupling**2
    free_arm = (CLUB_INERTIA_KGM2 * first - coupling * second) / determinant
    free_club = (inertia * second - coupling * first) / determinant
    together = (on_arm + on_club) / (inertia + CLUB_INERTIA_KGM2 + 2 * coupling)
    return np.stack(
        [arm_rate, club_rate, np.where(held, together, free_arm), np.where(held, together, free_club)]
    )


def _read(curves: Array, at: Array) -> Array:
    """Rows of curves read between their samples, ``(n_curves, n_queries)``."""
    position = np.clip(np.nan_to_num(at), 0, curves.shape[1] - 1.001)
    low = position.astype(int)
    value = np.take_along_axis(curves, low, axis=1)
    return value + (position - low) * (np.take_along_axis(curves, low + 1, axis=1) - value)


def release_by_dynamics(catalogue: Catalogue, motion: Motion, random: np.random.Generator) -> Motion:
    """The same motions with the wrist unhinging as the double pendulum does, measured anew.

    Hinge at the top and at impact stay the golfer's; the way between is simulated, and a few hundredths of a second
    after impact the generator's own motion goes on. A swing whose simulation does not come to impact, or hardly
    unhinges, stays as it was.
    """
    _, top, impact, _ = motion.landmarks_s.T
    ulnar = motion.d_deg[:, ULNAR]
    downswing = swing_down(Pushes.draw(len(ulnar), random))
    share = downswing.unhinged_at((CLOCK_S - top[:, None]) / (impact - top)[:, None])
    hinged = at_time(ulnar, top)
    simulated = hinged[:, None] + (at_time(ulnar, impact) - hinged)[:, None] * share
    weight = smooth_step(CLOCK_S[None], top - 0.03, top + 0.05)
    weight *= 1 - smooth_step(CLOCK_S[None], impact, impact + _AFTER_S)
    weight[~(downswing.unhinged_rad > _MIN_UNHINGED_RAD)] = 0
    d_deg = motion.d_deg.copy()
    d_deg[:, [ULNAR]] = gaussian_smooth(
        (ulnar + weight * (simulated - ulnar))[:, None], np.full(len(ulnar), _SMOOTH_SAMPLES)
    )
    phase_deg = sample_phases(d_deg, motion.landmarks_s)
    return replace(
        motion,
        d_deg=d_deg,
        phase_deg=phase_deg,
        measures=evaluate_all(catalogue, phase_deg),
        guards=evaluate_guards(catalogue, phase_deg),
        saved_late=late_save(catalogue, phase_deg)[0],
    )


def draw_pendulum_season(catalogue: Catalogue, recipe: Recipe, golfers: Golfers, index: int) -> GolferSeason:
    """A golfer's season whose releases are simulated; see `draw_golfer_season`."""

    def change(motion: Motion, random: np.random.Generator) -> Motion:
        return release_by_dynamics(catalogue, motion, random)

    return draw_golfer_season(catalogue, recipe, golfers, index, change=change)
