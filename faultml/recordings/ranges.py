"""Do the angles look like a wrist in degrees: alive, within human range, without clipping or jumps?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from faultml.channels import CHANNELS, FLEXION, PRONATION, ULNAR
from faultml.recordings.clock import time_steps
from faultml.recordings.findings import Limits, Range
from faultml.recordings.ledger import Ledger
from faultml.recordings.raw import Samples

MEDIAN_BEND = 0.6745 * 6**0.5
"""Median size of the second differences of white noise, in its SDs."""
_SUSPECT_SPAN_DEG = 20.0
"""A channel that spans less is looked at closely: how much of it is noise?"""


def check_ranges(samples: Samples, ledger: Ledger, limits: Limits) -> Samples:
    """The swings that can be a wrist's; forearm rotation that cannot be a forearm's is left out (NaN)."""
    starts = samples.starts
    low = np.minimum.reduceat(samples.angles_deg, starts, axis=1)
    high = np.maximum.reduceat(samples.angles_deg, starts, axis=1)
    extent = np.array([_extent(channel, low, high, samples) for channel in range(len(CHANNELS))])
    beyond = np.array([_beyond(low[at], high[at], _range(at, limits)) for at in range(len(CHANNELS))])
    moved = np.array([_moved(channel, low, high, samples, limits) for channel in (FLEXION, ULNAR)])
    radians = _radians(low, high, extent, limits)
    dead = _dead(extent, samples, limits) & ~radians.any(axis=0)
    frozen = _frozen(samples, limits)

    def note(channel: int, mask: NDArray[np.bool_], code: str, expected: str) -> None:
        bounds = zip(low[channel, mask], high[channel, mask], strict=True)
        found = [f"{lowest:.3g} to {highest:.3g}" for lowest, highest in bounds]
        ledger.note(samples.rows[mask], code, f"{CHANNELS[channel]} {expected}", found)

    for channel in (FLEXION, ULNAR):
        lowest, highest = _range(channel, limits).refused
        note(channel, radians[channel], "unit-suspected", "in degrees")
        flat = extent[channel] < limits.dead_deg
        note(channel, dead[channel] & flat, "dead-channel", "that moves")
        note(channel, dead[channel] & ~flat, "quiet-channel", "that moves")
        note(channel, frozen[channel] & ~dead[channel], "frozen-channel", "that does not stand still")
        note(
            channel, beyond[channel] == 2, "outside-human-range", f"within {lowest:g} to {highest:g} degrees"
        )
        note(
            channel,
            moved[channel] == 2,
            "outside-range-from-address",
            f"within {lowest:g} to {highest:g} degrees of address",
        )
    ledger.note(samples.rows[(beyond == 1).any(axis=0)], "beyond-common-range")
    ledger.note(samples.rows[(moved == 1).any(axis=0)], "beyond-range-from-address")
    _settle_pronation(dead[PRONATION] | (beyond[PRONATION] == 2), samples, ledger)

    samples = samples.select(~ledger.refused(samples.rows))
    if len(samples):
        _check_rates(samples, ledger, limits)
    return samples


def _range(channel: int, limits: Limits) -> Range:
    return getattr(limits, CHANNELS[channel])


def _extent(
    channel: int, low: NDArray[np.float64], high: NDArray[np.float64], samples: Samples
) -> NDArray[np.float64]:
    """``(n_swings,)`` degrees a channel spans beyond its white noise; of wide spans nothing is taken off."""
    extent = high[channel] - low[channel]
    starts, flat = samples.starts, samples.angles_deg[channel]
    for at in np.flatnonzero(extent < _SUSPECT_SPAN_DEG):
        values = flat[starts[at] : starts[at] + samples.lengths[at]]
        # The second differences of white noise have six times its variance; a recording spans 6 SD of it.
        extent[at] -= 6 * np.sqrt(np.mean(np.diff(values, 2) ** 2) / 6)
    return extent


def _dead(extent: NDArray[np.float64], samples: Samples, limits: Limits) -> NDArray[np.bool_]:
    """``(n_channels, n_swings)``: constant to the last digit, or still while another moves as in a swing.

    Where nothing moves much, the recording is sound and no swing: that is not for these checks to say.
    """
    still = extent < limits.still_deg
    dead, starts = np.zeros_like(still), samples.starts
    for at in np.flatnonzero(still.any(axis=0)):
        angles_deg = samples.angles_deg[:, starts[at] : starts[at] + samples.lengths[at]]
        moves = np.nanmax(angles_deg.std(axis=1)) >= limits.moving_sd_deg
        dead[:, at] = still[:, at] & (moves | (np.ptp(angles_deg, axis=1) == 0))
    return dead


def _frozen(samples: Samples, limits: Limits) -> NDArray[np.bool_]:
    """``(2, n_swings)``: flexion, ulnar that stop for good, to the last digit, while another channel moves on far.

    A channel written in whole degrees may stand in good faith: only finely written ones are judged.
    """
    starts, lengths = samples.starts, samples.lengths
    frozen = np.zeros((2, len(starts)), dtype=bool)
    for channel in (FLEXION, ULNAR):
        flat = samples.angles_deg[channel]
        last = starts + lengths - 1
        for at in np.flatnonzero(flat[last] == flat[last - 1]):
            angles_deg = samples.angles_deg[:, starts[at] : starts[at] + lengths[at]]
            steps = np.abs(np.diff(angles_deg[channel]))
            stops = np.flatnonzero(steps)[-1:] + 1
            if len(stops) and steps[steps > 0].min() < limits.fine_deg:
                others = np.delete(angles_deg[:, stops[0] :], channel, axis=0)
                frozen[channel, at] = np.nanmax(np.ptp(others, axis=1)) >= limits.frozen_others_deg
    return frozen


def _radians(
    low: NDArray[np.float64], high: NDArray[np.float64], extent: NDArray[np.float64], limits: Limits
) -> NDArray[np.bool_]:
    """``(2, n_swings)``: flexion, ulnar that move within radians: all do, or beside one that moves far."""
    both, span = slice(FLEXION, ULNAR + 1), high - low
    no_noise = extent[both] > 0.5 * span[both]
    small = (np.maximum(-low[both], high[both]) <= limits.radian_most) & no_noise
    small &= span[both] >= limits.radian_min_span
    other_moves = span[both][::-1] >= limits.moving_span_deg
    turned = np.maximum(-low[PRONATION], high[PRONATION]) > np.pi
    return small & ((small[::-1] & ~turned) | other_moves)


def _beyond(low: NDArray[np.float64], high: NDArray[np.float64], limit: Range) -> NDArray[np.int64]:
    """0 within human range, 1 beyond what nearly all reach, 2 beyond what any wrist can."""
    reported = (low < limit.reported[0]) | (high > limit.reported[1])
    refused = (low < limit.refused[0]) | (high > limit.refused[1])
    return reported.astype(int) + (reported & refused)


def _moved(
    channel: int, low: NDArray[np.float64], high: NDArray[np.float64], samples: Samples, limits: Limits
) -> NDArray[np.int64]:
    """As `_beyond`, from the opening of the recording. Not for forearm rotation, which has no common zero."""
    opening = samples.starts[:, None] + np.arange(5)
    address = samples.angles_deg[channel][opening].mean(axis=1)
    return _beyond(low[channel] - address, high[channel] - address, _range(channel, limits))


def _settle_pronation(unusable: NDArray[np.bool_], samples: Samples, ledger: Ledger) -> None:
    missing = np.isnan(samples.angles_deg[PRONATION][samples.starts])
    given_up = [row for row in samples.rows[missing] if "pronation-unusable" not in ledger.codes[row]]
    ledger.note(given_up, "pronation-missing")
    unusable = unusable & ~missing
    ledger.note(samples.rows[unusable], "pronation-unusable")
    if unusable.any():
        samples.angles_deg[PRONATION, np.repeat(unusable, samples.lengths)] = np.nan


def _check_rates(samples: Samples, ledger: Ledger, limits: Limits) -> None:
    steps, starts = time_steps(samples), samples.starts
    ends = starts + samples.lengths - 1
    fast = np.zeros(len(samples), dtype=bool)
    jumps = np.zeros(len(samples), dtype=bool)
    turned = np.zeros(len(steps))
    for flat in samples.angles_deg:
        np.subtract(flat[1:], flat[:-1], out=turned[:-1])
        np.abs(turned, out=turned)
        turned[ends] = 0
        rate = turned / steps
        fastest = np.maximum.reduceat(rate, starts)
        fast |= fastest >= limits.clip_deg_s
        for at in np.flatnonzero(fastest >= limits.jump_deg_s):
            part = slice(starts[at], ends[at])
            jumps[at] |= bool(np.any((rate[part] >= limits.jump_deg_s) & (turned[part] >= limits.jump_deg)))
    ledger.note(samples.rows[jumps], "jump")
    ledger.note(samples.rows[_noisy(samples, limits)], "noisy")
    clipped = [
        at for at in np.flatnonzero(fast) if _clipped(slice(starts[at], ends[at] + 1), samples, limits)
    ]
    ledger.note(samples.rows[clipped], "clipping")


def _noisy(samples: Samples, limits: Limits) -> NDArray[np.bool_]:
    """``(n_swings,)``: whether flexion or ulnar deviation is noisier than `noisy_deg`.

    Most of a recording is slow, so half of the second differences of its samples are noise: of white noise their median
    size is `MEDIAN_BEND` SDs. Whether it is above is counted, which needs no sorting.
    """
    noisy = np.zeros(len(samples), dtype=bool)
    inner = np.ones(len(samples.t_s), dtype=bool)
    inner[samples.starts] = inner[samples.starts + samples.lengths - 1] = False
    for channel in (FLEXION, ULNAR):
        flat = samples.angles_deg[channel]
        rough = np.zeros(len(flat), dtype=bool)
        bends = np.abs(flat[2:] - 2 * flat[1:-1] + flat[:-2])
        rough[1:-1] = bends > MEDIAN_BEND * limits.noisy_deg
        count = np.add.reduceat((rough & inner).astype(np.int64), samples.starts)
        noisy |= count > 0.5 * (samples.lengths - 2)
    return noisy


def _clipped(part: slice, samples: Samples, limits: Limits) -> bool:
    """Whether a channel's fastest rate is held flat, as by a sensor at the end of its range."""
    steps_s = np.diff(samples.t_s[part])
    for flat in samples.angles_deg:
        rate = np.abs(np.diff(flat[part])) / steps_s
        top = rate.max()
        if not top >= limits.clip_deg_s:
            continue
        flat_out = rate >= (1 - limits.clip_flatness) * top
        edges = np.flatnonzero(np.diff(np.concatenate([[0], flat_out.astype(np.int8), [0]])))
        clock_s = samples.t_s[part]
        held = [
            stop - start >= 3 and clock_s[stop] - clock_s[start] >= limits.clip_min_s
            for start, stop in zip(edges[::2], edges[1::2], strict=True)
        ]
        if any(held):
            return True
    return False
