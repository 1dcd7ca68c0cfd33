"""Lost samples: counted, trimmed at the ends, filled where the gap is short, refused where it is long."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from faultml.channels import CHANNELS, FLEXION, PRONATION, ULNAR
from faultml.recordings.findings import Limits
from faultml.recordings.ledger import Ledger
from faultml.recordings.raw import Samples


def settle_numbers(samples: Samples, ledger: Ledger, limits: Limits) -> Samples:
    """The swings with finite numbers, each from its first to its last complete sample.

    Samples without a time are dropped. What is left of lost flexion or ulnar samples lies inside a swing.
    Forearm rotation is not judged here.
    """
    if _finite(samples.t_s) and _finite(samples.angles_deg[FLEXION]) and _finite(samples.angles_deg[ULNAR]):
        return samples
    needed = {"t_s": samples.t_s, **{CHANNELS[at]: samples.angles_deg[at] for at in (FLEXION, ULNAR)}}
    for name, flat in needed.items():
        counts = _count(np.isinf(flat), samples)
        _note_counts(
            counts, samples, ledger, "not-finite", f"finite numbers in {name}", "infinite in {} of {} samples"
        )
        lost = _count(np.isnan(flat), samples)
        gone = lost == samples.lengths
        code = "channel-missing" if name in CHANNELS else "time-missing"
        _note_counts(
            np.where(gone, lost, 0), samples, ledger, code, f"values in {name}", "none in {} of {} samples"
        )
        lost[gone] = 0
        _note_counts(
            lost,
            samples,
            ledger,
            "missing-value",
            f"a value in each cell of {name}",
            "none in {} of {} samples",
        )
    samples = samples.select(~ledger.refused(samples.rows))
    return _trim(samples, ledger, limits) if len(samples) else samples


def fill_gaps(samples: Samples, step_s: NDArray[np.float64], ledger: Ledger, limits: Limits) -> Samples:
    """The swings with lost flexion and ulnar samples filled; those with too long gaps are refused.

    Forearm rotation is filled likewise; where that cannot be done it is left out (``pronation-unusable``).
    """
    for channel in (FLEXION, ULNAR, PRONATION):
        flat = samples.angles_deg[channel]
        if _finite(flat):
            continue
        lost = ~np.isfinite(flat)
        counts = _count(lost, samples)
        lost &= np.repeat(counts < samples.lengths, samples.lengths)
        if not lost.any():
            continue
        filled, hole_s = _fill(samples.t_s, flat, lost, samples)
        hole_s -= step_s
        short = (hole_s <= limits.longest_gap_s + 0.25 * step_s) & (
            counts <= limits.max_missing_share * samples.lengths
        )
        samples.angles_deg[channel] = np.where(np.repeat(short, samples.lengths), filled, flat)
        touched = (counts > 0) & (counts < samples.lengths)
        ledger.note(samples.rows[touched & short], "gap-filled")
        failed = np.flatnonzero(touched & ~short)
        if channel == PRONATION:
            samples.angles_deg[PRONATION, np.isin(samples.owner, failed)] = np.nan
            ledger.note(samples.rows[failed], "pronation-unusable")
        else:
            expected = f"at most {limits.longest_gap_s * 1000:g} ms of {CHANNELS[channel]} missing"
            found = [f"{hole_s[at] * 1000:.0f} ms, {counts[at]} samples in all" for at in failed]
            ledger.note(samples.rows[failed], "gap", expected, found)
    return samples.select(~ledger.refused(samples.rows))


def _finite(flat: NDArray[np.float64]) -> bool:
    """Whether all numbers are finite, in one fast pass: a sum keeps every NaN and infinity."""
    with np.errstate(invalid="ignore"):
        return bool(np.isfinite(flat.sum()))


def _count(mask: NDArray[np.bool_], samples: Samples) -> NDArray[np.int64]:
    return np.add.reduceat(mask, samples.starts, dtype=np.int64)


def _note_counts(
    counts: NDArray[np.int64], samples: Samples, ledger: Ledger, code: str, expected: str, form: str
) -> None:
    chosen = np.flatnonzero(counts)
    found = [form.format(counts[at], samples.lengths[at]) for at in chosen]
    ledger.note(samples.rows[chosen], code, expected, found)


def _trim(samples: Samples, ledger: Ledger, limits: Limits) -> Samples:
    """Without samples that lack a time, or lie before the first or after the last complete sample."""
    timed = np.isfinite(samples.t_s)
    complete = timed & np.isfinite(samples.angles_deg[[FLEXION, ULNAR]]).all(axis=0)
    position = np.arange(len(complete))
    first = np.minimum.reduceat(np.where(complete, position, len(complete)), samples.starts)
    last = np.maximum.reduceat(np.where(complete, position, -1), samples.starts)
    inside = (position >= np.repeat(first, samples.lengths)) & (position <= np.repeat(last, samples.lengths))
    ledger.note(samples.rows[_count(timed & ~inside, samples) > 0], "ends-trimmed")
    kept = _count(timed & inside, samples)
    few = np.flatnonzero(kept < limits.min_samples)
    found = [f"{kept[at]} complete ones" for at in few]
    ledger.note(samples.rows[few], "too-short", f"at least {limits.min_samples} samples", found)
    enough = kept >= limits.min_samples
    return samples.select(enough).compress((timed & inside)[np.repeat(enough, samples.lengths)])


def _fill(
    t_s: NDArray[np.float64], flat: NDArray[np.float64], lost: NDArray[np.bool_], samples: Samples
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lost samples filled by a cubic, and each swing's longest span between good samples in seconds.

    The slope at an end is that of the parabola through the gap and as long a stretch before (after) it, so
    that the noise of a single step does not throw the curve. At the ends of a swing the nearest good value is
    held.
    """
    position = np.arange(len(flat))
    before = np.maximum.accumulate(np.where(lost, -1, position))
    after = np.minimum.accumulate(np.where(lost, len(flat), position)[::-1])[::-1]
    at, owner = np.flatnonzero(lost), samples.owner[lost]
    first = samples.starts[owner]
    final = first + samples.lengths[owner] - 1
    left, right = before[at], after[at]
    no_left, no_right = left < first, right > final
    width = np.where(no_left | no_right, 1, right - left)
    left, right = np.where(no_left, right, left), np.where(no_right, left, right)
    further_left = before[np.clip(left - width, first, left)]
    further_left = np.where(further_left < first, left, further_left)
    further_right = after[np.clip(right + width, right, final)]
    further_right = np.where(further_right > final, right, further_right)

    span_s = t_s[right] - t_s[left]
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = (flat[right] - flat[left]) / span_s
        start_slope = _end_slope(
            slope, span_s, t_s[left] - t_s[further_left], flat[left] - flat[further_left]
        )
        end_slope = _end_slope(
            slope, span_s, t_s[further_right] - t_s[right], flat[further_right] - flat[right]
        )
        u = (t_s[at] - t_s[left]) / span_s
        cubic = (
            (1 + 2 * u) * (1 - u) ** 2 * flat[left]
            + u * (1 - u) ** 2 * span_s * start_slope
            + u**2 * (3 - 2 * u) * flat[right]
            - u**2 * (1 - u) * span_s * end_slope
        )
    filled = flat.copy()
    filled[at] = np.where(no_left | no_right, flat[left], cubic)
    hole_s = np.zeros(len(samples))
    outer_s = np.where(no_left, t_s[right] - t_s[first], np.where(no_right, t_s[final] - t_s[left], span_s))
    np.maximum.at(hole_s, owner, outer_s)
    return filled, hole_s


def _end_slope(
    slope: NDArray[np.float64],
    span_s: NDArray[np.float64],
    beside_s: NDArray[np.float64],
    beside_deg: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Slope of the parabola through the gap and the stretch beside it; without one, the gap's own."""
    beside = np.where(beside_s > 0, beside_deg / np.where(beside_s > 0, beside_s, 1), slope)
    return np.where(beside_s > 0, (slope * beside_s + beside * span_s) / (span_s + beside_s), slope)
