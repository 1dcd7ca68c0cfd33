"""What is done between repetitions: walking, waggling, regripping, laying the club down, picking it up, a full swing.

Poses are the wrist's three angles and the forearm's elevation, degrees. Sizes and durations are common practice, no
source.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.faults.catalogue import load_catalogue
from faultml.synthetic.clock import CLOCK_S, RATE_HZ
from faultml.synthetic.golfers import Golfers
from faultml.synthetic.latent import draw_motion
from faultml.synthetic.motion import SwingPlan
from faultml.synthetic.rehearsal_truth import Span
from faultml.synthetic.shapes import smooth_step, wobble

Array = NDArray[np.float64]

SHARES: Final = {
    "walk": 2.0,
    "waggle": 2.0,
    "regrip": 2.0,
    "club_down": 1.0,
    "gesture": 1.0,
}
"""What is done between repetitions, and how often."""

_HANGING: Final = np.array([-8.0, 6.0, 0.0, -84.0])
_ON_THE_GROUND: Final = np.array([-28.0, 14.0, 8.0, -76.0])
_BEFORE_THE_BELT: Final = np.array([-15.0, -6.0, 5.0, -28.0])


class Tape:
    """The motion since `start_s`, piece by piece without a jump, at 500 Hz, and the spans that are no repetition."""

    def __init__(self, pose: Array, start_s: float) -> None:
        self._pieces = [pose[:, None]]
        self.start_s = start_s
        self.pose = pose
        self.n_samples = 1
        self.spans: list[Span] = []

    @property
    def now_s(self) -> float:
        """When the next sample is."""
        return self.start_s + self.n_samples / RATE_HZ

    @property
    def motion(self) -> Array:
        """Everything so far, ``(4, n)``."""
        return np.concatenate(self._pieces, axis=1)

    def add(self, piece: Array, what: str = "") -> None:
        """Append samples ``(4, n)``; `what` names a span, none a repetition."""
        from_s = self.now_s
        self._pieces.append(piece)
        self.n_samples += piece.shape[1]
        self.pose = piece[:, -1]
        if not what:
            return
        if self.spans and self.spans[-1].what == what and self.spans[-1].to_s == from_s:
            from_s = self.spans.pop().from_s
        self.spans.append(Span(what, from_s, self.now_s))

    def glide(self, pose: Array, length_s: float, what: str) -> None:
        """A minimum-jerk movement to a pose."""
        count = max(1, round(length_s * RATE_HZ))
        share = smooth_step(np.arange(1.0, count + 1)[None], np.zeros(1), np.full(1, float(count)))
        self.add(self.pose[:, None] + (pose - self.pose)[:, None] * share, what)

    def shake(
        self,
        size: Array,
        length_s: float,
        band_hz: tuple[float, float],
        what: str,
        random: np.random.Generator,
    ) -> None:
        """Smooth movement about the pose that begins and ends at it; `size` ``(4,)`` degrees."""
        t_s = np.arange(1, round(length_s * RATE_HZ) + 1) / RATE_HZ
        moved = wobble(t_s, size[None], random, *band_hz)[0]
        edge_s = np.minimum(0.25, 0.3 * length_s)
        fade = smooth_step(t_s[None], np.zeros(1), np.full(1, edge_s))
        fade = fade - smooth_step(t_s[None], np.full(1, length_s - edge_s), np.full(1, length_s))
        self.add(self.pose[:, None] + moved * fade, what)


def draw_between(tape: Tape, setup: Array, random: np.random.Generator) -> None:
    """One or two things that are done between repetitions; ends near them, not at the setup."""
    shares = np.array(list(SHARES.values()))
    for what in random.choice(list(SHARES), int(random.integers(1, 3)), p=shares / shares.sum()):
        _EPISODES[str(what)](tape, setup, random)


def _walk(tape: Tape, setup: Array, random: np.random.Generator) -> None:
    tape.glide(_HANGING + random.normal(0, [6, 4, 8, 3]), random.uniform(0.6, 1.2), "walk")
    length_s = random.uniform(1.5, 4.0)
    tape.shake(random.uniform([3, 2, 5, 5], [18, 12, 30, 14]), length_s, (0.8, 1.1), "walk", random)


def _waggle(tape: Tape, setup: Array, random: np.random.Generator) -> None:
    tape.glide(setup, random.uniform(0.5, 1.0), "setting_up")
    length_s = random.uniform(0.8, 2.5)
    tape.shake(random.uniform([2, 4, 1, 1], [10, 16, 10, 4]), length_s, (0.8, 2.5), "waggle", random)


def _regrip(tape: Tape, setup: Array, random: np.random.Generator) -> None:
    tape.glide(_BEFORE_THE_BELT + random.normal(0, [5, 4, 6, 8]), random.uniform(0.5, 0.9), "regrip")
    for _ in range(int(random.integers(1, 4))):
        tape.glide(tape.pose + random.normal(0, [14, 7, 18, 3]), random.uniform(0.15, 0.5), "regrip")
        tape.shake(random.uniform(0.5, 4, 4), random.uniform(0.2, 0.8), (1.0, 4.0), "regrip", random)


def _club_down(tape: Tape, setup: Array, random: np.random.Generator) -> None:
    ground = _ON_THE_GROUND + random.normal(0, [7, 4, 8, 3])
    tape.glide(ground, random.uniform(0.7, 1.3), "club_down")
    tape.glide(_HANGING + random.normal(0, [8, 5, 10, 4]), random.uniform(0.6, 1.2), "club_down")
    tape.shake(
        random.uniform([1, 1, 2, 1], [8, 6, 14, 8]),
        random.uniform(1.0, 3.0),
        (0.2, 1.0),
        "empty_hands",
        random,
    )
    tape.glide(ground + random.normal(0, 3, 4), random.uniform(0.7, 1.2), "club_up")
    tape.glide(_BEFORE_THE_BELT + random.normal(0, [5, 4, 6, 6]), random.uniform(0.6, 1.0), "club_up")


def _gesture(tape: Tape, setup: Array, random: np.random.Generator) -> None:
    tape.glide(_BEFORE_THE_BELT + random.normal(0, [8, 5, 10, 15]), random.uniform(0.5, 0.9), "gesture")
    tape.shake(random.uniform(4, 25, 4), random.uniform(1.0, 3.0), (0.15, 1.5), "gesture", random)


_EPISODES: Final = {
    "walk": _walk,
    "waggle": _waggle,
    "regrip": _regrip,
    "club_down": _club_down,
    "gesture": _gesture,
}


def add_full_swing(tape: Tape, golfers: Golfers, setup: Array, random: np.random.Generator) -> None:
    """A real swing at full speed of this golfer, from a still setup to the finish."""
    plan = SwingPlan(
        table=golfers.table,
        style_deg=golfers.style_deg,
        range_deg=golfers.range_deg,
        size=golfers.fault_size * random.uniform(0.3, 1.0),
        golfer_random=random.normal(0, 1, (1, 64)),
    )
    motion = draw_motion(load_catalogue(), plan, random)
    takeaway, top, impact, finish = motion.landmarks_s[0]
    part = (CLOCK_S >= -0.5) & (finish + 0.3 > CLOCK_S)
    knots_s = [-0.5, takeaway, top, impact, finish]
    heights = np.array([setup[3], setup[3], 35.0, setup[3] + 3.0, 30.0])
    elevation = np.full(part.sum(), heights[0])
    for start, end, rise in zip(knots_s, knots_s[1:], np.diff(heights), strict=False):
        elevation += rise * smooth_step(CLOCK_S[None, part], np.array([start]), np.array([end]))[0]
    angles = setup[:3, None] + motion.d_deg[0][:, part]
    swung = np.concatenate([angles, elevation[None]])
    tape.glide(swung[:, 0], random.uniform(0.6, 1.0), "setting_up")
    tape.add(swung[:, 1:], "full_swing")
