"""One repetition of a drill: the body's way from place to place, and what the wrist does on it.

Each stretch between two rests is a minimum-jerk movement of drawn skew. The wrist runs past a place where it stops and
comes back, sinks a little while it rests there, and trembles all the time. Sizes are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from faultml.channels import CHANNELS, FLEXION, ULNAR
from faultml.faults.measure import coordinate
from faultml.synthetic.clock import RATE_HZ
from faultml.synthetic.rehearsal_rules import TOP_PHASE, Kind, Range, Route
from faultml.synthetic.rehearsal_truth import AskedWindow, Visit, Way, read_window
from faultml.synthetic.shapes import bump, smooth_step

Array = NDArray[np.float64]

MAX_SHIFT_DEG: Final = 60.0
_REP_SPREAD_DEG: Final = 1.0
_LATE_CHANCE: Final = 0.5
_MADE_FIRST_PHASE: Final = 0.3
_MADE_FIRST_SHARE: Final = 0.92
_HALFWAY_PHASE: Final = 1.5
_SPENT_HALFWAY: Final = (0.4, 0.06, 0.2)
"""What part of the way from the turn to the ball each angle has gone halfway down: the hinge is kept longest."""
_SHORTEST_S: Final = 0.3
_CAP_DEG: Final = 0.3


class Tremor:
    """Tremor and slow sway of one wrist, a function of the time alone, so that nothing jumps between movements."""

    def __init__(self, random: np.random.Generator) -> None:
        sizes = np.repeat([0.05, 0.15], 4)[:, None] * np.exp(random.normal(0, 0.3, (8, 3)))
        self._size_deg = sizes[:, :, None]
        low, high = np.repeat([7.0, 0.15], 4), np.repeat([11.0, 0.7], 4)
        self._turn = 2 * np.pi * random.uniform(low, high)[:, None, None]
        self._from = random.uniform(0, 2 * np.pi, (8, 3, 1))

    def at(self, t_s: Array) -> Array:
        """Degrees at these times, ``(3, n)``."""
        return (self._size_deg * np.sin(self._turn * t_s + self._from)).sum(axis=0)


@dataclass(frozen=True)
class Rehearser:
    """The golfer: usual setup ``(3,)`` and the angles at each place of the drill, from the setup, ``(n_places, 3)``."""

    setup_deg: Array
    places_deg: Array
    elevation_offset_deg: float


class Repetition(NamedTuple):
    """One repetition's motion: its way, absolute angles with tremor and without, each ``(3, n)``, and the forearm."""

    way: Way
    angles_deg: Array
    calm_deg: Array
    elevation_deg: Array


class Plan(NamedTuple):
    """What a repetition shall be: when it begins, how far it goes, and its margin (NaN: as it comes)."""

    start_s: float
    end_phase: float
    margin_deg: float


def draw_rehearser(route: Route, setup_deg: Array, random: np.random.Generator) -> Rehearser:
    """A golfer's own angles at the places of a route."""
    typical = np.array([place.angles_deg for place in route.places])
    spread = np.array([place.spread_deg for place in route.places])
    # A golfer who is more bowed at one place is more bowed at the next.
    own = 0.7 * random.normal(0, 1, (1, 3)) + 0.7 * random.normal(0, 1, typical.shape)
    return Rehearser(setup_deg, typical + spread * own, float(random.normal(0, 4.0)))


def draw_repetition(
    route: Route,
    window: AskedWindow,
    kind: Kind,
    golfer: Rehearser,
    tremor: Tremor,
    plan: Plan,
    random: np.random.Generator,
) -> Repetition:
    """One repetition whose margin is the planned one, as far as the window can have it."""
    way, rests = _way(route, kind, plan, random)
    knots, at_places, elevation = _knots(route, golfer, random)
    setup = golfer.setup_deg + random.normal(0, 1.2, 3)
    if random.random() < kind.setup_moved_share:
        moved_deg = random.choice([-1.0, 1.0]) * random.uniform(*kind.setup_moved_deg)
        setup[random.choice([FLEXION, ULNAR])] += moved_deg
    curve = np.zeros((3, len(way.phase)))
    raised = np.full(len(way.phase), elevation[0])
    if len(knots) > 1:
        curve = PchipInterpolator(knots, at_places)(way.phase).T
        raised = PchipInterpolator(knots, elevation)(way.phase)
    calm = setup[:, None] + curve + _settling(way.t_s, curve, rests, random)
    shaking = tremor.at(way.t_s)
    if np.isfinite(plan.margin_deg):
        channel = CHANNELS.index(window.channel)
        leaves = plan.margin_deg < read_window(window, way, calm + shaking).margin_deg
        late = window.must == "stay" and leaves and random.random() < _LATE_CHANCE
        shift = _shift_shape(window, route, way.phase, random, late=late)
        calm[channel] += shift * _solve(window, way, calm + shaking, shift, plan.margin_deg)
    return Repetition(way, calm + shaking, calm, raised)


def _knots(route: Route, golfer: Rehearser, random: np.random.Generator) -> tuple[Array, Array, Array]:
    """Phases ``(n,)`` with the wrist's angles from the setup ``(n, 3)`` and the forearm's elevation ``(n,)`` there."""
    phases = np.array([place.phase for place in route.places])
    angles = golfer.places_deg + random.normal(0, _REP_SPREAD_DEG, golfer.places_deg.shape)
    angles[0] = 0.0
    elevation = np.array([place.elevation_deg for place in route.places]) + golfer.elevation_offset_deg
    made = np.column_stack([angles, elevation])
    if route.made_first:
        share = np.array([0.0, _MADE_FIRST_SHARE, 0.0, _MADE_FIRST_PHASE])
        phases, made = (
            np.insert(phases, 1, _MADE_FIRST_PHASE),
            np.insert(made, 1, made[0] + share * (made[1] - made[0]), axis=0),
        )
    going_on = np.flatnonzero((phases[:-1] == TOP_PHASE) & (np.diff(phases) > 0.9))
    for turn in going_on:
        share = np.append(random.normal(_SPENT_HALFWAY, [0.15, 0.03, 0.08]), 0.4)
        between = made[turn] + share * (made[turn + 1] - made[turn])
        phases, made = np.insert(phases, turn + 1, _HALFWAY_PHASE), np.insert(made, turn + 1, between, axis=0)
    return phases, made[:, :3], made[:, 3]


def _way(
    route: Route, kind: Kind, plan: Plan, random: np.random.Generator
) -> tuple[Way, list[tuple[float, float]]]:
    """The phase over time, and where the body rests on the way, ``(from, to)``."""
    names = {place.phase: place.name for place in route.places if place.phase <= plan.end_phase + 1e-9}
    setup_s = random.uniform(*kind.setup_s)
    if len(route.places) == 1:
        setup_s += random.uniform(0.3, 0.6)
    targets: list[tuple[float, float, bool]] = []
    for phase, name in list(names.items())[1:]:
        stops = kind.stops == "all" and name in route.stops
        if stops:
            targets.append((phase, random.uniform(*kind.stop_s), False))
        elif phase == TOP_PHASE and route.turns:
            targets.append((phase, 0.0, False))
        if phase == TOP_PHASE and plan.end_phase > TOP_PHASE:
            for _ in range(route.small_starts):
                targets += [(TOP_PHASE + random.uniform(0.12, 0.24), 0.0, False), (TOP_PHASE, 0.0, False)]
    if plan.end_phase > 0 and (not targets or targets[-1][0] != plan.end_phase):
        targets.append((plan.end_phase, random.uniform(*kind.stop_s), False))
    targets = _hesitating(targets, kind, list(names), random)
    pace_s = random.uniform(*kind.pace_s)

    phase = 0.0
    pieces = [np.zeros(max(1, round(setup_s * RATE_HZ)))]
    count = len(pieces[0])
    rests = [(0, count - 1)]
    halts: list[tuple[int, int]] = []
    for target, rest_s, halt in targets:
        length_s = max(_SHORTEST_S, pace_s * abs(target - phase) * np.exp(random.normal(0, 0.12)))
        moving, resting = round(length_s * RATE_HZ), round(rest_s * RATE_HZ)
        skew = np.exp(random.normal(0, 0.12, 1))
        share = smooth_step(np.arange(1.0, moving + 1)[None], np.zeros(1), np.full(1, float(moving)), skew)[0]
        pieces += [phase + (target - phase) * share, np.full(resting, target)]
        if resting:
            (halts if halt else rests).append((count + moving - 1, count + moving + resting - 1))
        count += moving + resting
        phase = target
    phases = np.concatenate(pieces)
    t_s = plan.start_s + np.arange(len(phases)) / RATE_HZ
    rests_s, halts_s = ([(float(t_s[a]), float(t_s[b])) for a, b in pairs] for pairs in (rests, halts))
    return Way(t_s, phases, _visits(names, t_s, phases, rests_s), tuple(halts_s)), rests_s


def _hesitating(
    targets: list[tuple[float, float, bool]], kind: Kind, places: list[float], random: np.random.Generator
) -> list[tuple[float, float, bool]]:
    """The same targets with halts between them, away from the places."""
    halted, phase = [], 0.0
    wanted = int(random.integers(kind.hesitations[0], kind.hesitations[1] + 1))
    chosen = set(random.permutation(len(targets))[:wanted].tolist())
    for k, target in enumerate(targets):
        if k in chosen:
            at = phase + random.uniform(0.2, 0.8) * (target[0] - phase)
            if min(abs(at - place) for place in places) > 0.06:
                halted.append((at, random.uniform(*kind.hesitation_s), True))
        halted.append(target)
        phase = target[0]
    return halted


def _visits(
    names: dict[float, str], t_s: Array, phases: Array, rests_s: list[tuple[float, float]]
) -> tuple[Visit, ...]:
    """When each place was passed, or the rest there."""
    visits = []
    for phase, name in names.items():
        from_s = to_s = float(t_s[np.abs(phases - phase).argmin()])
        for rest in rests_s:
            if rest[0] <= from_s <= rest[1]:
                from_s, to_s = rest
        visits.append(Visit(name, phase, from_s, to_s))
    return tuple(visits)


def _settling(
    t_s: Array, curve: Array, rests: list[tuple[float, float]], random: np.random.Generator
) -> Array:
    """The wrist runs past the place of a rest and comes back, and sinks a little while it rests, ``(3, n)``."""
    added = np.zeros_like(curve)
    before = 0
    for from_s, to_s in rests[1:]:
        at = int(np.searchsorted(t_s, from_s))
        past = 0.05 * random.normal(0, 1, 3) * np.clip(curve[:, at] - curve[:, before], -25, 25)
        since = np.maximum(t_s - (from_s - 0.15), 0) / 0.18
        added += past[:, None] * since**2 * np.exp(2 * (1 - since))
        sinks = random.normal(0, 0.4, 3) * (to_s - from_s)
        added += sinks[:, None] * bump(
            t_s[None], *(np.array([time]) for time in (from_s, to_s, to_s, to_s + 0.4))
        )
        before = at
    return added


def _shift_shape(
    window: AskedWindow, route: Route, phase: Array, random: np.random.Generator, *, late: bool
) -> Array:
    """How much of a shift of the window's channel there is at each phase, 0 to 1; `late`: only within the stretch."""
    first, last = (coordinate(moment) for moment in window.span)
    if window.reference == "absolute":
        return np.ones(len(phase))
    begins = {"setup": 0.02, "top": 1.02, "impact": 2.02, "lowest": 1.08}[window.reference]
    begins = max(begins, first - random.uniform(0.35, 0.5))
    reached = min(last, route.end_phase)
    full_from = first - 0.03
    if window.reference != "setup":
        full_from = begins + random.uniform(0.5, 0.9) * (reached - begins)
    elif late and last > first:
        full_from = first + random.uniform(0.2, 0.8) * (reached - first)
        begins = max(begins, full_from - random.uniform(0.12, 0.3))
    # The wrist keeps its shape to a place close behind the stretch.
    holds = max((place.phase for place in route.places if last <= place.phase <= last + 0.3), default=last)
    holds = max(holds, last + 0.03)
    corners = (begins, full_from, holds, holds + random.uniform(0.25, 0.45))
    return bump(phase[None], *(np.array([corner]) for corner in corners))[0]


def _solve(window: AskedWindow, way: Way, angles_deg: Array, shape: Array, margin_deg: float) -> float:
    """By how much the shape is shifted for this margin, degrees; the least that comes close where none gives it."""
    worse = 1.0 if window.side == "below" else -1.0
    channel = CHANNELS.index(window.channel)

    def margin(size: float) -> float:
        shifted = angles_deg.copy()
        shifted[channel] += worse * size * shape
        return read_window(window, way, shifted).margin_deg

    low, high = -MAX_SHIFT_DEG, MAX_SHIFT_DEG
    wanted = min(margin_deg, margin(low) - _CAP_DEG)
    for _ in range(18):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if margin(middle) > wanted else (low, middle)
    return worse * 0.5 * (low + high)


def drawn(pair: Range | None, random: np.random.Generator) -> float:
    """A value between the two; NaN where there are none."""
    return float(random.uniform(*pair)) if pair else float("nan")
