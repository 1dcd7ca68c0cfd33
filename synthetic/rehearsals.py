"""Rehearsals of a drill with known truth: repetitions about its window, and all that is done between them.

Everything here is synthetic. A margin of 15 degrees can ask for an angle that few wrists have: it tests the arithmetic
of a window, not anatomy.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from faultml.faults.catalogue import load_catalogue
from faultml.faults.measure import coordinate
from faultml.synthetic.clock import RATE_HZ
from faultml.synthetic.golfers import draw_golfers
from faultml.synthetic.rehearsal_between import Tape, add_full_swing, draw_between
from faultml.synthetic.rehearsal_motion import (
    Plan,
    Rehearser,
    Repetition,
    Tremor,
    draw_rehearser,
    draw_repetition,
)
from faultml.synthetic.rehearsal_recorder import record_rehearsal
from faultml.synthetic.rehearsal_rules import Kind, Route, load_rehearsal_rules
from faultml.synthetic.rehearsal_truth import (
    AskedWindow,
    RehearsalTruth,
    RepetitionTruth,
    moment_doubt,
    read_window,
    setup_angles,
)

Array = NDArray[np.float64]

MAX_MARGIN_DEG: Final = 15.0
RATE_BOUNDS_HZ: Final = (50.0, 500.0)


@dataclass(frozen=True)
class Rehearsal:
    """A recorded session of one drill.

    Attributes
    ----------
    drill, handedness, rate_hz
        What was rehearsed, by whom, and how often the recorder samples.
    time_s
        ``(n,)`` the samples' own times, in the order in which they arrive: late samples stand behind later ones, and
        doubled ones stand twice.
    arrived_s
        ``(n,)`` when each sample arrives, on the same clock, not decreasing.
    flexion_deg, ulnar_deg, pronation_deg
        ``(n,)`` absolute angles of the lead wrist in anatomical signs.
    elevation_deg
        ``(n,)`` the lead forearm above level, or None where the recorder does not give it.
    truth
        What was done.
    """

    drill: str
    handedness: str
    rate_hz: float
    time_s: Array
    arrived_s: Array
    flexion_deg: Array
    ulnar_deg: Array
    pronation_deg: Array
    elevation_deg: Array | None
    truth: RehearsalTruth


def rehearsal_kinds() -> tuple[str, ...]:
    """The ways in which repetitions are made."""
    return tuple(load_rehearsal_rules().kinds)


def rehearsal_recorders() -> tuple[str, ...]:
    """The recorders."""
    return tuple(load_rehearsal_rules().recorders)


def rehearsed_drills() -> tuple[str, ...]:
    """The drills that can be rehearsed."""
    return tuple(load_rehearsal_rules().routes)


def spread_margins(count: int, rng: np.random.Generator) -> Array:
    """Margins from -15 to +15 degrees, evenly spread with chance, in no order, ``(count,)``."""
    step = 2 * MAX_MARGIN_DEG / count
    margins = -MAX_MARGIN_DEG + step * (np.arange(count) + rng.uniform(0, 1, count))
    return rng.permutation(margins)


def make_rehearsal(
    drill: str,
    window: AskedWindow,
    *,
    kind: str,
    rate_hz: float,
    handedness: Literal["left", "right"],
    excursions_deg: Array,
    rng: np.random.Generator,
    recorder: str = "everyday",
    elevation: bool = False,
) -> Rehearsal:
    """A session with one repetition for each excursion.

    Parameters
    ----------
    drill
        A drill's id, one of `rehearsed_drills`.
    window
        Its window: the book's, or one placed on a player. A share of the unhinging counts as its bound in degrees.
    kind, recorder
        One of `rehearsal_kinds` and one of `rehearsal_recorders`.
    rate_hz
        50 to 500.
    excursions_deg
        ``(n,)`` how far inside the bound each repetition shall be, negative outside. A window that cannot be met so far
        inside is met as far as it can be; the truth holds what was measured.
    elevation
        Whether the recorder gives the forearm's elevation.

    Raises
    ------
    ValueError
        For an unknown drill, kind or recorder, a rate out of bounds and no excursions.
    """
    rules = load_rehearsal_rules()
    for name, known in ((drill, rules.routes), (kind, rules.kinds), (recorder, rules.recorders)):
        if name not in known:
            raise ValueError(f"unknown {name!r}: known are {', '.join(known)}")
    if not RATE_BOUNDS_HZ[0] <= rate_hz <= RATE_BOUNDS_HZ[1] or not len(excursions_deg):
        raise ValueError(f"expected 50 to 500 Hz and one excursion or more, found {rate_hz} Hz")
    session = _Session(rules.routes[drill], window, rules.kinds[kind], rng)
    session.make(np.asarray(excursions_deg, dtype=float))
    truth = session.truth()
    samples = record_rehearsal(
        truth.t_s,
        np.concatenate([truth.angles_deg, truth.elevation_deg[None]]),
        rules.recorders[recorder],
        rate_hz=rate_hz,
        handedness=handedness,
        rests_s=np.array([repetition.end_s for repetition in truth.repetitions[:-1] or truth.repetitions]),
        random=rng,
    )
    flexion, ulnar, pronation = samples.angles_deg
    return Rehearsal(
        drill=drill,
        handedness=handedness,
        rate_hz=rate_hz,
        time_s=samples.t_s,
        arrived_s=samples.arrived_s,
        flexion_deg=flexion,
        ulnar_deg=ulnar,
        pronation_deg=pronation,
        elevation_deg=samples.elevation_deg if elevation else None,
        truth=replace(truth, turned_s=samples.turned_s, off_s=samples.off_s),
    )


class _Session:
    """One golfer's session, drawn from beginning to end."""

    def __init__(self, route: Route, window: AskedWindow, kind: Kind, random: np.random.Generator) -> None:
        self._route, self._window, self._kind, self._random = route, window, kind, random
        self._golfers = draw_golfers(load_catalogue(), 1, random)
        columns = ["address_flexion_deg", "address_ulnar_deg", "address_pronation_deg"]
        usual = self._golfers.table[columns].to_numpy(float)[0]
        self._golfer: Rehearser = draw_rehearser(route, usual, random)
        self._tremor = Tremor(random)
        self._setup = np.append(usual, route.places[0].elevation_deg + self._golfer.elevation_offset_deg)
        self._tape = Tape(self._setup + random.normal(0, [10, 6, 10, 8]), float(random.uniform(0, 100)))
        self._holds_only = len(route.places) == 1
        self._repetitions: list[RepetitionTruth] = []

    def make(self, margins_deg: Array) -> None:
        """All repetitions, with what is done before, between and after them."""
        random, kind = self._random, self._kind
        draw_between(self._tape, self._setup, random)
        for k, margin_deg in enumerate(margins_deg):
            if kind.full_swing and k == len(margins_deg) // 2:
                add_full_swing(self._tape, self._golfers, self._setup, random)
                draw_between(self._tape, self._setup, random)
            if random.random() < kind.broken_off_share or (kind.broken_off_share and k == 0):
                self._break_off()
            self._repeat(float(margin_deg))
            if self._holds_only or not kind.runs_on:
                self._tape.glide(self._near_setup(), random.uniform(0.7, 1.6), "return")
                if self._holds_only or random.random() < 0.6:
                    draw_between(self._tape, self._setup, random)
        draw_between(self._tape, self._setup, random)

    def _repeat(self, margin_deg: float) -> None:
        route, random = self._route, self._random
        end = route.end_phase
        if not self._holds_only and random.random() < self._kind.part_share:
            end = self._short_end()
        made = self._perform(margin_deg, end)
        way = made.way
        setup, last = way.visits[0], self._window.span[1]
        self._repetitions.append(
            RepetitionTruth(
                start_s=setup.from_s if self._holds_only else setup.to_s,
                end_s=float(way.t_s[-1]),
                visits=way.visits,
                hesitations_s=way.hesitations_s,
                whole=end == route.end_phase,
                whole_stretch=end >= min(coordinate(last), route.end_phase) - 1e-9,
                setup_deg=setup_angles(way, made.angles_deg),
                reading=read_window(self._window, way, made.angles_deg),
                moment_doubt_deg=moment_doubt(self._window, way, made.angles_deg),
            )
        )

    def _perform(self, margin_deg: float, end_phase: float, what: str = "") -> Repetition:
        """Set up and move as far as `end_phase`; `what` names an attempt that is no repetition."""
        random, tape = self._random, self._tape
        length_s = random.uniform(0.5, 1.2)
        start_s = tape.now_s + max(1, round(length_s * RATE_HZ)) / RATE_HZ
        made = draw_repetition(
            self._route,
            self._window,
            self._kind,
            self._golfer,
            self._tremor,
            Plan(start_s, end_phase, margin_deg),
            random,
        )
        motion = np.concatenate([made.calm_deg, made.elevation_deg[None]])
        tape.glide(motion[:, 0], length_s, "return" if self._kind.runs_on else "setting_up")
        tape.add(motion, what)
        return made

    def _break_off(self) -> None:
        """An attempt that ends before the window's first moment."""
        first = min(coordinate(self._window.span[0]), self._route.end_phase)
        if self._holds_only:
            self._tape.glide(self._near_setup(), self._random.uniform(0.5, 0.9), "broken_off")
            draw_between(self._tape, self._setup, self._random)
            return
        self._perform(float("nan"), float(self._random.uniform(0.35, 0.75) * first), "broken_off")
        self._tape.glide(self._near_setup(), self._random.uniform(0.5, 1.2), "return")

    def _short_end(self) -> float:
        """Where a part repetition ends: at a place behind the window's stretch, else short of the last place."""
        last = coordinate(self._window.span[1])
        phases = [place.phase for place in self._route.places]
        enough = [phase for phase in phases[:-1] if phase >= last]
        if enough:
            return enough[0]
        return phases[-2] + float(self._random.uniform(0.6, 0.85)) * (phases[-1] - phases[-2])

    def _near_setup(self) -> Array:
        return self._setup + self._random.normal(0, [4, 3, 4, 4])

    def truth(self) -> RehearsalTruth:
        """What was done."""
        motion = self._tape.motion
        t_s = self._tape.start_s + np.arange(motion.shape[1]) / RATE_HZ
        return RehearsalTruth(
            t_s=t_s,
            angles_deg=motion[:3] + self._tremor.at(t_s),
            elevation_deg=motion[3],
            usual_setup_deg=self._golfer.setup_deg,
            repetitions=tuple(self._repetitions),
            spans=tuple(self._tape.spans),
            turned_s=float("nan"),
            off_s=(float("nan"), float("nan")),
        )
