"""One pass over a batch's samples that finds the swings which no check of samples could have a word about.

Most recordings are sound. The checks proper (`clock`, `gaps`, `spikes`, `ranges`) say what is wrong, and with what
figures; they look only at the swings that do not pass here. Whatever passes would have passed each of them without a
finding: every limit is held with a little room, so that rounding cannot let a swing through.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from faultml.channels import FLEXION, PRONATION, ULNAR
from faultml.kernels import kernel
from faultml.recordings.clock import STEADY_RATIO
from faultml.recordings.findings import Limits
from faultml.recordings.ranges import MEDIAN_BEND

_OPENING: Final = 5
_ROOM: Final = 1e-6
"""Limits are held with so much room, relative."""


class Flat(NamedTuple):
    """Samples of all swings end to end.

    Attributes
    ----------
    starts, lengths
        ``(n_swings,)`` of each swing's samples.
    t_s
        ``(n_samples,)`` float64.
    angles_deg
        Of each channel, ``(n_samples,)`` float32.
    """

    starts: NDArray[np.int64]
    lengths: NDArray[np.int64]
    t_s: NDArray[np.float64]
    flexion_deg: NDArray[np.float32]
    ulnar_deg: NDArray[np.float32]
    pronation_deg: NDArray[np.float32]


class _Bounds(NamedTuple):
    """The limits that the kernel holds swings against."""

    min_samples: float
    max_samples: float
    min_s: float
    max_s: float
    max_gap_s: float
    coarse_hz: float
    max_hz: float
    spike_deg: float
    spike_deg_s2: float
    still_deg: float
    radian_max: float
    max_rate_dps: float
    bend_deg: float
    low: tuple[float, float, float]
    high: tuple[float, float, float]


def flat_samples(
    lengths: NDArray[np.int64], t_s: NDArray[np.float64], angles_deg: tuple[NDArray[np.floating], ...]
) -> Flat:
    """A batch's samples for `screen`. Angles are float32 from every layout, as in the season table."""
    lengths = np.ascontiguousarray(lengths, dtype=np.int64)
    with np.errstate(over="ignore"):  # what float32 cannot hold is infinite, and refused as such
        channels = [_read_only(np.ascontiguousarray(flat, dtype=np.float32)) for flat in angles_deg]
    return Flat(
        np.cumsum(lengths) - lengths,
        lengths,
        _read_only(np.ascontiguousarray(t_s, dtype=np.float64)),
        *channels,
    )


def _read_only(array: NDArray) -> NDArray:
    """The same array as one that is not written to, so that kernels are compiled once for all readers."""
    view = array.view()
    view.flags.writeable = False
    return view


def screen(flat: Flat, limits: Limits) -> NDArray[np.bool_]:
    """``(n_swings,)`` which swings pass: of them nothing is to be said but that forearm rotation may be missing."""
    ranges = (limits.flexion_deg, limits.ulnar_deg, limits.pronation_deg)
    bounds = _Bounds(
        min_samples=float(max(limits.min_samples, _OPENING)),
        max_samples=float(limits.max_samples),
        min_s=limits.shortest_s,
        max_s=limits.longest_s,
        max_gap_s=limits.longest_gap_s,
        coarse_hz=limits.coarse_hz,
        max_hz=limits.fastest_hz,
        spike_deg=limits.spike_deg,
        spike_deg_s2=limits.spike_deg_s2,
        still_deg=limits.still_deg,
        radian_max=limits.radian_most,
        max_rate_dps=min(limits.clip_deg_s, limits.jump_deg_s),
        bend_deg=MEDIAN_BEND * limits.noisy_deg,
        low=(ranges[0].reported[0], ranges[1].reported[0], ranges[2].reported[0]),
        high=(ranges[0].reported[1], ranges[1].reported[1], ranges[2].reported[1]),
    )
    passed = np.zeros(len(flat.lengths), dtype=np.bool_)
    _screen(flat, bounds, passed)
    return passed


def pad_flat(
    flat: Flat, rows: NDArray[np.int64], t_s: NDArray[np.float64], angles_deg: NDArray[np.float64]
) -> None:
    """Write swings into padded arrays, NaN after their end."""
    _pad(flat, rows, t_s, angles_deg)


@kernel
def _clock_is_sound(clock, bounds):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Whether times rise evenly, at a rate and for a time that a swing has."""
    last = len(clock) - 1
    longest, rises = 0.0, True
    for k in range(last):
        step = clock[k + 1] - clock[k]
        rises = rises and step > 0
        longest = max(longest, step)
    duration = clock[last] - clock[0]
    if not (rises and duration >= bounds.min_s * (1 + _ROOM) and duration <= bounds.max_s * (1 - _ROOM)):
        return False
    typical = duration / last
    rate = 1 / typical
    steady = longest <= STEADY_RATIO * typical * (1 - _ROOM)
    gapless = longest - typical <= bounds.max_gap_s * (1 - _ROOM)
    return (
        steady and gapless and rate >= bounds.coarse_hz * (1 + _ROOM) and rate <= bounds.max_hz * (1 - _ROOM)
    )


@kernel
def _channel_is_sound(values, clock, bounds, channel):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Whether a channel is whole, moves as a wrist does, and is written as a sensor would."""
    count = len(values)
    typical = (clock[count - 1] - clock[0]) / (count - 1)
    before = np.float64(values[0])
    low = high = before
    up = down = fastest = squares = opening = before_step = 0.0
    rough, finite = 0, True
    for k in range(count):
        value = np.float64(values[k])
        # A difference from itself is 0 unless a value is NaN or infinite.
        finite = finite and value - value == 0
        low, high = min(low, value), max(high, value)
        if k < _OPENING:
            opening += value
        if k > 0:
            step = value - before
            up, down = max(up, step), min(down, step)
            fastest = max(fastest, abs(step) / (clock[k] - clock[k - 1]))
            if k > 1:
                bend = step - before_step
                squares += bend * bend
                rough += abs(bend) > bounds.bend_deg * (1 - _ROOM)
            before_step = step
        before = value
    if not finite:
        return False
    if (
        low < bounds.low[channel]
        or high > bounds.high[channel]
        or fastest >= bounds.max_rate_dps * (1 - _ROOM)
    ):
        return False
    spike = (bounds.spike_deg + bounds.spike_deg_s2 * typical * typical) * (1 - _ROOM)
    if up > spike and down < -spike:
        return False
    noise = 6 * np.sqrt(squares / (count - 2) / 6)
    if high - low - noise < bounds.still_deg * (1 + _ROOM):
        return False
    if channel == PRONATION:
        return True
    address = opening / _OPENING
    if low - address < bounds.low[channel] + _ROOM or high - address > bounds.high[channel] - _ROOM:
        return False
    if max(-low, high) <= bounds.radian_max * (1 + _ROOM) or values[count - 1] == values[count - 2]:
        return False
    return rough <= 0.5 * (count - 2)


@kernel
def _is_missing(values):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    known = 0
    for k in range(len(values)):
        known += values[k] == values[k]
    return known == 0


@kernel
def _screen(flat, bounds, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for row in range(len(out)):
        start, count = flat.starts[row], flat.lengths[row]
        if count < bounds.min_samples or count > bounds.max_samples:
            continue
        stop = start + count
        clock = flat.t_s[start:stop]
        if not _clock_is_sound(clock, bounds):
            continue
        pronation = flat.pronation_deg[start:stop]
        out[row] = (
            _channel_is_sound(flat.flexion_deg[start:stop], clock, bounds, FLEXION)
            and _channel_is_sound(flat.ulnar_deg[start:stop], clock, bounds, ULNAR)
            and (_is_missing(pronation) or _channel_is_sound(pronation, clock, bounds, PRONATION))
        )


@kernel
def _pad(flat, rows, t_s, angles_deg):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for row in rows:
        start, count = flat.starts[row], flat.lengths[row]
        for k in range(count):
            t_s[row, k] = flat.t_s[start + k]
        for k in range(count):
            angles_deg[row, 0, k] = flat.flexion_deg[start + k]
        for k in range(count):
            angles_deg[row, 1, k] = flat.ulnar_deg[start + k]
        for k in range(count):
            angles_deg[row, 2, k] = flat.pronation_deg[start + k]
        t_s[row, count:] = np.nan
        angles_deg[row, :, count:] = np.nan
