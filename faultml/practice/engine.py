"""The practice engine: samples in, typed events out, and nothing else.

It has no clock, no sound and no socket, and it is causal: at a sample it knows the samples up to that one. So a file, a
replay and a live stream of the same samples give the same events.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np

from faultml.care.rules import UsualMotion, load_care
from faultml.channels import CHANNELS
from faultml.coaching.stations import Station
from faultml.coaching.window import Window
from faultml.practice.cue import Cue
from faultml.practice.events import (
    AnyEvent,
    CareStop,
    FullSwing,
    Repetition,
    SetupTaken,
    StationReached,
    Trouble,
    TroubleCode,
    Verdict,
)
from faultml.practice.frames import Framer, Sample
from faultml.practice.judge import Judged, Target, direction_of, past_now
from faultml.practice.movement import Angles, Movement
from faultml.practice.places import Reader, Stop
from faultml.practice.repetitions import repetition_of
from faultml.practice.rest import Rest
from faultml.practice.rules import PracticeRules, load_practice_rules
from faultml.practice.stops import Motion, Watcher

_KEPT_S: Final = 9.0
"""So much of the samples is kept for a swing at full speed."""
_LEFT_DEG: Final = 12.0
"""So far from a stop back at the setup, the next repetition has begun."""
_AWAY_S: Final = 4.0
"""Moving so long without a stop or a station is no repetition."""


class SwingReader(Protocol):
    """Reads a swing at full speed after it has ended."""

    def read(self, samples: Iterable[Sample], target: Target) -> Judged:
        """How far inside the window it lies; ``no-full-swing`` where it is none."""


@dataclass
class _Fast:
    """Something faster than a rehearsal: when it began, its highest speed and when, and the movement it belongs to."""

    start_s: float
    peak: tuple[float, float]
    movement: Movement | None


class Engine:
    """Follows one player's repetitions of one drill.

    Parameters
    ----------
    target
        What is practised.
    swings
        Reads swings at full speed; without one they are found and not judged.
    rules
        The package's own where not given.
    """

    def __init__(
        self, target: Target, *, swings: SwingReader | None = None, rules: PracticeRules | None = None
    ) -> None:
        self.rules = rules = rules or load_practice_rules()
        self.target = target
        self.live = True
        self._swings = swings
        self._usual_motion: UsualMotion = load_care().usual_motion
        self._framer = Framer(rules.stream)
        self._watcher = Watcher(rules.stops, rules.stream)
        self._cue = Cue(rules.cue, rules.stream.frame_s)
        self._live_stops = target.live(rules.cue)
        self._judged_by = Reader(target.window.channel, target.window.sign)
        self._rest = Rest(target.usual_setup_deg, rules)
        self._movement: Movement | None = None
        self._waits_home = False
        self._window: Window | None = None
        self._quiet = True
        self._count = 0
        self._fast: _Fast | None = None
        self._reported: set[TroubleCode] = set()
        self._near_end = 0
        self._kept: deque[Sample] = deque()

    @property
    def has_live_cue(self) -> bool:
        """Whether a live cue is possible at all: the drill has a stop for it, and the sensor is sure enough."""
        return bool(self._live_stops)

    def push(self, sample: Sample) -> list[AnyEvent]:
        """Take the next sample; what it shows."""
        if math.isfinite(sample.t_s):
            self._kept.append(sample)
            while self._kept[0].t_s < sample.t_s - _KEPT_S:
                self._kept.popleft()
        out: list[AnyEvent] = []
        for each in self._framer.push(sample):
            out += (
                self._trouble(each) if isinstance(each, Trouble) else self._follow(self._watcher.push(each))
            )
        return out

    def wait(self, now_s: float) -> list[AnyEvent]:
        """Let time pass without a sample, on the recording's clock: silence is reported."""
        return [event for each in self._framer.wait(now_s) for event in self._trouble(each)]

    def finish(self) -> list[AnyEvent]:
        """End of the stream: what is still open is judged as far as it has come."""
        out: list[AnyEvent] = []
        for frame in self._framer.finish():
            out += self._follow(self._watcher.push(frame))
        if self._fast is not None:
            out += self._read_swing(self._fast, self._kept[-1].t_s)
        if self._movement is not None:
            out += self._end(self._movement)
        return out

    # ------------------------------------------------------------------ one frame

    def _follow(self, motion: Motion) -> list[AnyEvent]:
        out = self._sensor_troubles(motion)
        if self._fast is not None:
            return out + self._follow_fast(self._fast, motion)
        if self._is_fast(motion):
            return out + self._begin_fast(motion)
        if self._movement is None:
            return out + self._follow_rest(motion)
        return out + self._follow_movement(self._movement, motion)

    def _follow_rest(self, motion: Motion) -> list[AnyEvent]:
        out, left = self._rest.read(motion)
        if any(isinstance(each, SetupTaken) for each in out):
            self._quiet = False
            self._reported.clear()
        if any(isinstance(each, Trouble) for each in out):
            self._quiet = True
        if left is not None:
            self._begin(left.setup_deg, left.at_setup)
            assert self._movement is not None
            self._movement.add(motion)
        return out

    def _begin(self, setup_deg: Angles, at_setup: bool) -> None:
        self._movement = Movement(
            setup_deg, at_setup, self.target.drill.rehearsal.stops, self._judged_by, self.rules
        )
        placed = self.target.placed_at(setup_deg)
        usable = placed.usable and at_setup and isinstance(placed.window, Window)
        self._window = placed.window if usable and isinstance(placed.window, Window) else None
        self._waits_home = False

    def _follow_movement(self, movement: Movement, motion: Motion) -> list[AnyEvent]:
        began = movement.add(motion)
        out: list[AnyEvent] = []
        if began:
            out += self._stopped(movement)
            if self._movement is not movement:
                return out
        out += self._sound(movement, motion)
        rules = self.rules.repetition
        if self._waits_home and movement.open_from is None:
            stop = movement.stops[-1]
            here = movement.frames[-1]
            if math.dist(_filled(stop.d_deg), _filled(here)) > _LEFT_DEG:
                return out + self._end_and_go_on(movement, stop)
        if movement.standing_s >= rules.hold_end_s:
            return out + self._end(movement, standing=True)
        complete = self._is_complete(movement)
        if complete and movement.moving_s > rules.after_last_s:
            return out + self._end(movement)
        lost = not movement.stops and movement.moving_s > _AWAY_S and not movement.is_slow_and_steady()
        if lost or movement.length_s > rules.max_s:
            return out + self._end(movement)
        return out

    def _stopped(self, movement: Movement) -> list[AnyEvent]:
        """A stop has begun to count."""
        out: list[AnyEvent] = []
        stop = movement.stops[-1]
        rehearsal = self.target.drill.rehearsal
        usual = self._rest.is_usual(movement.absolute(stop.d_deg))
        home = movement.is_home(stop) or usual
        if home and movement.reach_deg < rehearsal.min_move_deg:
            return self._abandon()
        if usual and not movement.at_setup and movement.far_deg < 2 * self.rules.repetition.near_deg:
            return self._abandon()
        if self._waits_home and not movement.crept:
            movement.stops.pop()
            return self._end(movement, standing=True)
        self._waits_home = False
        placed = movement.placed()
        again = rehearsal.again_from
        if again and not home and self._begins_again(movement, stop):
            return self._end_and_again(movement, stop)
        for station in placed:
            if station not in movement.reported:
                movement.reported.add(station)
                out.append(StationReached(t_s=movement.times_s[-1], station=station))
        if not home:
            return out + self._end_after(movement, placed)
        at_ball = movement.here(placed) == "ball"
        if at_ball and rehearsal.stops[-1] == "ball":
            self._waits_home = True
            return out
        if at_ball:
            return out
        return out + self._end(movement, standing=True)

    def _end_after(self, movement: Movement, placed: dict[Station, Stop]) -> list[AnyEvent]:
        """A stop that is no station ends a repetition which is complete and has come back."""
        last = placed.get(movement.stations[-1])
        if last is None or movement.here(placed) or not movement.has_returned(last.last):
            return []
        return self._end(movement, standing=True)

    def _begins_again(self, movement: Movement, stop: Stop) -> bool:
        """Whether a stop is where the next repetition begins, after the last one is complete without it."""
        again = self.target.drill.rehearsal.again_from
        earlier = Movement(
            movement.setup_deg, movement.at_setup, movement.stations, movement.judged, self.rules,
            stops=movement.stops[:-1],
        )  # fmt: skip
        placed = earlier.placed()
        last = movement.stations[-1]
        if not again or again not in placed or last not in placed:
            return False
        back = math.dist(_filled(stop.d_deg), _filled(placed[again].d_deg))
        return back < math.dist(_filled(stop.d_deg), _filled(placed[last].d_deg))

    # ------------------------------------------------------------------ ends

    def _is_complete(self, movement: Movement) -> bool:
        return bool(movement.stops) and movement.stations[-1] in movement.placed()

    def _end(self, movement: Movement, *, standing: bool = False) -> list[AnyEvent]:
        out: list[AnyEvent] = [*self._cue.off(movement.times_s[-1], "moved-on")]
        if self._may_be_swing(movement):
            self._wait_for_swing(movement, *movement.peak)
            return out
        repetition = self._judged(movement)
        if repetition is not None:
            out.append(repetition)
        self._movement = None
        self._waits_home = False
        if standing:
            self._rest.go_on(movement)
        else:
            self._rest.restart()
        return out

    def _may_be_swing(self, movement: Movement) -> bool:
        """Whether it was fast enough for a slow player's full swing, and is no rehearsal by its stops."""
        if self._swings is None or movement.peak[0] < self.rules.stops.swing_dps:
            return False
        return not all(each in movement.placed() for each in self.target.needed)

    def _abandon(self) -> list[AnyEvent]:
        movement, self._movement = self._movement, None
        self._waits_home = False
        assert movement is not None
        self._rest.go_on(movement)
        return [*self._cue.off(movement.times_s[-1], "moved-on")]

    def _end_and_go_on(self, movement: Movement, stop: Stop) -> list[AnyEvent]:
        """The next repetition has begun at the very stop that ended this one."""
        setup_deg, left = movement.absolute(stop.d_deg), movement
        frames = range(stop.last + 1, len(left.frames))
        out = self._end(movement)
        if not self._rest.is_near(setup_deg):
            return out
        self._begin(setup_deg, self._rest.is_usual(setup_deg))
        assert self._movement is not None
        for at in frames:
            d_deg = left.frames[at]
            smooth = (
                d_deg[0] + left.setup_deg[0],
                d_deg[1] + left.setup_deg[1],
                d_deg[2] + left.setup_deg[2],
            )
            self._movement.add(
                Motion(left.times_s[at], smooth, left.elevations_deg[at], False, 0.0, False, False, False)
            )
        return out

    def _end_and_again(self, movement: Movement, stop: Stop) -> list[AnyEvent]:
        going_on = movement.restart_at(stop)
        movement.stops.pop()
        movement.goes_on = True
        window = self._window
        out = self._end(movement)
        self._movement, self._window = going_on, window
        going_on.reported.add(self.target.drill.rehearsal.again_from or "top")
        return out

    def _judged(self, movement: Movement) -> Repetition | None:
        """The repetition that a movement was, None where it was none."""
        repetition = repetition_of(movement, self.target, self._rest, self._count + 1)
        self._count += repetition is not None
        return repetition

    # ------------------------------------------------------------------ sounds

    def _sound(self, movement: Movement, motion: Motion) -> list[AnyEvent]:
        out: list[AnyEvent] = [*self._care(movement, motion)]
        window = self._window
        placed = movement.placed() if self._may_cue(movement, motion) else {}
        here = movement.here(placed)
        cued = (
            here is not None
            and here in self._live_stops
            and (self._cue.is_on or movement.leads_to(here, movement.stops[-1], placed))
        )
        if window is None or not cued:
            return [*out, *self._cue.off(motion.t_s, "moved-on")]
        past = past_now(window, movement.frames[-1], placed)
        return [*out, *self._cue.read(motion.t_s, past, direction_of(window))]

    def _may_cue(self, movement: Movement, motion: Motion) -> bool:
        """Whether a cue may sound at all: at a stop of a repetition from a good setup, by a sensor that is trusted."""
        standing = motion.still and movement.open_from is not None
        trusted = not (self._quiet or movement.spoiled or movement.turned)
        return standing and trusted and self.live and bool(self._live_stops)

    def _care(self, movement: Movement, motion: Motion) -> list[CareStop]:
        """The stop sound: the wrist stands near the end of usual motion, and further than the player's own full
        hinge.
        """
        channel = next(
            (
                name
                for name, angle in zip(CHANNELS, motion.smooth_deg, strict=True)
                if self._usual_motion.near_end(name, angle)
                and not (name == "ulnar_deg" and -angle <= self._own_hinge_deg())
            ),
            "",
        )
        self._near_end = self._near_end + 1 if channel and motion.still else 0
        if self._near_end != max(1, round(self.rules.cue.stop_s / self.rules.stream.frame_s)):
            return []
        return [CareStop(t_s=motion.t_s, channel=channel)] if movement.at_setup and not self._quiet else []

    def _own_hinge_deg(self) -> float:
        own = self.target.own.hinge_deg
        return own + self._usual_motion.sensor_deg if np.isfinite(own) else 0.0

    # ------------------------------------------------------------------ full speed

    def _begin_fast(self, motion: Motion) -> list[AnyEvent]:
        """Too fast for a rehearsal: wait until it is over, then read it."""
        out: list[AnyEvent] = [*self._cue.off(motion.t_s, "moved-on")]
        movement = self._movement
        if movement is not None and all(each in movement.placed() for each in self.target.needed):
            out += self._end(movement)
            movement = None
        self._wait_for_swing(movement, motion.speed_dps, motion.t_s)
        return out

    def _is_fast(self, motion: Motion) -> bool:
        """Too fast for a rehearsal; between repetitions, fast enough for a slow player's full swing."""
        if "turned" in self._reported:
            return False
        slow = self._movement is None and self._swings is not None
        return motion.speed_dps > (self.rules.stops.swing_dps if slow else self.rules.stops.fast_dps)

    def _wait_for_swing(self, movement: Movement | None, peak_dps: float, peak_s: float) -> None:
        self._fast = _Fast(movement.start_s if movement else peak_s, (peak_dps, peak_s), movement)
        self._movement = None
        self._waits_home = False
        self._rest.restart()

    def _follow_fast(self, fast: _Fast, motion: Motion) -> list[AnyEvent]:
        fast.peak = max(fast.peak, (motion.speed_dps, motion.t_s))
        if motion.t_s - fast.peak[1] < self.rules.stops.settle_s:
            return []
        return self._read_swing(fast, motion.t_s)

    def _read_swing(self, fast: _Fast, now_s: float) -> list[AnyEvent]:
        """What was fast: a full swing; else the repetition that it belongs to, where that is one."""
        self._fast = None
        judged = Judged(float("nan"), "no-full-swing")
        if self._swings is not None:
            judged = self._swings.read(tuple(self._kept), self.target)
        if judged.why == "no-full-swing" and fast.movement is not None and fast.movement.stops:
            repetition = self._judged(fast.movement)
            return [] if repetition is None else [repetition]
        if judged.why == "no-full-swing" and fast.peak[0] < self.rules.stops.fast_dps:
            return []
        verdict: Verdict = "not-judged" if judged.why else "inside" if judged.margin_deg >= 0 else "outside"
        return [
            FullSwing(
                t_s=now_s,
                start_s=fast.start_s,
                end_s=fast.peak[1],
                verdict=verdict,
                why=judged.why,
                margin_deg=None if judged.why else round(judged.margin_deg, 3),
            )
        ]

    # ------------------------------------------------------------------ trouble

    def _trouble(self, trouble: Trouble) -> list[AnyEvent]:
        out: list[AnyEvent] = [*self._cue.off(trouble.t_s, "trouble"), trouble]
        self._quiet = True
        if trouble.code in ("lost", "silent"):
            self._watcher.restart()
            self._rest.restart()
            if self._movement is not None:
                self._movement.spoiled = True
        return out

    def _sensor_troubles(self, motion: Motion) -> list[AnyEvent]:
        found: list[TroubleCode] = [
            code  # type: ignore[misc]
            for code, so in (("turned", motion.turned), ("dead", motion.dead), ("drift", motion.drifts))
            if so and code not in self._reported
        ]
        out: list[AnyEvent] = []
        for code in found:
            self._reported.add(code)
            self._quiet = True
            out += [*self._cue.off(motion.t_s, "trouble"), Trouble(t_s=motion.t_s, code=code)]
            if self._movement is not None and code in ("turned", "drift"):
                self._movement.turned = True
        return out


def _filled(values: tuple[float, ...]) -> list[float]:
    return [0.0 if math.isnan(value) else value for value in values]
