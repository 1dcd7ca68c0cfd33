"""Is the clock of a swing sound: rising, in seconds, fast enough, without long holes?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from faultml.recordings.findings import Limits
from faultml.recordings.ledger import Ledger
from faultml.recordings.raw import Samples

_ROUNDED_S = 1e-3
"""Stamps rounded to this step may be equal where samples come faster."""

STEADY_RATIO = 1.5
"""Up to this ratio of the longest to the mean step, the mean is the typical step."""


def check_clock(samples: Samples, ledger: Ledger, limits: Limits) -> tuple[Samples, NDArray[np.float64]]:
    """The swings whose clock is sound, and the typical time step of each in seconds.

    Of two equal stamps that come from rounding to a millisecond the first sample is kept (``times-rounded``).
    """
    samples = _check_direction(samples, ledger)
    if not len(samples):
        return samples, np.empty(0)
    steps, starts = time_steps(samples), samples.starts
    duration_s = samples.t_s[starts + samples.lengths - 1] - samples.t_s[starts]
    longest_s = np.maximum.reduceat(steps, starts)
    step_s = _typical_step_s(steps, samples, duration_s, longest_s)
    rate_hz = 1 / step_s

    def note(
        mask: NDArray[np.bool_], code: str, expected: str, values: NDArray[np.float64], form: str
    ) -> None:
        ledger.note(samples.rows[mask], code, expected, [form.format(value) for value in values[mask]])

    off = (rate_hz < limits.slowest_seconds_hz) | (rate_hz > limits.fastest_hz)
    note(off, "unit-suspected", "t_s in seconds", step_s, "{:g} between samples: another unit of time?")
    note(
        ~off & (duration_s > limits.longest_s),
        "too-long",
        f"at most {limits.longest_s:g} s",
        duration_s,
        "{:.1f} s",
    )
    slow = ~off & (rate_hz < limits.slowest_hz)
    note(slow, "low-rate", f"at least {limits.slowest_hz:g} samples a second", rate_hz, "{:.1f}")
    note(~off & ~slow & (rate_hz < limits.coarse_hz), "coarse-rate", "", rate_hz, "{:.1f}")
    short = ~off & (duration_s < limits.shortest_s)
    note(short, "too-short", f"at least {limits.shortest_s:g} s", duration_s, "{:.3f} s")

    hole_s = longest_s - step_s
    gap = ~off & ~slow & (hole_s > limits.longest_gap_s + 0.25 * step_s)
    note(
        gap,
        "gap",
        f"at most {limits.longest_gap_s * 1000:g} ms of samples missing",
        hole_s * 1000,
        "{:.0f} ms",
    )
    ledger.note(samples.rows[~gap & (longest_s > 1.75 * step_s + _ROUNDED_S)], "gap-filled")
    uneven = np.flatnonzero(longest_s > STEADY_RATIO * step_s)
    spread = np.array([_spread(steps[starts[at] : starts[at] + samples.lengths[at]]) for at in uneven])
    ledger.note(samples.rows[uneven[spread > limits.uneven_share]], "uneven-times")

    sound = ~ledger.refused(samples.rows)
    return samples.select(sound), step_s[sound]


def check_rate(
    declared_hz: NDArray[np.float64],
    step_s: NDArray[np.float64],
    rows: NDArray[np.int64],
    ledger: Ledger,
    limits: Limits,
) -> None:
    """Hold the rate that each swing's file declares (NaN where it does not) against its typical time step."""
    measured_hz = 1 / step_s
    with np.errstate(invalid="ignore"):
        sound = np.abs(declared_hz / measured_hz - 1) <= limits.rate_differs_share
    for at in np.flatnonzero(~np.isnan(declared_hz) & ~sound):
        expected = f"{declared_hz[at]:g} samples a second, as declared"
        ledger.note(rows[[at]], "declared-rate-differs", expected, f"{measured_hz[at]:.1f} in t_s")


def time_steps(samples: Samples) -> NDArray[np.float64]:
    """``(n_samples,)`` seconds to the next sample; a swing's last one repeats the step before it."""
    steps = np.empty_like(samples.t_s)
    np.subtract(samples.t_s[1:], samples.t_s[:-1], out=steps[:-1])
    last = samples.starts + samples.lengths - 1
    steps[last] = steps[last - 1]
    return steps


def _spread(steps: NDArray[np.float64]) -> float:
    return float(steps.std() / steps.mean())


def _typical_step_s(
    steps: NDArray[np.float64],
    samples: Samples,
    duration_s: NDArray[np.float64],
    longest_s: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Mean step, or the median where long steps would pull the mean."""
    step_s = duration_s / (samples.lengths - 1)
    starts = samples.starts
    for at in np.flatnonzero(longest_s > STEADY_RATIO * step_s):
        step_s[at] = np.median(steps[starts[at] : starts[at] + samples.lengths[at]])
    return step_s


def _check_direction(samples: Samples, ledger: Ledger) -> Samples:
    steps, starts = time_steps(samples), samples.starts
    keep = np.ones(len(steps), dtype=bool)
    for at in np.flatnonzero(np.minimum.reduceat(steps, starts) <= 0):
        span = slice(starts[at], starts[at] + samples.lengths[at] - 1)
        t_s, own = samples.t_s[span.start : span.stop + 1], steps[span]
        row = [int(samples.rows[at])]
        back, stands = np.flatnonzero(own < 0), np.flatnonzero(own == 0)
        if back.size:
            _note_backwards(t_s, int(back[0]) + 1, row, ledger)
        elif _only_rounded(t_s, own):
            keep[span.start + 1 + stands] = False
            ledger.note(row, "times-rounded")
        else:
            first = int(stands[0])
            message = f"t_s {t_s[first]:g} at samples {first + 1} and {first + 2}" + _more(stands.size)
            ledger.note(row, "time-stands", "rising times", message)
    if not keep.all():
        samples = samples.compress(keep)
    return samples.select(~ledger.refused(samples.rows))


def _note_backwards(t_s: NDArray[np.float64], at: int, row: list[int], ledger: Ledger) -> None:
    message = f"t_s {t_s[at]:g} after {t_s[at - 1]:g} at sample {at + 1}"
    if t_s[at] <= t_s[0]:
        message += ": time starts over, two swings with one id?"
        ledger.note(row, "repeated-id", "each player, session and swing once", message)
    else:
        ledger.note(row, "time-runs-back", "rising times", message)


def _only_rounded(t_s: NDArray[np.float64], steps: NDArray[np.float64]) -> bool:
    """Whether equal stamps are what rounding to a millisecond leaves: on the grid, fast, alone, few."""
    milliseconds = t_s / _ROUNDED_S
    stands = steps == 0
    return bool(
        np.abs(milliseconds - np.round(milliseconds)).max() < 1e-3
        and steps[~stands].min(initial=np.inf) < 1.05 * _ROUNDED_S
        and np.median(steps) < 2.1 * _ROUNDED_S
        and not (stands[1:] & stands[:-1]).any()
        and stands.mean() <= 0.25
    )


def _more(count: int) -> str:
    return f", and {count - 1} more" if count > 1 else ""
