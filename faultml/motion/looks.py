"""What the landmark networks are shown: how far the wrist turns between times, near and far, compressed."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.channels import LANDMARKS
from faultml.kernels import kernel
from faultml.motion.resample import find_even, read_even
from faultml.motion.window import OFFSETS_S, RATE_HZ, Windows

Array = NDArray[np.float64]
Single = NDArray[np.float32]

_WHOLE_LOOK_S: Final = np.arange(-2.8, 1.21, 0.04)
_NEAR_LOOKS_S: Final = (
    np.arange(-0.60, 0.61, 0.04),
    np.arange(-0.40, 0.41, 0.025),
    np.arange(-0.24, 0.181, 0.01),
    np.arange(-0.50, 0.51, 0.05),
)
"""Where the first network looks, and where each later one does, around each landmark's guess."""
_IMPACT_LOOK_S: Final = np.arange(-0.06, 0.0601, 0.005)
"""Where rates are looked at closely, around the guess of the impact."""
_TURNED_LOOKS_S: Final = (np.arange(-0.1, 0.101, 0.025), np.arange(-0.06, 0.0601, 0.01))
"""Where angles relative to address are read, around the guesses of top and impact."""

_IMPACT: Final = LANDMARKS.index("impact")
_SETTING: Final = 9
_TURN_DPS: Final = 60.0
_RATE_DPS: Final = 100.0
_TURNED_DEG: Final = 30.0

_NEAR_SIZES: Final = (
    *(3 * (len(edges) - 1) for edges in _NEAR_LOOKS_S),
    len(LANDMARKS) - 1,
    _SETTING,
    3 * len(_IMPACT_LOOK_S),
    3 * sum(map(len, _TURNED_LOOKS_S)),
)
WHOLE_LOOK_SIZE: Final = 3 * (len(_WHOLE_LOOK_S) - 1) + _SETTING
NEAR_LOOK_SIZE: Final = sum(_NEAR_SIZES)

_ONE, _TWO = np.float32(1), np.float32(2)
_LN2: Final = np.float32(0.69314718)
_SERIES: Final = tuple(np.float32(2 / k) for k in (3, 5, 7, 9))


def look_whole(windows: Windows) -> Single:
    """``(n_swings, 309)``: turns along the whole window, and the setting."""
    width = 3 * (len(_WHOLE_LOOK_S) - 1)
    looks = np.empty((len(windows), width + _SETTING), dtype=np.float32)
    nowhere = np.zeros((len(windows), 1))
    _turns(windows.angles_deg, nowhere, 0, _WHOLE_LOOK_S, OFFSETS_S[0], RATE_HZ, _TURN_DPS, looks[:, :width])
    looks[:, width:] = _setting(windows, windows.mark_s)
    return looks


def look_near(windows: Windows, offset_s: Array) -> Single:
    """``(n_swings, 525)``: turns about each guess, and closer readings about top and impact."""
    ends = np.cumsum(_NEAR_SIZES)
    parts = [slice(end - size, end) for end, size in zip(ends, _NEAR_SIZES, strict=True)]
    looks = np.empty((len(windows), NEAR_LOOK_SIZE), dtype=np.float32)
    offset_s = np.ascontiguousarray(offset_s)
    for k, edges in enumerate(_NEAR_LOOKS_S):
        _turns(windows.angles_deg, offset_s, k, edges, OFFSETS_S[0], RATE_HZ, _TURN_DPS, looks[:, parts[k]])
    between, setting, rates, turned = parts[len(_NEAR_LOOKS_S) :]
    looks[:, between] = np.diff(offset_s, axis=1)
    looks[:, setting] = _setting(windows, windows.mark_s - offset_s[:, _IMPACT])
    _rates(
        windows.rates_dps,
        offset_s,
        _IMPACT,
        _IMPACT_LOOK_S,
        OFFSETS_S[0],
        RATE_HZ,
        _RATE_DPS,
        looks[:, rates],
    )
    address_deg = windows.address_at(offset_s[:, 0])[:, :, None]
    times = np.column_stack(
        [offset_s[:, [k]] + look for k, look in zip((1, 2), _TURNED_LOOKS_S, strict=True)]
    )
    read = (windows.angles_at(times) - address_deg) / _TURNED_DEG
    looks[:, turned] = read.reshape(len(windows), -1)
    return looks


def _setting(windows: Windows, mark_s: Array) -> Array:
    """What else is known: a mark and where it lies, the missing forearm, the recording's ends, its rate and noise."""
    return np.column_stack(
        [
            np.nan_to_num(mark_s) * 10,
            windows.marked,
            windows.has_pronation,
            np.clip(windows.start_s, -3, 0),
            np.clip(windows.end_s, 0, 1.5),
            np.log(np.clip(windows.sample_rate_hz, 20, 1000)),
            np.log(windows.noise_deg + 0.05),
        ]
    )


@kernel
def arcsinh(values, exponent):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Replace a contiguous row of numbers by their arcsinh, to 2e-7; `exponent` is int32 room of the same length.

    The logarithm is that of the mantissa by a short series, and of the exponent: whole rows at once, where a library's
    logarithm takes one number at a time.
    """
    bits = exponent
    grown = np.empty(len(values), dtype=np.float32)
    for k in range(len(values)):
        size = abs(values[k])
        grown[k] = size + np.sqrt(size * size + _ONE)
    whole = grown.view(np.int32)
    for k in range(len(values)):
        bits[k] = (whole[k] - np.int32(0x3F3504F3)) >> np.int32(23)
        whole[k] = whole[k] - (bits[k] << np.int32(23))
    for k in range(len(values)):
        share = (grown[k] - _ONE) / (grown[k] + _ONE)
        square = share * share
        series = _SERIES[0] + square * (_SERIES[1] + square * (_SERIES[2] + square * _SERIES[3]))
        size = share * (_TWO + square * series) + np.float32(bits[k]) * _LN2
        values[k] = size if values[k] >= 0 else -size


@kernel
def _turns(angles, about_s, column, edges, start_s, rate_hz, unit, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """How far each channel turns between consecutive times, compressed, ``(n_swings, 3 * (n_edges - 1))``."""
    count = len(edges)
    place, weight = np.empty(count, dtype=np.uint32), np.empty(count, dtype=np.float32)
    times, read = np.empty(count), np.empty(count, dtype=np.float32)
    turned, room = np.empty(3 * (count - 1), dtype=np.float32), np.empty(3 * (count - 1), dtype=np.int32)
    by = np.float32(1.0 / ((edges[1] - edges[0]) * unit))
    for row in range(len(angles)):
        for q in range(count):
            times[q] = about_s[row, column] + edges[q]
        find_even(times, start_s, rate_hz, angles.shape[2], place, weight)
        for c in range(3):
            read_even(angles[row, c], place, weight, read)
            own = turned[c * (count - 1) : (c + 1) * (count - 1)]
            for q in range(count - 1):
                own[q] = (read[q + 1] - read[q]) * by
        arcsinh(turned, room)
        for q in range(len(turned)):
            out[row, q] = turned[q]


@kernel
def _rates(rates, about_s, column, look_s, start_s, rate_hz, unit, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Rates at times about a landmark, compressed."""
    count = len(look_s)
    place, weight = np.empty(count, dtype=np.uint32), np.empty(count, dtype=np.float32)
    times, read, room = np.empty(count), np.empty(3 * count, dtype=np.float32), np.empty(3 * count, np.int32)
    by = np.float32(1.0 / unit)
    for row in range(len(rates)):
        for q in range(count):
            times[q] = about_s[row, column] + look_s[q]
        find_even(times, start_s, rate_hz, rates.shape[2], place, weight)
        for c in range(3):
            read_even(rates[row, c], place, weight, read[c * count : (c + 1) * count])
        for q in range(3 * count):
            read[q] = read[q] * by
        arcsinh(read, room)
        for q in range(3 * count):
            out[row, q] = read[q]
