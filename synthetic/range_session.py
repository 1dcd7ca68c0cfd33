"""A golfer's session on the range as one long stream: swings with and without a ball, and all that lies between.

Drawn episode by episode, so that memory does not grow with the session. How often what happens, how long pauses last
and how far a recorder drifts is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pacsv
from numpy.typing import NDArray
from scipy.signal import lfilter

from faultml.channels import CHANNELS, LANDMARKS, PRONATION
from faultml.faults.catalogue import Catalogue
from faultml.recordings.stream import Block
from faultml.synthetic.clock import CLOCK_S, RATE_HZ
from faultml.synthetic.golfers import draw_golfers
from faultml.synthetic.latent import draw_motion
from faultml.synthetic.motion import Motion, SwingPlan
from faultml.synthetic.nonswings import MOVEMENTS
from faultml.synthetic.sensors import Recorder, draw_recorder, mount
from faultml.synthetic.shapes import smooth_step, wobble

Array = NDArray[np.float64]

FULL: Final = "full"
PRACTICE: Final = "practice"
"""A full swing with the ball, and one at full speed without."""

EPISODES: Final = {
    FULL: 8.0,
    PRACTICE: 2.5,
    "waggle": 2.0,
    "walk": 2.0,
    "gesture": 2.0,
    "half_speed": 1.5,
    "chip": 1.2,
    "putt": 0.8,
    "hammer": 0.5,
    "broken_off": 0.4,
    "knock": 0.4,
}
"""What happens on a range and how often; a longer `gesture` is also how a club is changed."""

RATES_HZ: Final = (100.0, 120.0, 125.0, 200.0, 240.0, 250.0)
_STRIKES: Final = (FULL, "chip", "putt")
_MOTIONS_AT_ONCE: Final = 24
_N_GOLFER_NUMBERS: Final = 64
_LONG_OFF_CHANCE: Final = 0.03
_SHORT_OFF_CHANCE: Final = 0.02


@dataclass(frozen=True)
class RangePiece:
    """One episode of a session: what the recorder left, and a row of truth about it.

    `truth` holds ``kind``, landmark times on the recorder's clock (NaN where it is no full swing), ``still_s`` (since
    when the wrist was still at address), and ``broken``: the recorder was off for longer than can be filled somewhere
    between takeaway and finish.
    """

    block: Block
    truth: dict[str, object]


def draw_range_session(
    catalogue: Catalogue,
    seed: int,
    *,
    duration_s: float,
    rate_hz: float | None = None,
    contact_mark: bool | None = None,
) -> Iterator[RangePiece]:
    """The session of one golfer and one recorder, which follow from the seed; about `duration_s` long.

    A rate or a contact mark that is not given is drawn.
    """
    random = np.random.default_rng([seed, 5])
    recorder = draw_recorder(random, rate_hz=rate_hz or float(random.choice(RATES_HZ)))
    if contact_mark is not None:
        recorder = replace(recorder, contact_mark=contact_mark)
    wrist, reader = _Wrist(catalogue, random), _Reader(recorder, random)
    while reader.now_s < duration_s:
        kind, angles_deg, landmarks_s, still_s = wrist.move()
        yield reader.record(kind, angles_deg, landmarks_s, still_s)


class _Wrist:
    """Moves from episode to episode, with pauses between."""

    def __init__(self, catalogue: Catalogue, random: np.random.Generator) -> None:
        self._catalogue, self._random = catalogue, random
        self._golfer = draw_golfers(catalogue, 1, random)
        self._own_way = random.normal(0, 1, (1, _N_GOLFER_NUMBERS))
        self._motions: list[Motion] = []
        self._pose: Array | None = None

    def move(self) -> tuple[str, Array, Array, float]:
        """Kind, angles ``(3, n)`` at `RATE_HZ`, landmarks ``(4,)`` and still address, both s from the beginning."""
        random = self._random
        share = np.array(list(EPISODES.values()))
        kind = str(random.choice(list(EPISODES), p=share / share.sum()))
        motion = self._next_motion()
        impact, finish = motion.landmarks_s[0, 2:]
        swings = kind in (FULL, PRACTICE)
        angles = motion.angles_deg[0] if swings else MOVEMENTS[kind](motion, random)[0]
        still_s = float(random.choice([0.4, 0.8, 2.0]) * random.uniform(0.8, 1.4))
        last_s = finish + random.uniform(0.1, 2.0) if swings else random.uniform(2.0, 4.9)
        if kind in ("half_speed", "chip", "broken_off"):
            last_s = min(2.2 * finish, 4.9)
        part = angles[:, (-still_s <= CLOCK_S) & (min(last_s, 4.9) > CLOCK_S)]
        before = self._between(part[:, 0], motion.address_deg[0])
        self._pose = part[:, -1]
        zero_s = before.shape[1] / RATE_HZ + still_s
        strike = [impact] if kind in _STRIKES else [np.nan]
        landmarks = motion.landmarks_s[0] if swings else np.array([np.nan, np.nan, *strike, np.nan])
        moved = np.concatenate([before, part], axis=1)
        sway = wobble(np.arange(moved.shape[1]) / RATE_HZ, np.full((1, 3), 0.25), random, 0.1, 0.6)[0]
        return kind, moved + sway, landmarks + zero_s, zero_s - still_s

    def _next_motion(self) -> Motion:
        if not self._motions:
            count, golfer = _MOTIONS_AT_ONCE, self._golfer
            meant = golfer.fault_size * self._random.uniform(0.3, 1.0, (count, 1))
            plan = SwingPlan(
                table=golfer.table.iloc[[0] * count].reset_index(drop=True),
                style_deg=np.repeat(golfer.style_deg, count, axis=0),
                range_deg=np.repeat(golfer.range_deg, count, axis=0),
                size=meant,
                golfer_random=np.repeat(self._own_way, count, axis=0),
            )
            drawn = draw_motion(self._catalogue, plan, self._random)
            fields = drawn.__dataclass_fields__
            self._motions = [
                Motion(**{name: getattr(drawn, name)[[row]] for name in fields}) for row in range(count)
            ]
        return self._motions.pop()

    def _between(self, to_deg: Array, address_deg: Array) -> Array:
        """From the last pose to a rest, the pause there, and on to the next episode's beginning."""
        random = self._random
        rest = address_deg + random.normal(0, 12, 3)
        pose = rest if self._pose is None else self._pose
        pause_s = float(random.choice([0.3, 2.0, 8.0]) * random.uniform(0.5, 2.0))
        steps = [(pose, rest, random.uniform(0.5, 1.5)), (rest, rest, pause_s)]
        steps += [(rest, to_deg, random.uniform(0.5, 1.5))]
        parts = []
        for start, end, length_s in steps:
            t_s = np.arange(0, length_s, 1 / RATE_HZ)[None]
            share = smooth_step(t_s, np.zeros(1), np.full(1, length_s))
            parts.append(start[:, None] + (end - start)[:, None] * share)
        return np.concatenate(parts, axis=1)


class _Reader:
    """Records the wrist's motion piece by piece: its clock, noise and drift run on from one to the next."""

    def __init__(self, recorder: Recorder, random: np.random.Generator) -> None:
        self._recorder, self._random = recorder, random
        self._true_s, self._off_s, self._n_samples = 0.0, 0.0, 0
        self._start_s = float(random.uniform(0, 1000))
        self._slow = random.normal(0, recorder.slow_noise_deg, (3, 1))
        # A recorder's filter keeps drift bounded: it wanders by some degrees within minutes to an hour.
        self._drift_deg = random.normal(0, 2.5, (3, 3, 1))
        self._drift_hz = 1 / random.uniform(200, 4000, (3, 3, 1))
        self._drift_from = random.uniform(0, 2 * np.pi, (3, 3, 1))

    @property
    def now_s(self) -> float:
        """Time since the session began."""
        return self._true_s + self._off_s

    def record(self, kind: str, angles_deg: Array, landmarks_s: Array, still_s: float) -> RangePiece:
        """What is left of an episode."""
        recorder, random = self._recorder, self._random
        if random.random() < _LONG_OFF_CHANCE:
            self._off_s += random.uniform(5, 120)
        shift_s = self._start_s + self.now_s
        seen = self._see(angles_deg, landmarks_s[2] if kind in _STRIKES else np.nan)
        length_s = angles_deg.shape[1] / RATE_HZ
        step_s = 1 / recorder.rate_hz
        count = max(0, int(np.floor((self._true_s + length_s) / step_s)) + 1 - self._n_samples)
        even_s = (self._n_samples + np.arange(count)) * step_s - self._true_s
        t_s = even_s + recorder.jitter * step_s * random.normal(0, 0.3, count).clip(-1, 1)
        read = np.stack([np.interp(t_s, np.arange(len(row)) / RATE_HZ, row) for row in seen])
        read += random.normal(0, recorder.noise_deg, read.shape) + self._slow_noise(count)
        turn = 2 * np.pi * self._drift_hz * (self.now_s + t_s) + self._drift_from
        read += (self._drift_deg * np.sin(turn)).sum(axis=0)
        if not recorder.pronation:
            read[PRONATION] = np.nan

        off = self._turned_off(length_s)
        kept = ~((t_s >= off[0]) & (t_s < off[1]))
        clock_s = (t_s + shift_s)[kept]
        struck = kind in _STRIKES and recorder.contact_mark and not off[0] <= landmarks_s[2] < off[1]
        marks = landmarks_s[[2]] + shift_s + random.normal(0, 0.001, 1) if struck else np.empty(0)
        lost = off[1] - off[0] > 0.05 and off[1] > landmarks_s[0] and off[0] < landmarks_s[3]
        self._true_s += length_s
        self._n_samples += count
        full = kind in (FULL, PRACTICE)
        truth = {"kind": kind, "still_s": still_s + shift_s, "broken": bool(lost), "marked": bool(struck)}
        truth |= {
            f"{name}_s": at + shift_s if full else np.nan
            for name, at in zip(LANDMARKS, landmarks_s, strict=True)
        }
        if recorder.ms_rounded:
            clock_s = clock_s.round(3)
        return RangePiece(Block(clock_s, read[:, kept].astype(np.float32).astype(float), marks), truth)

    def _see(self, angles_deg: Array, contact_s: float) -> Array:
        recorder, random = self._recorder, self._random
        seen = angles_deg.copy()
        seen[:PRONATION] = mount(angles_deg[None], recorder.mounting)[0]
        seen[PRONATION] *= recorder.under_read
        if np.isfinite(recorder.gyro_limit_dps):
            most = recorder.gyro_limit_dps / RATE_HZ
            steps = np.clip(np.diff(seen, axis=1), -most, most)
            seen = seen[:, :1] + np.concatenate([np.zeros((3, 1)), np.cumsum(steps, axis=1)], axis=1)
        if recorder.shake_deg and np.isfinite(contact_s):
            since = np.maximum(np.arange(seen.shape[1]) / RATE_HZ - contact_s, 0)
            ring = np.exp(-since / 0.015) * np.sin(2 * np.pi * random.uniform(25, 60) * since)
            seen += recorder.shake_deg * random.normal(0, 1, (3, 1)) * ring
        return seen

    def _slow_noise(self, count: int) -> Array:
        keep = np.exp(-1 / (0.15 * self._recorder.rate_hz))
        size = self._recorder.slow_noise_deg * np.sqrt(1 - keep**2)
        pushed = self._random.normal(0, size, (len(CHANNELS), count))
        noise, _ = lfilter([1.0], [1.0, -keep], pushed, axis=1, zi=keep * self._slow)
        if count:
            self._slow = noise[:, -1:]
        return noise

    def _turned_off(self, length_s: float) -> tuple[float, float]:
        """When the recorder loses samples in this episode: sometimes a second or so, sometimes a few samples."""
        chance = self._random.random()
        at_s = self._random.uniform(0, length_s)
        if chance < _SHORT_OFF_CHANCE:
            return at_s, at_s + self._random.uniform(0.1, 3.0)
        if chance < _SHORT_OFF_CHANCE + 4 * self._recorder.gap_chance:
            return at_s, at_s + self._random.uniform(0.01, 0.04)
        return length_s, length_s


def write_stream(pieces: Iterator[RangePiece], path: Path, player: str, session: str) -> pd.DataFrame:
    """Write a session as one recording in the long CSV layout, as it is drawn; returns its truth, a row an episode.

    ``impact_s`` stands on the rows of an episode in which contact was marked.
    """
    fields = [(name, pa.string()) for name in ("player", "session", "swing")] + [("t_s", pa.float64())]
    schema = pa.schema([*fields, *((name, pa.float32()) for name in CHANNELS), ("impact_s", pa.float64())])
    truth = []
    with pacsv.CSVWriter(path, schema) as writer:
        for piece in pieces:
            block = piece.block
            truth.append(piece.truth)
            columns: dict[str, object] = {
                name: np.full(len(block.t_s), text, dtype=object)
                for name, text in zip(("player", "session", "swing"), (player, session, "1"), strict=True)
            }
            columns["t_s"] = block.t_s
            for name, row in zip(CHANNELS, block.angles_deg, strict=True):
                columns[name] = pa.array(row.astype(np.float32), from_pandas=True)
            mark = block.marks_s[0] if len(block.marks_s) else np.nan
            columns["impact_s"] = pa.array(np.full(len(block.t_s), mark), from_pandas=True)
            writer.write_table(pa.table(columns, schema=schema))
    return pd.DataFrame(truth)
