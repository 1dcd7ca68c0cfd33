"""The shock of contact in a wrist's accelerations or angular rates, and how surely it is placed.

A swing is smooth over some hundredths of a second; a contact is not. The jolt of a sample is what it adds to the
quadratic through the three samples before it, so that it looks back only: the first sample that leaves the background
comes after the contact, the one before it lies before. Detectors of strokes do likewise (peaks of the derivative of
acceleration, with a threshold and a window: Ebner & Findling 2019, MoMM, tennis, wrist and racket; abstract read).

A mark is left out wherever something else may have made the jolt: the ground before the ball (it rises slowly, or
twice), a footfall, a knock (elsewhere), an axis at its limit, and where there is none. docs/contact.md has the figures.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

Seen = Literal["marked", "unclear", "none", "unit"]

GRAVITY_MPS2: Final = 9.80665


@dataclass(frozen=True)
class ShockRules:
    """When a jolt is taken for the contact; shares are of the greatest jolt near the wrist's fastest moment.

    Attributes
    ----------
    min_rate_hz
        From so many samples a second on.
    min_jolt
        Least greatest jolt, in units of the signal.
    onset_share
        The onset is the first sample with this share of it.
    first_share
        The `FIRST_S` from the onset on hold a jolt of this share: a contact is greatest at once, the ground is not.
    later_share, settled_share
        Largest share later than `LATER_S` and `SETTLED_S` after it.
    """

    min_rate_hz: float
    min_jolt: float
    onset_share: float
    first_share: float
    later_share: float
    settled_share: float


@dataclass(frozen=True)
class SignalRules:
    """What holds for one kind of signal.

    Attributes
    ----------
    max_still, max_value
        A sensor that is a unit off reads more than these: in the quieter half of the time, and ever.
    by_rate
        The fastest recorders first. Below the last a contact is a sample or two, and is not marked.
    """

    max_still: float
    max_value: float
    by_rate: tuple[ShockRules, ...]


@dataclass(frozen=True)
class Shock:
    """What a swing's signal shows.

    Attributes
    ----------
    seen
        ``marked``; ``unclear`` where there is a jolt that may be something else; ``none`` where the swing is smooth;
        ``unit`` where the signal cannot be in its unit.
    at_s, sd_s
        When the contact came and how surely it is placed, s on the recording's clock; NaN unless marked.
    """

    seen: Seen
    at_s: float = np.nan
    sd_s: float = np.nan

    @property
    def marked(self) -> bool:
        """Whether the contact is placed."""
        return self.seen == "marked"


REACH_S: Final = 0.15
"""A contact lies no further from the wrist's fastest moment; in drawn seasons 98 % lie within 0.14 s."""
TIMES_BACKGROUND: Final = 8.0
BACKGROUND_S: Final = 0.15
SETTLING_S: Final = 0.02
"""A contact's jolt is so many times the median jolt of so long before it, but for the last of it."""
QUIET_SHARE: Final = 0.25
SPAN_S: Final = 0.25
"""No jolt of more than this share so long before the onset, and how far after it later ones are looked for."""
LOOK_BACK_S: Final = 0.06
FIRST_S: Final = 0.0038
LATER_S: Final = 0.012
SETTLED_S: Final = 0.05
REGROWTH: Final = 1.6
REGROWTH_S: Final = 0.08
REGROWS_OVER_S: Final = 0.006
"""Jolts that grow so many times from one stretch to the next, so long after the onset, are a second event."""
NONE_SHARE: Final = 0.25
"""A greatest jolt of less than this share of what a contact needs is none at all."""
STENCIL: Final = 3

LAG_STEPS: Final = 0.8
"""The contact lies between the onset and the sample before it; filters of the recorder let it come later still."""
SD_STEPS: Final = 0.45
SD_S: Final = 0.001

_LIMIT_WITHIN: Final = 2e-3
_POWERS_WITHIN: Final = 0.045
_MIN_LIMIT: Final = 15.0
"""No range ends below this: a resting sensor that reads gravity stands still too."""
_JUMP_AT_LIMIT: Final = 0.15

_FAST: Final = ShockRules(
    min_rate_hz=600.0,
    min_jolt=40.0,
    onset_share=0.08,
    first_share=0.9,
    later_share=0.95,
    settled_share=0.6,
)
_BY_RATE: Final = (_FAST, replace(_FAST, min_rate_hz=300.0, min_jolt=80.0))
"""Tuned on one half of the drawn forms (`faultml.synthetic.contact`). At 200 Hz such rules place one contact in eleven,
and of these 95 % within a sample: none is placed."""
ACCELERATION: Final = SignalRules(max_still=20.0, max_value=5000.0, by_rate=_BY_RATE)
"""For m/s2: a still sensor reads gravity."""
ANGULAR_RATE: Final = SignalRules(max_still=800.0, max_value=8000.0, by_rate=_BY_RATE)
"""For deg/s."""


def find_shock(t_s: Array, signal: Array, fastest_s: float, rules: SignalRules) -> Shock:
    """The contact in one swing.

    Parameters
    ----------
    t_s
        ``(n,)`` sample times.
    signal
        ``(n_axes, n)``, three axes or one norm, NaN where lost.
    fastest_s
        The wrist's fastest moment, on the same clock.
    rules
        `ACCELERATION` for m/s2, `ANGULAR_RATE` for deg/s.

    Returns
    -------
    ``unclear`` as well where the signal does not cover the swing's fastest moment, or has too few samples a second.
    """
    step_s = float(np.median(np.diff(t_s))) if len(t_s) > 2 * STENCIL else np.inf
    inside = np.abs(t_s - fastest_s) <= REACH_S
    own = next((each for each in rules.by_rate if 0 < step_s * each.min_rate_hz <= 1.0), None)
    if own is None or not inside.any():
        return Shock("unclear")
    norm = np.linalg.norm(signal, axis=0)
    if not np.nanquantile(norm, 0.25) <= rules.max_still or not np.nanmax(norm) <= rules.max_value:
        return Shock("unit")
    jolt, blind = jolts(t_s, signal, step_s)
    peak = int(np.flatnonzero(inside)[np.argmax(jolt[inside])])
    most = jolt[peak]
    before = _between(t_s, t_s[peak] - BACKGROUND_S, t_s[peak] - SETTLING_S)
    if before.sum() <= STENCIL:
        return Shock("unclear")
    background = float(np.median(jolt[before]))
    needed = max(own.min_jolt, TIMES_BACKGROUND * background)
    if most < needed:
        # Where an axis was at its limit one may be hidden.
        smooth = most < NONE_SHARE * needed and not blind[inside].any()
        return Shock("none" if smooth else "unclear")
    loud = _between(t_s, t_s[peak] - LOOK_BACK_S, t_s[peak] + step_s / 2)
    onset = int(np.flatnonzero(loud & (jolt >= max(own.onset_share * most, 3 * background)))[0])
    if _is_contact(t_s, jolt / most, blind, (onset, peak), step_s, own):
        return Shock(
            "marked", float(t_s[onset] - LAG_STEPS * step_s), float(np.hypot(SD_STEPS * step_s, SD_S))
        )
    return Shock("unclear")


def _is_contact(
    t_s: Array, share: Array, blind: Mask, places: tuple[int, int], step_s: float, own: ShockRules
) -> bool:
    """Whether jolts, as shares of the greatest, are those of one contact with this onset and this greatest jolt."""
    onset, peak = places
    onset_s, slack_s = t_s[onset], step_s / 2
    first = _between(t_s, onset_s, onset_s + max(FIRST_S, step_s) + slack_s / 2)
    quiet = _between(t_s, onset_s - SPAN_S, onset_s)
    later, settled = (
        _between(t_s, t_s[peak] + max(wait_s, 2 * step_s) + slack_s / 2, t_s[peak] + SPAN_S)
        for wait_s in (LATER_S, SETTLED_S)
    )
    return bool(
        not blind[max(onset - STENCIL, 0) : onset + 1].any()
        and share[first].max() >= own.first_share
        and share[quiet].max(initial=0.0) <= QUIET_SHARE
        and share[later].max(initial=0.0) <= own.later_share
        and share[settled].max(initial=0.0) <= own.settled_share
        and not _regrows(share[onset:], step_s)
    )


def _regrows(share: Array, step_s: float) -> bool:
    """Whether jolts from an onset on grow again."""
    width = max(round(REGROWS_OVER_S / step_s), STENCIL)
    last = min(width + int(REGROWTH_S / step_s), len(share) - width)
    greatest = [share[at : at + width].max() for at in range(max(last, 0))]
    return any(
        now > QUIET_SHARE and now > REGROWTH * then
        for then, now in zip(greatest, greatest[width:], strict=False)
    )


def _between(t_s: Array, start_s: float, stop_s: float) -> Mask:
    return (t_s >= start_s) & (t_s < stop_s)


def jolts(t_s: Array, signal: Array, step_s: float) -> tuple[Array, Mask]:
    """How far each sample lies off the quadratic through the three before it, and where that cannot be known.

    Returns
    -------
    ``(n,)`` norm over the axes, 0 where nothing can be known; ``(n,)`` whether an axis was at its limit, a sample lost
    or the clock jumped.
    """
    guess = np.zeros_like(signal)
    guess[:, STENCIL:] = 3 * signal[:, 2:-1] - 3 * signal[:, 1:-2] + signal[:, :-3]
    limit = float(np.nanmax(np.abs(signal), initial=0.0))
    guess = np.clip(guess, -limit, limit)
    off = signal - guess
    at_limit = _at_limit(signal, limit)
    lost: Mask = np.asarray(np.isnan(signal).any(axis=0))
    lost[1:] |= np.diff(t_s) > 1.5 * step_s
    behind = np.zeros_like(at_limit)
    unknown = lost.copy()
    for back in range(1, STENCIL + 1):
        behind[:, back:] |= at_limit[:, :-back]
        unknown[back:] |= lost[:-back]
    unknown[:STENCIL] = True
    # A jump to the limit shows, however far it would have gone; a glide to it does not.
    off[behind | (at_limit & (np.abs(off) < _JUMP_AT_LIMIT * limit))] = 0
    jolt = np.sqrt((off**2).sum(axis=0))
    jolt[unknown] = 0
    return jolt, unknown | (behind | at_limit).any(axis=0)


def _at_limit(signal: Array, limit: float) -> Mask:
    """Samples of an axis at the end of its range: three or more that stand there.

    An even peak stands nearly still too. It is taken for a limit where it stands exactly, or at a power of two of
    gravity, as ranges are.
    """
    near = np.abs(signal) >= limit * (1 - _LIMIT_WITHIN)
    still = np.zeros_like(near)
    if limit < _MIN_LIMIT:
        return still
    with np.errstate(invalid="ignore"):
        same = np.abs(np.diff(signal, axis=1)) <= 1e-9 * limit
    for pair, where in ((near[:, 1:] & near[:, :-1], "near"), (same & near[:, 1:], "same")):
        three = pair[:, 1:] & pair[:, :-1]
        if where == "near" and not _is_range(limit):
            continue
        still[:, 2:] |= three
        still[:, 1:-1] |= three
        still[:, :-2] |= three
    return still


def _is_range(limit: float) -> bool:
    if limit <= 0:
        return False
    power = np.log2(limit / GRAVITY_MPS2)
    return bool(abs(power - round(power)) < _POWERS_WITHIN)
